"""The languages of the condition map: texts of the page, and words of the trade with what is our own translation."""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

__all__ = ["LANGUAGES", "catalogues", "with_own"]

#: Languages that the page offers, by their tags.
LANGUAGES = ("en", "de", "fr", "it", "es")
#: How keys of an office's own catalogue begin, for texts of the page and for words of the trade.
_TEXT, _WORD = "map.", "map.word."


def catalogues() -> dict[str, dict[str, Any]]:
    """Every language of the page.

    Returns
    -------
    dict
        By tag: ``language`` (its own name), ``texts`` (by key), ``words`` (by the English word, or by a sentence with ``{}``
        for what is in it), ``own`` (terms of the glossary whose translation is ours and not the glossary's).
    """
    folder = files("facademap.report").joinpath("map_page/languages")
    return {
        tag: json.loads(folder.joinpath(f"{tag}.json").read_text(encoding="utf-8"))
        for tag in LANGUAGES
    }


def with_own(
    known: Mapping[str, dict[str, Any]], tag: str, language: str, texts: Mapping[str, str]
) -> dict[str, dict[str, Any]]:
    """The languages with what an office wrote itself: other words, or another language.

    Parameters
    ----------
    known : mapping
        Languages by tag.
    tag, language : str
        Tag and own name of the language.
    texts : mapping of str to str
        ``map.`` and the key of a text of the page, or ``map.word.`` and an English word.
    """
    words = {k.removeprefix(_WORD): v for k, v in texts.items() if k.startswith(_WORD)}
    said = {
        k.removeprefix(_TEXT): v
        for k, v in texts.items()
        if k.startswith(_TEXT) and not k.startswith(_WORD)
    }
    if not words and not said:
        return dict(known)
    there = known.get(tag, {"language": language, "own": [], "texts": {}, "words": {}})
    merged = {
        **there,
        "texts": {**there["texts"], **said},
        "words": {**there["words"], **words},
        "own": [term for term in there["own"] if term not in words],
    }
    return {**known, tag: merged}
