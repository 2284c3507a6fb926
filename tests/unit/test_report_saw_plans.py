"""Saw plans as a yard foreman reads them: zero, every cut, weights, what is left, what is not to be sawn."""

from __future__ import annotations

import io
import json
import math

import pandas as pd
import pytest
import shapely
from pypdf import PdfReader

from facademap.match import Params, remainders_of, sawing_of
from facademap.repair.block_weights import how_to_lift, weights_of_block
from facademap.report import saw_cards
from facademap.report.page import Page
from facademap.report.saw_plans import write_saw_plans
from facademap.report.saw_steps import write_saw_steps
from facademap.report.saw_zero import zero_of

OUTLINE = [[0.01, 0.0], [0.6, 0.02], [0.6, 0.3], [0.0, 0.3]]


def _frames(**piece: object) -> dict[str, pd.DataFrame]:
    """One block of 255 mm sawn into two slabs: a piece of 54 mm from the first, one of 100 mm from the second."""
    block = {
        "id": "B-1", "stone_type": "Buff sandstone", "kind": "sedimentary", "location": "row 2", "length_m": 0.62,
        "height_m": 0.32, "depth_m": 0.28, "weight_kg": 125.0, "weight_status": "measured", "state": "available",
        "acceptance": "accepted", "parent": None, "after_repair": None,
    }  # fmt: skip
    face = {
        "id": "B-1.1", "block": "B-1", "outline": OUTLINE, "usable_depth_m": 0.255, "bed": "x", "weathered": False,
        "finish": "droved", "photo": "PH-1", "photo_matrix": None, "size_pm95_m": 0.0031,
        "flaws": [{"kind": "vein", "ring": [[0.5, 0.2], [0.55, 0.2], [0.55, 0.28]], "depth_m": 0.03, "from_m": 0.0}],
    }  # fmt: skip
    pieces, places = [], []
    for name, slab, depth, box in (
        ("P-1", 0, 0.054, (0.05, 0.05, 0.25, 0.2)),
        ("P-2", 1, 0.1, (0.05, 0.06, 0.35, 0.2)),
    ):
        ring = [[box[0], box[1]], [box[2], box[1]], [box[2], box[3]], [box[0], box[3]]]
        pieces.append(
            {
                "id": name,
                "repair": name.replace("P", "R"),
                "depth_m": depth,
                "weathered": False,
                "finish": None,
                "width_m": box[2] - box[0] - 0.006,
                "height_m": box[3] - box[1] - 0.006,
                "provisional": True,
                "geometry": shapely.box(0, 0, box[2] - box[0] - 0.006, box[3] - box[1] - 0.006),
                **piece,
            }
        )
        places.append(
            {
                "id": name,
                "repair": name.replace("P", "R"),
                "piece": name,
                "block": "B-1",
                "face": "B-1.1",
                "slab": slab,
                "slab_thicknesses": [0.059, 0.188],
                "x_m": box[0],
                "y_m": box[1],
                "rotation_deg": 0,
                "blank": ring,
                "state": "proposed",
            }
        )
    return {
        "blocks": pd.DataFrame([block]), "faces": pd.DataFrame([face]), "pieces": pd.DataFrame(pieces),
        "placements": pd.DataFrame(places), "repairs": pd.DataFrame({"id": ["R-1", "R-2"], "stage": ["proposed"] * 2}),
    }  # fmt: skip


def _text(pdf: bytes) -> list[str]:
    return [" ".join(p.extract_text().split()) for p in PdfReader(io.BytesIO(pdf)).pages]


def test_the_sheets_tell_zero_cuts_weights_and_what_is_left() -> None:
    frames = _frames()
    plans, refused = sawing_of(frames, Params())
    assert not refused
    pages = _text(
        write_saw_plans(plans, refused, frames, project="Quay", revision="edit 7, 2027-05-04")
    )
    first, slabs, cuts = pages[0], pages[1], " ".join(pages[2:])
    assert (
        "Level line: it touches corner B and passes 20.0 mm below C, 590.0 mm further to the right."
        in first
    )
    assert "More than 3 mm off (the face is known to ± 3.1 mm)" in first
    assert "125.0 kg (276 lb) (weighed)" in first
    assert "Natural bed along the level line" in first
    assert "Slab 2: 67.0 to 255.0 mm behind the old face" in slabs
    assert "its face lies inside the stone and has not been photographed" in slabs
    for left in remainders_of(plans[0]):
        assert left.id in first
        assert left.faces in first
    kinds = {
        "parallel": "block saw, kerf 8.0 mm",
        "upright": "bridge saw, kerf 5.0 mm",
        "level": "bridge saw, kerf 5.0 mm",
    }
    for step in plans[0].steps:
        assert kinds.get(step.kind, step.tool) in cuts
    assert all(
        f"sheet {n} of {len(pages)}" in p and "as of edit 7, 2027-05-04" in p
        for n, p in enumerate(pages, 1)
    )
    flaws = {r.id: len(r.flaws) for r in remainders_of(plans[0])}
    assert sum(flaws.values()) == 1  # the vein is 30 mm deep: it reaches a front remainder only
    assert first.count("flaw reaches it") == 1


