"""Planning a few changed conditions again gives the same plan as planning everything again."""

from __future__ import annotations

import itertools

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from facademap.io.rule_files import load_profile, load_rules
from facademap.repair.planning import plan_repairs
from facademap.repair.replanning import replan
from facademap.repair.stonework import Stonework
from facademap.tables import CONDITIONS, OPENINGS, WALL_STONES

S, RULES = load_profile("metric"), load_rules()
ROWS = [
    {
        "id": f"S-{r}-{c}",
        "surface": "A",
        "depth_m": 0.25,
        "geometry": box(
            c * 0.505 + 0.2 * (r % 2), r * 0.305, c * 0.505 + 0.2 * (r % 2) + 0.5, r * 0.305 + 0.3
        ),
    }
    for r in range(4)
    for c in range(6)
]
WALL = WALL_STONES.check(gpd.GeoDataFrame(ROWS, geometry="geometry"))
WORK = Stonework.from_frames(WALL, OPENINGS.empty())


def conditions(rng, n):
    terms = ["alveolization", "soiling", "crack", "coving", "lichen"]
    rows = []
    for k in range(n):
        u, v, w, h = (
            rng.uniform(0, 2.9),
            rng.uniform(0, 1.1),
            rng.uniform(0.03, 0.3),
            rng.uniform(0.03, 0.2),
        )
        rows.append(
            {
                "id": f"C-{k}",
                "surface": "A",
                "term": terms[int(rng.integers(0, 5))],
                "depth_m": float(rng.choice([0.01, 0.03, 0.05])),
                "cc": 2,
                "cause_settled": True,
                "geometry": box(u, v, u + w, v + h),
            }
        )
    return rows


def frame(rows):
    return CONDITIONS.check(gpd.GeoDataFrame(rows, geometry="geometry"))


def essence(repairs):
    return sorted(
        (
            r.treatment,
            str(r.wall_stone) if r.treatment in ("inset", "whole stone") else "",
            tuple(sorted(r.conditions)),
            shapely.to_wkb(shapely.set_precision(shapely.normalize(r.geometry), 1e-7), hex=True),
        )
        for r in repairs.itertuples()
    )


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 100_000), st.sampled_from(["moved", "deleted", "added", "deeper"]))
def test_replanning_some_is_planning_all(seed, how):
    rng = np.random.default_rng(seed)
    rows = conditions(rng, int(rng.integers(2, 14)))
    before = plan_repairs(
        frame(rows), WALL, OPENINGS.empty(), rules=RULES, settings=S, stonework=WORK
    )
    k = int(rng.integers(0, len(rows)))
    changed = rows[k]["id"]
    after = [dict(r) for r in rows]
    if how == "deleted":
        after.pop(k)
    elif how == "added":
        after.append({**conditions(rng, 1)[0], "id": "C-new"})
        changed = "C-new"
    elif how == "moved":
        after[k]["geometry"] = shapely.transform(
            after[k]["geometry"], lambda x: x + np.array([0.17, 0.05])
        )
    else:
        after[k]["depth_m"] = 0.2
    now = frame(after)
    numbers = itertools.count(500)
    delta = replan(
        [changed],
        now,
        WALL,
        before.repairs,
        stonework=WORK,
        rules=RULES,
        settings=S,
        new_id=lambda: f"R-{next(numbers)}",
    )
    replaced = set(delta.dropped) | set(delta.repairs["id"])
    merged = pd.concat([before.repairs[~before.repairs["id"].isin(replaced)], delta.repairs])
    everything = plan_repairs(now, WALL, OPENINGS.empty(), rules=RULES, settings=S, stonework=WORK)
    assert essence(merged) == essence(everything.repairs)
    assert merged["id"].is_unique
    kept_pieces = before.pieces[~before.pieces["repair"].isin(replaced)]
    assert len(kept_pieces) + len(delta.pieces) == len(everything.pieces)
