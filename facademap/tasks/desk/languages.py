"""Catalogues of other languages for the texts of the survey desk, dropped into a project as files."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from facademap.errors import FileError, InputError
from facademap.plain_texts import parse_json

__all__ = ["FOLDER", "Catalogue", "catalogue", "catalogues"]

#: Folder in the project that holds one file a language, such as ``de.json``.
FOLDER = "languages"
#: A language by its tag (RFC 5646): letters for the language, then parts for script or region.
_TAG = re.compile(r"[a-z]{2,3}(-[A-Za-z0-9]{2,8})*\Z")
_MOST_BYTES = 1_000_000
_REMEDY = 'Write one JSON object: {"language": "its own name", "texts": {"tool.select": "..."}}.'


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogue:
    """The texts of one language.

    Parameters
    ----------
    tag : str
        Language tag, the name of the file.
    language : str
        Name of the language in itself.
    texts : dict of str to str
        Texts by key; the desk tells in English what is not there.
    """

    tag: str
    language: str
    texts: dict[str, str]


def catalogue(folder: Path, tag: str) -> Catalogue:
    """Read the catalogue of one language.

    Parameters
    ----------
    folder : Path
        Project.

    Raises
    ------
    FileError
        There is none of that name.
    InputError
        The file holds no catalogue.
    """
    path = folder / FOLDER / f"{tag}.json"
    if not _TAG.match(tag) or not path.is_file():
        raise FileError(
            f"there is no catalogue {tag[:40]!r}",
            f"Put it into {FOLDER}/ of the project as its tag and .json.",
        )
    if path.stat().st_size > _MOST_BYTES:
        raise InputError(
            f"{FOLDER}/{path.name}: larger than {_MOST_BYTES // 1_000_000} MB", _REMEDY
        )
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, ValueError) as fault:
        raise InputError(f"{FOLDER}/{path.name}: {str(fault)[:120]}", _REMEDY) from None
    read = parse_json(text, where=f"{FOLDER}/{path.name}", remedy=_REMEDY)
    texts = read.get("texts") if isinstance(read, dict) else None
    language = read.get("language") if isinstance(read, dict) else None
    if not isinstance(texts, dict) or not isinstance(language, str) or not language.strip():
        raise InputError(f"{FOLDER}/{path.name}: no language or no texts", _REMEDY)
    wrong = next((key for key, text in texts.items() if not isinstance(text, str)), None)
    if wrong is not None:
        raise InputError(f"{FOLDER}/{path.name}: {str(wrong)[:60]!r} is no text", _REMEDY)
    return Catalogue(tag=tag, language=language.strip()[:60], texts=texts)


def catalogues(folder: Path) -> tuple[list[Catalogue], list[str]]:
    """Every catalogue of a project, and what is wrong with files that hold none."""
    found, problems = [], []
    for path in sorted((folder / FOLDER).glob("*.json")):
        try:
            found.append(catalogue(folder, path.stem))
        except (InputError, FileError) as fault:
            problems.append(f"{fault.problem}. {fault.remedy}")
    return found, problems
