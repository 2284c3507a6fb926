"""What may hurt somebody, in sentences for everything that goes to site."""

from __future__ import annotations

__all__ = ["DEFER", "PROPPING", "cautions_for", "hold_points"]

DEFER = "Defer to local codes and licensed practice: structure, access, lifting and health are decided by competent persons on site."
#: Hold point: nothing is cut out before an engineer has decided on the propping.
PROPPING = "propping"
_LOAD_BEARING = frozenset({"lintel", "voussoir", "jamb", "quoin", "sill", "cornice", "coping"})
_PROJECTING = frozenset({"string course", "cornice", "coping", "sill", "lintel", "voussoir"})


def hold_points(
    *, treatment: str, part: str, overhead: bool = False, depth_share: float | None = None
) -> tuple[str, ...]:
    """What has to be decided by another profession before a stone is cut out.

    Arches, lintels, stones that carry others, stones that come out whole and cuts through more than
    half of a bed wait for an engineer's decision on the propping (common practice).
    """
    if treatment not in ("inset", "whole stone"):
        return ()
    carries = treatment == "whole stone" or part in _LOAD_BEARING or overhead
    deep = depth_share is not None and depth_share > 0.5
    return (PROPPING,) if carries or deep else ()


def cautions_for(
    *,
    treatment: str,
    part: str,
    overhead: bool = False,
    weight_kg: float | None = None,
    lifting_index: float | None = None,
    engineer_kg: float = 25.0,
    depth_share: float | None = None,
    faults: tuple[str, ...] = (),
) -> list[str]:
    """The cautions of one repair.

    Parameters
    ----------
    treatment : str
        Treatment decided.
    part : str
        Part of the building.
    overhead : bool
        Whether the piece shows its underside, as at a soffit.
    weight_kg, lifting_index : float, optional
        Saturated weight of the piece and its NIOSH lifting index.
    engineer_kg : float
        Weight from which an engineer looks at the fixing.
    depth_share : float, optional
        Share of the bed depth that is cut.
    faults : tuple of str
        What the fixing could not keep.
    """
    found = []
    if treatment == "make safe":
        found += [
            "Loose or parted stone may fall: keep people away below, put up protection, and tell the responsible person at once.",
            "Sound and tap-test before any work near an edge; anything that moves over a way is an immediate matter, not a drawing.",
        ]
    if treatment in ("inset", "whole stone"):
        found += [
            "Sawing, drilling and chiselling stone sets free silica dust: controls for the task chosen must be in place first.",
            "Eye, ear, hand and foot protection; nobody below while stone is cut or lifted.",
        ]
        if treatment == "whole stone" or part in _LOAD_BEARING:
            found.append(
                "This stone may carry load: nothing is taken out before a structural engineer has designed the propping."
            )
        if part in _PROJECTING or overhead:
            found.append(
                "Projecting or overhead piece: fixing by an engineer; bond alone must never hold it."
            )
        if weight_kg is not None and weight_kg >= engineer_kg:
            found.append(
                f"Heavy piece, {weight_kg:.0f} kg saturated: fixing and lifting by a competent person; stone breakout governs, not steel."
            )
        if lifting_index is not None and lifting_index > 1:
            found.append(
                f"NIOSH lifting index {lifting_index:.1f}: not one person by hand; use two, a hoist or a trolley after an assessment."
            )
        if depth_share is not None and depth_share > 0.5:
            found.append(
                f"The cut takes {depth_share:.0%} of the bed depth: have the remaining section checked by an engineer."
            )
        found += [f"Fixing: {f}." for f in faults]
    if treatment in ("inset", "whole stone", "repoint", "mortar repair", "crack repair"):
        found.append(
            "Hydraulic lime is caustic: gloves, goggles, clean water for the eyes at hand."
        )
    if treatment in ("clean", "consolidate"):
        found.append(
            "Trial patch first; read and follow the safety sheet of whatever is put on the stone."
        )
    return [*found, DEFER] if found else found
