"""What may hurt somebody, in sentences for everything that goes to site."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from facademap.tables import PIECED

__all__ = [
    "CARRYING",
    "CAUTIONS",
    "DEFER",
    "LOAD_BEARING",
    "PROPPING",
    "Caution",
    "cautions_for",
    "hold_points",
    "sources_line",
]

DEFER = "Defer to local codes and licensed practice: structure, access, lifting and health are decided by competent persons on site."
#: Hold point: nothing is cut out before an engineer has decided on the propping.
PROPPING = "propping"
#: Parts of a building that carry, or that others lean on.
LOAD_BEARING = frozenset({"lintel", "voussoir", "jamb", "quoin", "sill", "cornice", "coping"})
_PROJECTING = frozenset({"string course", "cornice", "coping", "sill", "lintel", "voussoir"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One caution, with where it comes from.

    Parameters
    ----------
    about : str
        What it is about, in a word or two.
    text : str
        The sentence; figures of the repair stand in braces.
    source, status : str
        Where it comes from, and how far that was read: confirmed, derived, memory, practice or project.
    """

    about: str
    text: str
    source: str = "common practice"
    status: str = "practice"

    def says(self, sentence: str) -> bool:
        """Whether a sentence, as kept with a repair, is this caution."""
        return sentence.startswith(self.text.partition("{")[0])


CAUTIONS: dict[str, Caution] = {
    c.about: c
    for c in (
        Caution(
            about="loose stone",
            text="Loose or parted stone may fall: keep people away below, put up protection, and tell the responsible person at once.",
        ),
        Caution(
            about="sounding",
            text="Sound and tap-test before any work near an edge; anything that moves over a way is an immediate matter, not a drawing.",
        ),
        Caution(
            about="dust",
            text="Sawing, drilling and chiselling stone sets free silica dust: controls for the task chosen must be in place first.",
            source="29 CFR 1926.1153, read in public transcriptions",
            status="derived",
        ),
        Caution(
            about="protection",
            text="Eye, ear, hand and foot protection; nobody below while stone is cut or lifted.",
        ),
        Caution(
            about="propping",
            text="This stone may carry load: nothing is taken out before a structural engineer has designed the propping.",
        ),
        Caution(
            about="overhead",
            text="Projecting or overhead piece: fixing by an engineer; bond alone must never hold it.",
        ),
        Caution(
            about="weight",
            text="Heavy piece, {kg:.0f} kg saturated: fixing and lifting by a competent person; stone breakout governs, not steel.",
        ),
        Caution(
            about="lifting",
            text="NIOSH lifting index {index:.1f}: not one person by hand; use two, a hoist or a trolley after an assessment.",
            source="NIOSH lifting equation (94-110), formula read in a handbook",
            status="derived",
        ),
        Caution(
            about="deep cut",
            text="The cut takes {share:.0%} of the bed depth: have the remaining section checked by an engineer.",
        ),
        Caution(about="fixing", text="Fixing: {fault}.", source="profile of the project"),
        Caution(
            about="lime",
            text="Hydraulic lime is caustic: gloves, goggles, clean water for the eyes at hand.",
            source="safety sheets of lime",
            status="memory",
        ),
        Caution(
            about="trial",
            text="Trial patch first; read and follow the safety sheet of whatever is put on the stone.",
        ),
    )
}


#: Said of work that cuts nothing out and yet reaches into what carries; it is told with the wall as it is drawn now, and not kept with a repair.
CARRYING = Caution(
    about="carrying",
    text="Works in stone that may carry ({parts}): a structural engineer decides before it begins how deep it may be cut, drilled or raked, in "
    "which order and with what support; never both sides of a stone or a whole bed at once.",
)


def sources_line(sentences: Iterable[str]) -> str:
    """Where the cautions of a repair come from, in one line for the foot of a paper; those known by no source are left out."""
    cited: list[str] = []
    practice = False
    for sentence in sentences:
        found = next((c for c in (*CAUTIONS.values(), CARRYING) if c.says(sentence)), None)
        if found is None:
            continue
        if found.status == "practice":
            practice = True
        else:
            words = f"{found.about}: {found.source}"
            cited.append(words + (", from memory: verify" if found.status == "memory" else ""))
    if not (cited or practice):
        return ""
    rest = ["the others: common practice" if cited else "common practice"] if practice else []
    return "Sources: " + "; ".join([*dict.fromkeys(cited), *rest]) + "."


def hold_points(
    *, treatment: str, part: str, overhead: bool = False, depth_share: float | None = None
) -> tuple[str, ...]:
    """What has to be decided by another profession before a stone is cut out.

    Arches, lintels, stones that carry others, stones that come out whole and cuts through more than
    half of a bed wait for an engineer's decision on the propping (common practice).
    """
    if treatment not in PIECED:
        return ()
    carries = treatment == "whole stone" or part in LOAD_BEARING or overhead
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
    found: list[str] = []

    def add(about: str, **figures: object) -> None:
        found.append(CAUTIONS[about].text.format(**figures))

    if treatment == "make safe":
        add("loose stone")
        add("sounding")
    if treatment in PIECED:
        add("dust")
        add("protection")
        if treatment == "whole stone" or part in LOAD_BEARING:
            add("propping")
        if part in _PROJECTING or overhead:
            add("overhead")
        if weight_kg is not None and weight_kg >= engineer_kg:
            add("weight", kg=weight_kg)
        if lifting_index is not None and lifting_index > 1:
            add("lifting", index=lifting_index)
        if depth_share is not None and depth_share > 0.5:
            add("deep cut", share=depth_share)
        for fault in faults:
            add("fixing", fault=fault)
    if treatment in (
        "inset", "whole stone", "repoint", "mortar repair", "crack repair", "re-fix", "metal", "shelter",
    ):  # fmt: skip
        add("lime")
    if treatment in ("clean", "consolidate"):
        add("trial")
    return [*found, DEFER] if found else found
