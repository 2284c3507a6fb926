"""Ways of fixing a piece with rods: what each asks, what it does to the wall, what shows afterwards."""

from __future__ import annotations

from dataclasses import dataclass

from facademap.errors import InputError

__all__ = ["BEFORE", "FIXINGS", "RESIN", "THROUGH_FACE", "Fixing", "fixing_named"]

BEFORE, THROUGH_FACE, RESIN = "before", "through face", "resin"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fixing:
    """One way of fixing.

    Parameters
    ----------
    name : str
        As kept with every pin.
    title : str
        As people say it.
    parallel : bool
        The rods stand in the wall when the piece goes on: they must be parallel to its way in.
    rules, cautions : tuple of str
        What has to be kept, and what may hurt the stone or somebody, in sentences.
    plug : str
        What shows on the face afterwards; empty where nothing does.
    source, status : str
        Where this comes from.
    """

    name: str
    title: str
    parallel: bool
    rules: tuple[str, ...]
    cautions: tuple[str, ...]
    plug: str = ""
    source: str = "common practice"
    status: str = "practice"


FIXINGS: dict[str, Fixing] = {
    f.name: f
    for f in (
        Fixing(
            name=BEFORE,
            title="rods set in the wall before the piece",
            parallel=True,
            rules=(
                "All rods are parallel to the way in of the piece, so that it goes on and comes off again with the rods in place.",
                "Rods are grouted in the wall first and stand until they hold; the piece is tried on them dry.",
            ),
            cautions=(),
        ),
        Fixing(
            name=THROUGH_FACE,
            title="rods drilled through the face after setting",
            parallel=False,
            rules=(
                "Drill only when the bed has hardened, through piece and wall in one go, without hammer action.",
                "The rod stops below the face; the hole is closed with a plug cut from the same stone, its bed as that of the piece.",
                "The piece can be taken out for trial only before the holes are drilled.",
            ),
            cautions=(
                "Pins drilled through the face leave plugs that can be seen: agree them with whoever approves the work before drilling.",
                "Until the rods are in, only the bed holds the piece: hold it up until they have set.",
            ),
            plug="a plug of the same stone over every rod",
        ),
        Fixing(
            name=RESIN,
            title="rods set in resin",
            parallel=False,
            rules=(
                "Holes are blown and brushed clean and are dry; nothing of the resin comes within the cover of the face.",
                "Trial beddings are made without rods; rods and resin go in with the last bedding only.",
                "A sloped rod needs a hole in the piece so wide that the piece still goes straight on.",
            ),
            cautions=(
                "Resin cannot be taken out again without harm to the stone: agree it with whoever approves the work.",
                "Resin harms skin and lungs, and softens in heat: follow its safety sheet, wear gloves and goggles, ask an engineer where fire counts.",
            ),
        ),
    )
}


def fixing_named(name: str) -> Fixing:
    """The fixing of that name.

    Raises
    ------
    InputError
        There is none.
    """
    if name not in FIXINGS:
        raise InputError(f"fixing {name!r} is unknown", f"Use one of {', '.join(FIXINGS)}.")
    return FIXINGS[name]
