"""Record sheets: a page a repair with what was decided, designed, measured, done and checked."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from facademap.repair.consents import binding_on, consent_said
from facademap.report.code_words import PLAIN_CODE, code_of
from facademap.report.materials import number, read_materials, read_rods
from facademap.report.measures import METRIC, Measures
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import write_pdf
from facademap.report.photo_sequence import draw_photo_sequence, has_begun
from facademap.report.rows import rows_of
from facademap.report.ticket_page import draw_qr
from facademap.report.wall_window import Crop, draw_wall_window
from facademap.salvage.seen_face import unseen_faces
from facademap.tables import is_missing, text_of
from facademap.treatment.follow_up import follow_ups, look_words

__all__ = ["Photo", "RepairRecord", "make_records", "write_records"]

MARGIN = 12.0
#: Photo id to JPEG and its width and height in pixels, or nothing.
Photo = Callable[[str], "tuple[bytes, int, int] | None"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairRecord:
    """One repair with everything known about it."""

    repair: Mapping[str, Any]
    conditions: Sequence[Mapping[str, Any]]
    pieces: Sequence[Mapping[str, Any]]
    places: Sequence[Mapping[str, Any]]
    unseen: str = ""
    entries: Sequence[Mapping[str, Any]]
    edits: Sequence[tuple[str, str, str]]
    looks: Sequence[Mapping[str, Any]] = ()
    elevation: str
    surface: str
    say: Measures = METRIC
    consents: Sequence[Mapping[str, Any]] = ()


def make_records(
    frames: Mapping[str, pd.DataFrame],
    *,
    edits: Mapping[str, Sequence[tuple[str, str, str]]] | None = None,
    inches: bool = False,
) -> list[RepairRecord]:
    """Records of all repairs, by id.

    Parameters
    ----------
    frames : mapping of table name to frame
    edits : mapping of repair id to (when, who, what), optional
        Changes of the repair, oldest first.
    inches : bool
        Whether inches, pounds and gallons come first.
    """
    elevations = {e["id"]: str(e["name"]) for e in rows_of(frames["elevations"])}
    surfaces = {s["id"]: s for s in rows_of(frames["surfaces"])}
    conditions = {c["id"]: c for c in rows_of(frames["conditions"])}

    def by_repair(name: str) -> dict[str, list[dict[str, Any]]]:
        found: dict[str, list[dict[str, Any]]] = {}
        for row in rows_of(frames[name]):
            found.setdefault(str(row["repair"]), []).append(row)
        return found

    unseen = unseen_faces(rows_of(frames["placements"]), rows_of(frames["faces"]))
    pieces, places, log = by_repair("pieces"), by_repair("placements"), by_repair("work_log")
    looks = rows_of(frames["looks"]) if "looks" in frames else []
    seen_again = {f.id: f.looks for f in follow_ups(looks) if f.table == "repairs"}
    consents = rows_of(frames["consents"]) if "consents" in frames else []
    records = []
    for repair in rows_of(frames["repairs"]):
        surface = surfaces.get(repair["surface"], {})
        records.append(
            RepairRecord(
                repair=repair,
                conditions=[
                    conditions[str(c)] for c in repair["conditions"] or [] if str(c) in conditions
                ],
                pieces=pieces.get(repair["id"], []),
                places=places.get(repair["id"], []),
                unseen=unseen[repair["id"]].short if repair["id"] in unseen else "",
                entries=sorted(
                    log.get(repair["id"], []), key=lambda e: (str(e["at"]), str(e["id"]))
                ),
                edits=(edits or {}).get(repair["id"], []),
                looks=seen_again.get(str(repair["id"]), ()),
                elevation=elevations.get(surface.get("elevation"), ""),
                surface=str(surface.get("name", repair["surface"])),
                say=Measures(inches),
                consents=binding_on(consents, repair),
            )
        )
    return sorted(records, key=lambda r: str(r.repair["id"]))


def write_records(
    records: Sequence[RepairRecord],
    *,
    photo: Photo | None = None,
    crop: Crop | None = None,
    project: str = "",
    link: str = PLAIN_CODE,
    paper: str = "A4",
) -> bytes:
    """All record sheets as one PDF.

    Parameters
    ----------
    records : sequence of RepairRecord
    photo : callable, optional
        Gives a photo by its id.
    crop : callable, optional
        Gives the rectified picture of a surface in a box of its wall frame.
    """
    return write_pdf(
        _pages(records, photo, crop, project, link, paper),
        title=f"Record of repairs, {project}".strip(", "),
        subject="A page for each repair, and the photo sequence of each inset begun",
    )


def _pages(
    records: Sequence[RepairRecord],
    photo: Photo | None,
    crop: Crop | None,
    project: str,
    link: str,
    paper: str,
) -> Iterator[Page]:
    width, height = paper_named(paper)
    if not records:
        page = Page(width_mm=width, height_mm=height)
        page.text(15, height - 30, "No repairs to record", size_pt=20, weight="bold")
        yield page
    for n, record in enumerate(records, start=1):
        count = f"{n} of {len(records)}"
        yield _page(record, photo, crop, project, link, (width, height), count)
        if has_begun(record):
            yield draw_photo_sequence(
                record, photo, project=project, size=(width, height), count=count
            )


def _page(
    record: RepairRecord,
    photo: Photo | None,
    crop: Crop | None,
    project: str,
    link: str,
    size: tuple[float, float],
    count: str,
) -> Page:
    width, height = size
    repair = record.repair
    page = Page(width_mm=width, height_mm=height, title=str(repair["id"]))
    left, right, top = MARGIN, width - MARGIN, height - MARGIN
    _head(page, record, link, left, right, top)
    y = top - 24
    picture = 66.0
    draw_wall_window(
        page,
        crop,
        record.repair,
        record.conditions,
        box=(left, y - picture, 84, picture),
        inches=record.say.inches,
    )
    _facts(page, record, left + 88, y, right - left - 88, picture)
    y -= picture + 5
    y = _section(
        page,
        "Conditions answered",
        [_condition_line(c, record.say) for c in record.conditions] or ["None recorded."],
        left,
        right,
        y,
        most=7,
    )
    if record.pieces or isinstance(repair["measured"], Mapping):
        y = _section(
            page,
            "Measured in the cut-out",
            _measured_lines(repair["measured"], record.say),
            left,
            right,
            y,
            most=4,
        )
    y = _section(
        page,
        "Work and checks",
        [_entry_line(e) for e in record.entries] or ["Nothing done yet."],
        left,
        right,
        y,
        most=16,
    )
    if record.looks:
        looks = [look_words(look) for look in record.looks]
        y = _section(page, "Looked at again", looks, left, right, y, most=8)
    y = _section(
        page,
        "Changes of the record",
        [f"{at[:16].replace('T', ' ')}   {who}: {what}" for at, who, what in record.edits]
        or ["Not available."],
        left,
        right,
        y,
        most=8,
    )
    _photos(page, record, photo, left, right, y)
    page.text(left, MARGIN - 5, project, size_pt=7.5, within_mm=110)
    page.text(right, MARGIN - 5, f"{repair['id']}    record {count}", size_pt=7.5, anchor="right")
    return page


def _head(
    page: Page, record: RepairRecord, link: str, left: float, right: float, top: float
) -> None:
    """The band on top: which repair, where, how far."""
    repair = record.repair
    page.box(left, top - 20, right - left, 20, ink=None, fill="#22313f")
    draw_qr(page, code_of(link, repair=str(repair["id"])), right - 20, top - 20, 20)
    page.box(right - 20, top - 20, 20, 20, width_mm=0.3)
    page.text(left + 4, top - 5.5, "RECORD OF REPAIR", size_pt=9, weight="bold", ink="#ffffff")
    page.text(
        left + 4, top - 14, repair["id"], size_pt=22, weight="bold", ink="#ffffff", within_mm=60
    )
    page.text(
        right - 24,
        top - 7,
        repair["treatment"],
        size_pt=13,
        weight="bold",
        ink="#ffffff",
        anchor="right",
        within_mm=70,
    )
    page.text(
        right - 24,
        top - 14,
        f"stage: {repair['stage']}",
        size_pt=11,
        ink="#ffffff",
        anchor="right",
        within_mm=70,
    )
    where = [
        record.elevation,
        *([record.surface] if record.surface != record.elevation else []),
        *([f"stone {repair['wall_stone']}"] if not is_missing(repair["wall_stone"]) else []),
    ]
    page.text(
        left + 4,
        top - 18.2,
        "   ·   ".join(w for w in where if w),
        size_pt=8.5,
        ink="#ffffff",
        within_mm=right - left - 30,
    )


def _facts(page: Page, record: RepairRecord, x: float, y: float, width: float, tall: float) -> None:
    bottom = y - tall
    for title, text in _facts_of(record):
        if y < bottom + 4:
            page.text(
                x, bottom - 2.6, "More is recorded than stands here.", size_pt=7, ink="#555555"
            )
            break
        page.text(x, y - 3.4, title, size_pt=8, weight="bold")
        room = max(1, int((y - bottom) / 3.9) - 1)
        y = (
            page.paragraph(
                x + 18,
                y - 3.4,
                text or "not stated",
                width_mm=width - 18,
                size_pt=8.5,
                most_lines=min(4, room),
            )
            + 2.2
        )


def _facts_of(record: RepairRecord) -> list[tuple[str, str]]:
    """What is known of a repair, title and text: why it is done, what it takes, what it was allowed on."""
    repair, say = record.repair, record.say
    ruled = not is_missing(repair["rule"])
    status = f" ({text_of(repair['rule_status'], 'status unknown')})"
    facts = [("Rule", f"{repair['rule']}{status}" if ruled else "")]
    if not is_missing(repair["overruled_by"]):
        facts.append(("Overruled", f"{repair['overruled_by']}: {text_of(repair['reason'], '')}"))
    if not is_missing(repair["held_back"]):
        facts.append(("Held back", str(repair["held_back"])))
    if (depth := number(repair["depth_m"])) is not None:
        facts.append(("Depth", say.length(depth)))
    facts.append(("Removed", _removed_words(repair, say)))
    facts += _stone_facts(record)
    facts += _fixing_facts(repair, say)
    if not is_missing(repair["consent_reference"]):
        facts.append(
            (
                "Consent",
                f"{repair['consent_reference']} {text_of(repair['consent_conditions'], '')}",
            )
        )
    for c in record.consents:
        state = f"met by {c['met_by']}, {c['met_on']}" if c["met"] else "not met"
        facts.append(("Consent", f"{consent_said(c)}: {state}. {c['text']}"))
    if not is_missing(repair["note"]):
        facts.append(("Note", str(repair["note"])))
    return facts


def _stone_facts(record: RepairRecord) -> list[tuple[str, str]]:
    """The pieces, and the blocks that they come from."""
    facts = []
    for piece in record.pieces:
        size = record.say.size(piece[n] for n in ("width_m", "height_m", "depth_m"))
        said = f"{piece['id']}: {size}, {text_of(piece['stone_type'], 'any stone')}"
        facts.append(("Piece", said + (", provisional" if piece["provisional"] else "")))
    for place in record.places:
        de = number(place["de00"])
        said = f"{place['block']}, face {place['face']}, slab {int(place['slab'] or 0) + 1}"
        said += "" if de is None else f", ΔE00 {de:.2f}"
        said += f", {place['state']}" + (f"; {record.unseen}" if record.unseen else "")
        facts.append(("Block", said))
    return facts


def _fixing_facts(repair: Mapping[str, Any], say: Measures) -> list[tuple[str, str]]:
    """The pins and the mortar."""
    m = read_materials(repair["materials"], inches=say.inches)
    rods = read_rods(repair["pins"])
    facts = []
    if rods:
        facts.append(
            (
                "Pins",
                f"{len(rods)} × {say.rod(rods[0].rod_m or 0)}, {rods[0].grade}; "
                f"{say.length(sum(r.drilled_m for r in rods), decimals=0)} drilled",
            )
        )
    if m.mortar_in_place_m3 is not None:
        mix = f", {m.mix}" if m.mix else ""
        facts.append(("Mortar", f"{say.wet(m.mortar_in_place_m3)} in place{mix}"))
    return facts


def _removed_words(repair: Mapping[str, Any], say: Measures) -> str:
    """Original stone that the repair takes, or that it takes none."""
    area, volume = number(repair["removed_area_m2"]), number(repair["removed_volume_m3"])
    if not area and not volume:
        return "no original stone is cut away"
    return f"{say.area(area or 0)}, {say.stone(volume or 0)} of original stone"


def _condition_line(c: Mapping[str, Any], say: Measures) -> str:
    classes = " ".join(
        f"{k.upper()}{int(v)}" for k in ("cc", "uc", "rc") if (v := number(c[k])) is not None
    )
    depth = number(c["depth_m"])
    return (
        f"{c['id']}   {c['term']}   {classes}"
        + ("" if depth is None else f"   {say.length(depth, decimals=0)} deep")
        + ("" if is_missing(c["observed_on"]) else f"   seen {c['observed_on']}")
    )


def _measured_lines(measured: Any, say: Measures) -> list[str]:
    if not isinstance(measured, Mapping) or not measured:
        return ["Not measured yet: sizes are provisional."]
    lines = []
    for name, value in measured.items():
        if isinstance(value, Mapping):
            named = [(k, number(v)) for k, v in value.items()]
            lines.append(
                f"{str(name).removesuffix('_m')}: "
                + ", ".join(f"{k} {say.figure(v)}" for k, v in named if v is not None)
                + f" {say.unit}"
            )
            continue
        values = value if isinstance(value, list) else [value]
        shown = [
            say.figure(n) if str(name).endswith("_m") else f"{n:g}"
            for v in values
            if (n := number(v)) is not None
        ]
        lines.append(
            f"{str(name).removesuffix('_m').replace('_', ' ')}: "
            + (
                " / ".join(shown) + (f" {say.unit}" if str(name).endswith("_m") else "")
                if shown
                else json.dumps(value, ensure_ascii=False)
            )
        )
    return lines


def _entry_line(e: Mapping[str, Any]) -> str:
    parts = [str(e["at"])[:16].replace("T", " ")]
    if not is_missing(e["stage"]):
        parts.append(f"stage {e['stage']}")
    if not is_missing(e["check"]):
        parts.append(f"{e['check']}: {text_of(e['result'], 'no result')}")
    if isinstance(e["measured"], Mapping):
        parts.append(", ".join(f"{k} {v}" for k, v in e["measured"].items()))
    parts += [str(e[k]) for k in ("mason", "reason", "note") if not is_missing(e[k])]
    if not is_missing(e["corrects"]):
        parts.append(f"corrects {e['corrects']}")
    return "   ".join(parts)


def _section(
    page: Page, title: str, lines: Sequence[str], left: float, right: float, y: float, *, most: int
) -> float:
    if y < MARGIN + 14:
        return y
    page.text(left, y - 3.5, title, size_pt=9.5, weight="bold")
    page.line(left, y - 5, right, y - 5, width_mm=0.4)
    y -= 9
    shown = lines[:most]
    for line in shown:
        if y < MARGIN + 4:
            break
        page.text(left, y, line, size_pt=8.5, within_mm=right - left)
        y -= 4.2
    if len(lines) > most:
        page.text(
            left, y, f"and {len(lines) - most} more in the project", size_pt=8, weight="italic"
        )
        y -= 4.2
    return y - 1.5


def _photos(
    page: Page, record: RepairRecord, photo: Photo | None, left: float, right: float, y: float
) -> None:
    names = [str(c["photo"]) for c in record.conditions if not is_missing(c["photo"])] + [
        str(e["photo"]) for e in record.entries if not is_missing(e["photo"])
    ]
    room = y - MARGIN - 6
    if not names or photo is None or room < 20:
        return
    page.text(left, y - 3.5, "Photos", size_pt=9.5, weight="bold")
    tall = min(48.0, room - 8)
    x = left
    for name in dict.fromkeys(names):
        found = photo(name)
        if found is None:
            continue
        jpeg, w, h = found
        wide = tall * w / h
        if x + wide > right:
            break
        page.picture(jpeg, x, y - 6 - tall, wide, tall)
        page.text(x, y - 9.5 - tall, name, size_pt=7, within_mm=wide)
        x += wide + 3