def test_weights_of_the_parts_make_up_the_sound_stone() -> None:
    frames = _frames()
    (plan,), _ = sawing_of(frames, Params())
    weights = weights_of_block(frames["blocks"].iloc[0].to_dict())
    ends = [plan.solids[i].volume_mm3 for i in (*plan.pieces.values(), *plan.left)]
    parts = math.fsum(map(weights.kg, [*ends, *(s.kerf_mm3 for s in plan.steps)]))
    assert parts == pytest.approx(weights.kg(plan.block.volume_mm3), rel=1e-9)
    assert weights.likely_kg_per_m3 == pytest.approx(125.0 / (0.62 * 0.32 * 0.28))
    assert weights.lift_kg_per_m3 > weights.likely_kg_per_m3


def test_a_weight_that_no_stone_has_is_named_and_not_used() -> None:
    row = {**_frames()["blocks"].iloc[0].to_dict(), "weight_kg": 178.0}
    weights = weights_of_block(row)
    assert "178.0 kg in its size over all is 3.20 t/m3" in weights.warning
    assert weights.likely_kg_per_m3 < 2870
    assert (
        weights.lift_kg_per_m3 > 3200
    )  # it is lifted as heavy as it was weighed until it is weighed again
    assert not weights_of_block({**row, "weight_kg": 125.0}).warning


@pytest.mark.parametrize(
    ("kg", "said"),
    [(10.0, ""), (10.1, "two people"), (25.0, "two people"), (25.1, "gear, not by hand")],
)
def test_who_lifts_what_changes_at_its_limits(kg: float, said: str) -> None:
    assert how_to_lift(kg).startswith(said)
    assert bool(how_to_lift(kg)) == bool(said)


def test_a_block_that_cannot_be_sawn_says_so_and_leaves_the_step_file() -> None:
    frames = _frames()
    frames["pieces"].loc[1, "depth_m"] = 0.2
    plans, refused = sawing_of(frames, Params())
    assert plans == ()
    assert refused[0].pieces == ("P-1", "P-2")
    assert "piece P-2 needs 205.0 mm and its slab has 188.0 mm" in refused[0].problem
    pages = _text(write_saw_plans(plans, refused, frames))
    assert "DO NOT SAW THIS BLOCK AS PLANNED" in pages[0]
    assert "P-1, P-2" in pages[0]
    assert json.loads(write_saw_steps(plans)) == []


def test_a_piece_that_grew_beyond_its_blank_when_it_was_measured_is_named() -> None:
    frames = _frames(geometry=shapely.box(0, 0, 0.5, 0.1))
    _, refused = sawing_of(frames, Params())
    assert "P-1 as it is now does not lie in its blank" in refused[0].problem


def test_pieces_that_cannot_be_set_hold_up_the_saw() -> None:
    frames = _frames()
    plans, _ = sawing_of(frames, Params())
    pages = _text(write_saw_plans(plans, (), frames, held={"P-2"}))
    assert all("HOLD, no ticket: P-2 cannot be set as planned" in p for p in pages)


@pytest.mark.parametrize(
    ("outline", "zero"),
    [
        (((5.0, 7.0), (105.0, 7.0), (105.0, 90.0), (5.0, 90.0)), (5.0, 7.0)),
        (((0.0, 40.0), (60.0, 0.0), (120.0, 30.0), (60.0, 90.0)), (0.0, 0.0)),
    ],
)
def test_zero_is_left_of_and_below_all_sound_stone(outline, zero) -> None:  # type: ignore[no-untyped-def]
    found = zero_of(outline)
    assert (found.x_mm, found.y_mm) == zero
    assert found.level[1] == found.y_mm
    assert found.upright[0] == found.x_mm
    assert found.sight in outline
    assert found.sight[0] != found.level[0]


def test_words_of_a_sheet_have_one_size_and_none_leaves_its_card(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    full = saw_cards._Words(
        lines=[("Cut 1", True)] * 9, lifts=["Lift a: gear, not by hand, on edge."] * 4
    )
    short = saw_cards._Words(lines=[("Cut 2", True)], lifts=[])
    said = iter([full, short])
    monkeypatch.setattr(saw_cards, "_said", lambda block, step: next(said))
    monkeypatch.setattr(saw_cards, "_card", lambda *given: None)
    page = Page(width_mm=297, height_mm=210)
    zones = [(10.0, 20.0, 90.0, 86.0), (110.0, 20.0, 90.0, 86.0)]
    saw_cards.cards(page, None, [(None, zone) for zone in zones])  # type: ignore[list-item, arg-type]
    texts = [m for m in page.marks if type(m).__name__ == "Text"]
    assert len(texts) == 14
    assert len({t.size_pt for t in texts}) == 1
    assert texts[0].size_pt < 8.0  # the full card needs it smaller
    assert min(t.y_mm for t in texts) > 20.0
