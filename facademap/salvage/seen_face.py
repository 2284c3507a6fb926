"""Whether the surface of a piece that will show has been seen: photographed as it is, or still inside the stone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from facademap.tables import is_missing

__all__ = ["SeenFace", "seen_face", "unseen_faces"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenFace:
    """What is known of the surface that will show.

    Parameters
    ----------
    slab : int
        Counted from the face, from 0.
    photographed : bool
        Whether the surface itself has been photographed.
    words : str
        What has to be said of it; empty where it was photographed and stays as it is.
    """

    slab: int
    photographed: bool
    words: str

    @property
    def short(self) -> str:
        """The same in a few words, for a line or a list; empty where the surface was seen."""
        if self.photographed:
            return ""
        return "its face has not been seen yet" if self.slab else "its face was not photographed"


def seen_face(
    place: Mapping[str, Any] | None,
    face: Mapping[str, Any],
    *,
    piece: Mapping[str, Any] | None = None,
) -> SeenFace:
    """What is known of the surface of a piece that will show.

    Parameters
    ----------
    place : mapping or None
        Row of the table ``placements``; ``None`` for a piece that would come from the front of the block.
    face : mapping
        Row of the table ``faces``.
    piece : mapping, optional
        Row of the table ``pieces``: a finish that the face does not have is worked, which takes its skin off.
    """
    slab = int((place or {}).get("slab") or 0)
    if slab:
        return SeenFace(
            slab=slab,
            photographed=False,
            words=f"Slab {slab + 1}: its face lies inside the stone and has not been photographed. What is known is the old "
            "face: colour and veins may differ. Photograph it once it is sawn and look again before it is worked.",
        )
    if is_missing(face["photo"]):
        return SeenFace(
            slab=0,
            photographed=False,
            words="The face has not been photographed: photograph it and look again before it is worked.",
        )
    finish = None if piece is None or is_missing(piece["finish"]) else str(piece["finish"])
    if finish is not None and not is_missing(face["finish"]) and finish != face["finish"]:
        return SeenFace(
            slab=0,
            photographed=True,
            words=f"The old face is {face['finish']} and the piece is to be {finish}: working takes the skin off that was photographed.",
        )
    return SeenFace(slab=0, photographed=True, words="")


def unseen_faces(
    placements: Iterable[Mapping[Any, Any]], faces: Iterable[Mapping[Any, Any]]
) -> dict[str, SeenFace]:
    """Repairs whose piece will show a surface that has not been photographed, with what is known of it.

    Parameters
    ----------
    placements, faces : iterable of mapping
        Rows of the tables of those names.
    """
    rows = {f["id"]: f for f in faces}
    found = {}
    for place in placements:
        face = rows.get(place["face"])
        if face is None:
            continue
        seen = seen_face(place, face)
        if not seen.photographed:
            found[str(place["repair"])] = seen
    return found
