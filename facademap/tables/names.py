"""The grammar of ids, and the names of files that are made from them.

An id is a word of letters, digits, ``-``, ``_`` and ``.`` that begins with a letter, a digit or ``_``. Two ids of a table
differ in more than case, since file systems and GIS programs do not tell case apart. Keys that are made from the ids
of other rows join them by ``:`` (``main:K01``).
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Iterable

__all__ = ["LONGEST_ID", "LONGEST_KEY", "as_id", "file_name", "id_fault", "same_id", "unique_id"]

#: The longest id; with an ending it still fits every file system.
LONGEST_ID = 100
LONGEST_KEY = 3 * LONGEST_ID + 2
JOINT = ":"
_ID = re.compile(r"[A-Za-z0-9_](?:[A-Za-z0-9_.-]*[A-Za-z0-9_-])?")
#: Names that some systems keep for devices, with any ending.
_DEVICES = frozenset(
    ["con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(1, 10))]
)


def id_fault(text: str, *, joined: bool = False) -> str | None:
    """What is wrong with an id, in words that follow its value; ``None`` for a good one.

    Parameters
    ----------
    text : str
    joined : bool
        Whether it is a key made from ids, joined by ``:``.
    """
    parts = text.split(JOINT) if joined else [text]
    if len(text) > (LONGEST_KEY if joined else LONGEST_ID):
        return f"expected at most {LONGEST_ID} characters"
    for part in parts:
        if not _ID.fullmatch(part):
            return f"expected letters, digits, '-', '_' and '.' only, as in {as_id(part)!r}"
        if part.split(".")[0].lower() in _DEVICES:
            return f"expected a word that no system keeps for a device, as in {as_id(part)!r}"
    return None


def same_id(text: str) -> str:
    """What two ids have in common that count as the same."""
    return text.lower()


def as_id(text: object) -> str:
    """The id that is nearest to a text: ``Süd 3/4`` becomes ``Sud-3-4``. A good id stays as it is."""
    said = str(text)
    plain = unicodedata.normalize("NFKD", said).encode("ascii", "ignore").decode()
    word = re.sub(r"[^A-Za-z0-9_.-]+", "-", plain)
    word = re.sub(r"^[.-]+", "", word).rstrip(".")
    stem, dot, ending = word.rpartition(".")
    kept = len(word) <= LONGEST_ID
    if not kept:
        short = (stem if dot and len(ending) < 6 else word)[: LONGEST_ID - 16].rstrip(".-")
        word = f"{short}-{_digest(said)}" + (f".{ending}" if dot and len(ending) < 6 else "")
    before_ending = plain.rpartition(".")[0]
    if not word or not (
        said.isascii() or re.search(r"\w", before_ending if "." in plain else plain)
    ):
        # nothing that could be kept, or of a file's name its ending only
        word = f"x-{_digest(said)}" + (f".{word}" if word else "")
    if word.split(".")[0].lower() in _DEVICES:
        word = f"_{word}"
    return word


def unique_id(text: object, taken: Iterable[str]) -> str:
    """:func:`as_id`, with a number where that is taken."""
    word, known = as_id(text), {same_id(t) for t in taken}
    number, found = 1, word
    while same_id(found) in known:
        number += 1
        found = f"{word[: LONGEST_ID - 8]}-{number}"
    return found


def file_name(text: object) -> str:
    """A name that every file system takes, made from an id or another text; two different texts never share one.

    A good id is its own name. This is the one place where names of files are made from data.
    """
    said = str(text)
    if id_fault(said) is None:
        return said
    plain = re.sub(r"[^A-Za-z0-9._-]+", "_", said).strip("._-")[: LONGEST_ID - 20].rstrip("._-")
    if plain.split(".")[0].lower() in _DEVICES:
        plain = f"_{plain}"
    return f"{plain or 'x'}-{_digest(said)}"


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]
