"""What is called confirmed: each with what was read in the source, and nothing else.

"confirmed" is kept for a value (or a rule) that the source named states for this very case. A principle read somewhere whose limit or
scope is ours is common practice and says so.
"""

from __future__ import annotations

import tomllib
from importlib.resources import files

import pytest

from facademap.repair.cautions import CAUTIONS, DEFER, cautions_for, sources_line
from facademap.repair.dust import DUST_TASKS, dust_controls

ROOM = files("facademap.repair")

#: Key: what was read.
CONFIRMED = {
    "metric": {
        "depth_minimum": "Scott Monument study: part indents on bed at least 37 to 50 mm",
        "joint": "Scott Monument study: joint round a part indent about 2 mm",
        "scaffold_load": "EN 12811-1: class 4 carries 3.0 kN/m2",
        "temperature_minimum": "producer sheets NHL 2 and NHL 3.5: 8 to 30 degC",
        "temperature_maximum": "limeworks.us: 80 F (27 degC)",
        "frost_free": "producer sheet NHL 2: protect at least 10 days",
        "protect": "limeworks.us, cornishlime.co.uk: at least 72 h",
    },
    "inch": {
        "depth_minimum": "Scott Monument study: part indents on bed at least 37 to 50 mm",
        "joint": "Scott Monument study: joint round a part indent about 2 mm",
        "scaffold_load": "29 CFR 1926 subpart L: medium duty 50 psf",
        "temperature_minimum": "producer sheets: 8 degC",
        "temperature_maximum": "limeworks.us: 80 F",
        "frost_free": "producer sheet NHL 2: 10 days",
        "protect": "at least 72 h",
    },
    "rules": {"open-joint": "NPS Preservation Brief 2: spot repointing where mortar is lost"},
    "criteria": {
        "air temperature": "its limit is the profile's, with its own source",
        "not too hot": "its limit is the profile's, with its own source",
        "protection": "at least 72 h",
    },
}


def stated(name: str) -> dict[str, dict[str, object]]:
    content = tomllib.loads((ROOM / f"{name}.toml").read_text(encoding="utf-8"))
    if "values" in content:
        return dict(content["values"])
    (rows,) = (v for v in content.values() if isinstance(v, list))
    return {r["name"]: r for r in rows}


@pytest.mark.parametrize("name", sorted(CONFIRMED))
def test_only_what_a_source_states_for_this_case_is_called_confirmed(name: str) -> None:
    rows = stated(name)
    assert {k for k, v in rows.items() if v["status"] == "confirmed"} == set(CONFIRMED[name])


@pytest.mark.parametrize("name", sorted(CONFIRMED))
def test_everything_has_a_source_and_a_status(name: str) -> None:
    for key, row in stated(name).items():
        assert row["source"], key
        assert row["status"] in ("confirmed", "derived", "memory", "practice", "project"), key


def everything_said() -> list[str]:
    said = cautions_for(treatment="make safe", part="walling")
    said += cautions_for(treatment="clean", part="walling")
    return said + cautions_for(
        treatment="whole stone",
        part="sill",
        overhead=True,
        weight_kg=40.0,
        lifting_index=2.0,
        depth_share=0.7,
        faults=("too thin",),
    )


def test_every_caution_has_a_source_and_a_status_and_none_is_said_besides() -> None:
    said = [c for c in everything_said() if c != DEFER]
    by_caution = {about: [s for s in said if c.says(s)] for about, c in CAUTIONS.items()}
    assert all(by_caution.values()), by_caution
    assert sorted(set(said)) == sorted({s for found in by_caution.values() for s in found})
    for about, caution in CAUTIONS.items():
        assert caution.source, about
        assert caution.status in ("derived", "memory", "practice"), about
    # nothing of them is stated by a source for this very case, so none is called confirmed
    assert {a for a, c in CAUTIONS.items() if c.status != "practice"} == {"dust", "lifting", "lime"}


def test_paper_says_where_cautions_come_from_and_what_rests_on_memory() -> None:
    line = sources_line(everything_said())
    assert "29 CFR 1926.1153" in line
    assert "lime: safety sheets of lime, from memory" in line
    assert line.endswith("the others: common practice.")
    assert sources_line([DEFER]) == ""
    assert sources_line(cautions_for(treatment="clean", part="walling")) == (
        "Sources: common practice."
    )


def test_a_figure_from_memory_says_so_on_paper() -> None:
    for task, row in DUST_TASKS.items():
        said = "from memory" in dust_controls(task, hours=5).sentence
        assert said is (row.status == "memory"), task
