"""Text of a project in the condition map's file: it stays text, and the content policy stays ours."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from facademap.report.condition_map import MapContent, MapSurface, write_condition_map

HOSTILE = (
    "Mill</title></head><body></body><script>window.X=1</script>",
    '<met<meta>a http-equiv="refresh" content="0;url=https://example.org">',
    "{{ 7 * 7 }}{% raw %}",
    '" onload="window.X=1" x="',
    "' -->\u2028<!--<script>",
    "</style><style>*{display:none}</style>",
    "sha256-' 'unsafe-inline",
)


class _Tags(HTMLParser):
    """Tags and attributes as a reader of the file meets them."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.policy, self.title, self._in_title = "", "", False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self._in_title = tag == "title"
        # the longest texts are left out: styles and labels say nothing of structure
        self.tags.append(f"{tag} {sorted(given)} {given.get('id', '')}")
        if given.get("http-equiv") == "Content-Security-Policy":
            self.policy = given["content"] or ""

    def handle_endtag(self, tag: str) -> None:
        self._in_title = False

    def handle_data(self, data: str) -> None:
        if self._in_title:
            self.title += data


def _page(text: str) -> _Tags:
    surface = MapSurface(
        id=text,
        name=text,
        left_m=0,
        top_m=1,
        gsd_m=0.01,
        levels=1,
        extent_m=(0, 0, 1, 1),
        has_picture=False,
    )
    data = {
        "features": [
            {
                "k": "c",
                "i": text,
                "p": {"note": text},
                "g": [[0, 0, 900, 0, 900, 900]],
                "c": [300, 300],
            }
        ],
        "photos": {text: text},
    }
    content = MapContent(title=text, subtitle=text, surfaces=[surface], data=data)
    return _Tags(write_condition_map(content).decode())


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_text_changes_neither_the_structure_nor_the_policy(text: str) -> None:
    plain, hostile = _page("Mill"), _page(text)
    assert hostile.tags == plain.tags
    assert hostile.policy == plain.policy
    assert hostile.title == text
    assert "unsafe-inline" not in re.sub("style-src [^;]*;", "", plain.policy)


def test_every_language_has_every_word_that_the_page_itself_says() -> None:
    from typing import get_args

    from facademap.condition.glossary import CLASS_NAMES, FAMILIES, TERMS
    from facademap.condition.survey_pairs import Fate
    from facademap.repair.cautions import CAUTIONS
    from facademap.report import map_content
    from facademap.report.map_words import catalogues
    from facademap.tables import STAGES, TREATMENTS, UNDECIDED

    known = catalogues()
    said = {
        *(t.name for t in TERMS),
        *(f.name for f in FAMILIES),
        *(w for words in CLASS_NAMES.values() for w in words),
        *get_args(Fate),
        *(*TREATMENTS, UNDECIDED, *STAGES),
        *(*map_content._HELP, *map_content._CAUTIONS, *map_content._SOURCES),
        *(
            words
            for kind, columns in map_content._SHOWN.items()
            for name, words in map_content._labels()[kind].items()
            if name in columns and name not in ("cc", "uc", "rc", "cautions")
        ),
        # a weight stands with its unit in one gap
        *(re.sub("{[^}]*}( kg)?", "{}", c.text) for c in CAUTIONS.values() if c.about != "fixing"),
    }
    for tag, language in known.items():
        assert set(language["texts"]) == set(known["en"]["texts"]), tag
        assert set(language["own"]) <= {t.name for t in TERMS}
        if tag != "en":
            assert said - set(language["words"]) == set(), tag
            for english, words in language["words"].items():
                assert words.count("{}") == english.count("{}"), (tag, english)
                assert words.strip(), (tag, english)
