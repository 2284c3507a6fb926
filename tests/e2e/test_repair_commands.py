"""The repair commands as a person calls them, on a small project."""

from __future__ import annotations

import datetime as dt
import json

import geopandas as gpd
import pytest
from shapely.geometry import box

from facademap.cli.main import main
from facademap.io.rule_files import profile_text, rules_text
from facademap.store.project import Project
from facademap.tables import CONDITIONS, WALL_STONES
from facademap.tasks.plan.plan import plan_project, replan_project
from facademap.tasks.record.work import move_on


@pytest.fixture
def project(tmp_path):
    stones = WALL_STONES.check(
        gpd.GeoDataFrame(
            [
                {
                    "id": f"S-{k}",
                    "surface": "A",
                    "depth_m": 0.2,
                    "stone_type": "Quay sandstone",
                    "kind": "sedimentary",
                    "bed": "horizontal",
                    "geometry": box(k * 0.606, 0, k * 0.606 + 0.6, 0.3),
                }
                for k in range(4)
            ],
            geometry="geometry",
        )
    )
    rows = [
        {
            "term": "alveolization",
            "depth_m": 0.03,
            "cause_settled": True,
            "geometry": box(0.2, 0.1, 0.3, 0.2),
        },
        {
            "term": "alveolization",
            "depth_m": 0.03,
            "cause_settled": False,
            "geometry": box(0.8, 0.1, 0.9, 0.2),
        },
        {
            "term": "loose stone",
            "layer": "structural",
            "uc": 3,
            "geometry": box(1.3, 0.1, 1.4, 0.2),
        },
        {"term": "soiling", "cc": 3, "geometry": box(1.9, 0.1, 2.1, 0.2)},
    ]
    conditions = CONDITIONS.check(
        gpd.GeoDataFrame(
            [{"id": f"C-{k}", "surface": "A", **r} for k, r in enumerate(rows, start=1)],
            geometry="geometry",
        )
    )
    folder = tmp_path / "loft"
    with Project.create(folder, name="Sail loft") as p, p.edit(who="t", what="survey") as edit:
        edit.put("elevations", [{"id": "E", "name": "East"}])
        edit.put("surfaces", [{"id": "A", "elevation": "E", "name": "East wall"}])
        edit.put("wall_stones", stones)
        edit.put("conditions", conditions)
    return folder


def call(capsys, *args, code=0):
    with pytest.raises(SystemExit) as ended:
        main([str(a) for a in args])
    out = capsys.readouterr()
    assert ended.value.code == code, out.err
    return out


def asked(capsys, *args):
    return json.loads(call(capsys, *args, "--json", "--quiet").out)


def test_plan_says_what_it_does_and_does_it_once(project, capsys):
    summary = asked(capsys, "plan", project)
    assert summary["treatments"] == {"inset": 2, "make safe": 1, "clean": 1}
    assert summary["pieces"] == 2
    assert summary["held_back"] == 1
    assert 0 < summary["removed_share"] < 0.2
    with Project.open(project) as p:
        before, entries = list(p.read("repairs")["id"]), len(p.history())
    assert asked(capsys, "plan", project)["new"] == 0
    with Project.open(project) as p:
        assert list(p.read("repairs")["id"]) == before
        assert len(p.history()) == entries  # nothing changed, so nothing was written
    assert "4 conditions" in call(capsys, "plan", project, "--quiet").out


def test_profiles_give_consistent_plans_of_their_own(project, capsys):
    asked(capsys, "plan", project, "--profile", "inch")
    with Project.open(project) as p:
        depths = set(p.read("repairs")["depth_m"].dropna().round(6))
        assert p.setting("profile") == "inch"
    assert depths == {0.0508}  # 30 mm and 3/8 in are less than the least depth of 2 in


def test_approved_repairs_and_decisions_of_persons_stand(project, capsys):
    from facademap.tasks.plan.plan import overrule_condition

    asked(capsys, "plan", project)
    with Project.open(project) as p:
        inset = next(
            r["id"] for r in p.read("repairs").to_dict("records") if r["conditions"] == ["C-1"]
        )
    move_on(project, inset, "approved")
    overrule_condition(
        project, "C-4", treatment="leave", by="J. Roe", reason="The tide will wash it."
    )
    with Project.open(project) as p, p.edit(who="t", what="deeper") as edit:
        edit.update("conditions", "C-1", {"depth_m": 0.09})
    summary = asked(capsys, "plan", project)
    assert summary["untouched"] == 1
    with Project.open(project) as p:
        repairs = p.read("repairs").set_index("id")
    assert repairs.loc[inset, "stage"] == "approved"
    assert repairs.loc[inset, "depth_m"] == 0.05
    left = repairs[repairs["conditions"].map(lambda c: c == ["C-4"])].iloc[0]
    assert (left["treatment"], left["overruled_by"], left["reason"]) == (
        "leave",
        "J. Roe",
        "The tide will wash it.",
    )
    overrule_condition(project, "C-4", treatment=None, by="J. Roe", reason="It did not.")
    assert asked(capsys, "plan", project)["treatments"]["clean"] == 1


def test_a_changed_condition_is_planned_again_alone(project):
    plan_project(project)
    with Project.open(project) as p, p.edit(who="t", what="move") as edit:
        edit.update("conditions", "C-1", {"geometry": box(0.25, 0.1, 0.35, 0.2)})
    result = replan_project(project, ["C-1"])
    assert len(result["repairs"]) == 1
    assert result["dropped"] == []
    with Project.open(project) as p, p.edit(who="t", what="drop") as edit:
        edit.delete("conditions", "C-1")
    gone = replan_project(project, ["C-1"])
    assert gone["dropped"] == result["repairs"]
    with Project.open(project) as p:
        assert result["repairs"][0] not in set(p.read("pieces")["repair"])


def test_what_the_machine_proposed_waits_for_a_person(project, capsys):
    with Project.open(project) as p, p.edit(who="t", what="proposed") as edit:
        edit.update("conditions", "C-1", {"origin": "assisted", "confirmed_by": None})
    assert asked(capsys, "plan", project)["unconfirmed"] == 1
    assert replan_project(project, ["C-1"])["repairs"] == []
    with Project.open(project) as p:
        assert not any("C-1" in answered for answered in p.read("repairs")["conditions"])
        with p.edit(who="t", what="confirm") as edit:
            edit.update("conditions", "C-1", {"confirmed_by": "J. Roe"})
    assert len(replan_project(project, ["C-1"])["repairs"]) == 1
    assert asked(capsys, "plan", project)["unconfirmed"] == 0


def test_the_whole_record_of_one_inset(project, capsys):
    asked(capsys, "plan", project)
    with Project.open(project) as p:
        repair = next(
            r["id"] for r in p.read("repairs").to_dict("records") if r["conditions"] == ["C-1"]
        )
        held = next(
            r["id"] for r in p.read("repairs").to_dict("records") if r["conditions"] == ["C-2"]
        )
        piece = p.row("pieces", f"P-{repair[2:]}")
    day = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)

    def record(*args, code=0, hours=1.0):
        nonlocal day
        day += dt.timedelta(hours=hours)
        return call(
            capsys, "record", project, repair, *args, "--at", day.isoformat(), "--quiet", code=code
        )

    assert "held back" in call(capsys, "record", project, held, "--stage", "approved", code=2).err
    assert "cannot follow" in record("--stage", "cut out", code=2).err
    record("--stage", "approved")
    record("--stage", "cut out", "--mason", "A. Roe")
    assert "not written down" in record("--stage", "cut-out measured", code=2).err
    out = call(
        capsys,
        "record",
        project,
        repair,
        "--cut-out",
        "--value",
        "widths_mm=141,142",
        "--value",
        "heights_mm=140,140",
        "--value",
        "diagonals_mm=198.5,199",
        "--value",
        "depths_mm=50,51,50,50",
    ).out
    assert "measured" in out
    with Project.open(project) as p:
        now = p.row("pieces", piece["id"])
        assert not now["provisional"]
        assert now["width_m"] == pytest.approx(piece["width_m"] + 0.001)
    record("--stage", "cut-out measured")
    record("--check", "cut-out square", "--value", "diagonals_mm=198.5,199")
    assert "redo" in record("--check", "even depth", "--value", "depths_mm=50,58").out
    record("--check", "sound stone all round", "--result", "pass")
    assert "did not pass" in record("--stage", "piece sawn", code=2).err
    with Project.open(project) as p:
        wrong = next(
            e["id"] for e in p.read("work_log").to_dict("records") if e["result"] == "redo"
        )
    record(
        "--correct",
        wrong,
        "--check",
        "even depth",
        "--result",
        "pass",
        "--value",
        "depths_mm=50,51",
        "--reason",
        "misread",
    )
    assert "no place on a block" in record("--stage", "piece sawn", code=2).err
    state = asked(capsys, "record", project, repair)
    assert state["stage"] == "cut-out measured"
    assert {c["criterion"]: c["result"] for c in state["checks"]}["even depth"] == "pass"
    assert len(state["entries"]) == 7
    assert (
        "future"
        in call(
            capsys,
            "record",
            project,
            repair,
            "--check",
            "wetted",
            "--result",
            "pass",
            "--at",
            "2999-01-01T00:00:00+00:00",
            code=2,
        ).err
    )
    record("--deeper", "85mm", "--reason", "soft behind")
    with Project.open(project) as p:
        assert p.row("repairs", repair)["stage"] == "proposed"
        assert p.row("conditions", "C-1")["depth_m"] == pytest.approx(0.085)
    asked(capsys, "plan", project)
    with Project.open(project) as p:
        assert p.row("repairs", repair)["depth_m"] > 0.09


def test_sequence_make_safe_rules_and_workmanship(project, capsys, tmp_path):
    asked(capsys, "plan", project)
    listed = asked(capsys, "make-safe", project)
    assert [i["condition"] for i in listed["items"]] == ["C-3"]
    result = asked(capsys, "schedule", project, "--start", "2027-04-05", "--out", tmp_path / "out")
    assert result["faults"] == []
    # what is held back waits, by its cause or for its trial as its job sheet says, and the inset gets no date before stone is found
    assert result["repairs"] == 1
    assert any("held back: No cleaning panel" in x["why"] for x in result["left_out"])
    assert "no stone is found for it yet" in {x["why"] for x in result["left_out"]}
    assert result["hours"]["low"] < result["hours"]["likely"] < result["hours"]["high"]
    assert (tmp_path / "out" / "day-list.csv").read_text().startswith("day,crew")
    page = (tmp_path / "out" / "programme.html").read_text()
    assert "<script" not in page
    assert "Defer to local codes" in page
    assert all(f">{b['repair']}" in page for b in result["bars"])
    assert "no date" in call(capsys, "schedule", project, "--start", "tomorrow", code=2).err
    rules = asked(capsys, "rules", "--profile", "inch", "--copy-to", tmp_path / "office")
    assert all(r["source"] and r["status"] for r in rules["rules"])
    # the blade does not reach the least depth, which the checks say: the rest is drilled and chiselled
    assert [c["name"] for c in rules["checks"] if not c["passed"]] == ["blade"]
    assert (tmp_path / "office" / "rules.toml").read_text() == rules_text()
    assert (tmp_path / "office" / "inch.toml").read_text() == profile_text("inch")
    assert "exists already" in call(capsys, "rules", "--copy-to", tmp_path / "office", code=2).err
    fixed = asked(capsys, "workmanship", project, "--fix", "default")
    assert len(fixed["seal"]) == 12
    assert "was fixed on" in call(capsys, "workmanship", project, "--fix", "default", code=2).err
    assert (
        "chosen"
        in call(capsys, "workmanship", project, "R-001", "--standard", fixed["name"], code=2).err
    )


def test_bad_files_are_one_clear_line_and_nothing_is_written(project, capsys, tmp_path):
    with Project.open(project) as p:
        entries = len(p.history())
    bad = tmp_path / "bad.toml"
    for content, word in (
        (b"[[rule]]\nname = 'x'\n", "missing"),
        (b"\xff\xfe\x00rules", "UTF-8"),
        (b"", "no rule"),
        (b"= =", "TOML"),
    ):
        bad.write_bytes(content)
        err = call(capsys, "plan", project, "--rules", bad, "--quiet", code=2).err
        assert word in err
        assert err.startswith("error:")
        assert err.count("\n") == 1
    assert (
        "no such"
        in call(capsys, "plan", project, "--rules", tmp_path / "none.toml", "--quiet", code=2).err
    )
    assert (
        "unknown" in call(capsys, "plan", project, "--profile", "imperial", "--quiet", code=2).err
    )
    with Project.open(project) as p:
        assert len(p.history()) == entries


def test_dust_controls_of_the_tasks_chosen_go_to_site(project, capsys):
    """29 CFR 1926.1153 Table 1, row ii (read): hand-held saw, outdoors, over four hours: protection factor 10."""
    asked(
        capsys,
        "plan",
        project,
        "--dust",
        "handheld power saw,5,outdoors",
        "--dust",
        "hand chisel,2",
        "--dust",
        "handheld grinder, other,5,enclosed",
    )
    with Project.open(project) as p:
        cautions = next(
            r["cautions"] for r in p.read("repairs").to_dict("records") if r["treatment"] == "inset"
        )
    said = " ".join(cautions)
    assert "row (ii)" in said
    assert "row (xii)" in said
    assert "factor 10" in said
    assert "hand chisel: stands in no row" in said
    assert "Defer to local codes" in said
    assert "hours" in call(capsys, "plan", project, "--dust", "handheld power saw", code=2).err


def test_a_decision_marked_on_a_repair_is_kept_and_can_be_taken_off_again(project, capsys):
    asked(capsys, "plan", project)
    with Project.open(project) as p:
        inset = next(
            r["id"] for r in p.read("repairs").to_dict("records") if r["conditions"] == ["C-1"]
        )
        with p.edit(who="planner", what="leave it") as edit:
            edit.update(
                "repairs",
                inset,
                {
                    "treatment": "leave",
                    "overruled_by": "Planner",
                    "reason": "Mason's mark beside it.",
                },
            )
    for _ in range(2):
        assert asked(capsys, "plan", project)["treatments"]["inset"] == 1
    with Project.open(project) as p:
        row = next(r for r in p.read("repairs").to_dict("records") if r["conditions"] == ["C-1"])
        assert (row["treatment"], row["reason"]) == ("leave", "Mason's mark beside it.")
        with p.edit(who="planner", what="on second thoughts") as edit:
            edit.update("repairs", row["id"], {"overruled_by": None})
    assert asked(capsys, "plan", project)["treatments"]["inset"] == 2


def test_damage_that_lies_partly_on_no_stone_is_named(project, capsys):
    with Project.open(project) as p, p.edit(who="t", what="too wide") as edit:
        edit.update("conditions", "C-1", {"geometry": box(0.1, 0.1, 0.4, 0.9)})
    gaps = asked(capsys, "plan", project)["gaps"]
    assert any(
        g["about"] == "C-1" and "no wall stone" in g["problem"] and g["remedy"] for g in gaps
    )


@pytest.mark.parametrize(
    ("rotation", "blank", "fits"),
    [
        (0, (0.15, 0.15), True),
        (0, (0.15, 0.13), False),
        (90, (0.13, 0.15), False),
        (90, (0.15, 0.15), True),
    ],
)
def test_nothing_is_sawn_when_the_reserved_place_no_longer_fits(
    project, capsys, rotation, blank, fits
):
    asked(capsys, "plan", project)
    with Project.open(project) as p:
        repair = next(
            r["id"] for r in p.read("repairs").to_dict("records") if r["conditions"] == ["C-1"]
        )
        with p.edit(who="yard", what="reserve") as edit:
            edit.put("blocks", [{"id": "B-1", "stone_type": "Quay sandstone"}])
            edit.put(
                "faces",
                [
                    {
                        "id": "F-1",
                        "block": "B-1",
                        "outline": [[0, 0], [0.5, 0], [0.5, 0.5], [0, 0.5]],
                        "usable_depth_m": 0.1,
                        "bed": "x",
                    }
                ],
            )
            edit.put(
                "placements",
                [
                    {
                        "id": "L-1",
                        "repair": repair,
                        "piece": f"P-{repair[2:]}",
                        "block": "B-1",
                        "face": "F-1",
                        "x_m": 0,
                        "y_m": 0,
                        "rotation_deg": rotation,
                        "state": "approved",
                        "blank": [[0, 0], [blank[0], 0], [blank[0], blank[1]], [0, blank[1]]],
                    }
                ],
            )
    day = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC)

    def record(*args, code=0):
        nonlocal day
        day += dt.timedelta(hours=1)
        return call(
            capsys, "record", project, repair, *args, "--at", day.isoformat(), "--quiet", code=code
        )

    record("--stage", "approved")
    record("--stage", "cut out")
    out = call(
        capsys,
        "record",
        project,
        repair,
        "--cut-out",
        "--value",
        "widths_mm=141,142",
        "--value",
        "heights_mm=141,140",
        "--value",
        "depths_mm=50,50,50,50",
    ).out
    assert ("no longer fits" in out) is not fits
    record("--stage", "cut-out measured")
    record("--check", "cut-out square", "--value", "diagonals_mm=198.5,199")
    record("--check", "even depth", "--value", "depths_mm=50,50,50,50")
    record("--check", "sound stone all round", "--result", "pass")
    said = record("--stage", "piece sawn", code=0 if fits else 2)
    assert fits or "too large" in said.err


def test_lime_weather_asks_the_binder_of_the_mix(project, capsys):
    asked(capsys, "plan", project)
    mild = ("--air", "12", "--low", "4", "--wind", "2")
    strong = asked(capsys, "weather", project, *mild, "--days", "12")
    assert not strong["serves"]
    assert any("days: keep frost protection" in f for f in strong["faults"])
    asked(capsys, "plan", project, "--mix", "NHL 2 1:3")
    with Project.open(project) as p:
        batch = p.read("repairs").set_index("id")["materials"].dropna().iloc[0]["batch"]
    assert batch["mix"] == "NHL 2 1:3"
    light = asked(capsys, "weather", project, *mild, "--days", "50")
    assert light["serves"]
    assert light["mix"] == "NHL 2 1:3"
    assert "is unknown" in call(capsys, "plan", project, "--mix", "NHL 9", code=2).err


def test_one_repair_may_have_its_own_mix(project, capsys):
    asked(capsys, "plan", project)
    with Project.open(project) as p:
        pieced = p.read("repairs").query("treatment == 'inset'")["id"].iloc[0]
    asked(capsys, "plan", project, "--mix-for", f"{pieced}=NHL 2 1:2.5")
    with Project.open(project) as p:
        own = p.row("repairs", pieced)["materials"]
    assert own["batch"]["mix"] == "NHL 2 1:2.5"
    assert own["times"]["frost_free_h"] == 240
    # planning again keeps the choice
    asked(capsys, "plan", project)
    with Project.open(project) as p:
        assert p.row("repairs", pieced)["materials"]["batch"]["mix"] == "NHL 2 1:2.5"
    assert "names no mix" in call(capsys, "plan", project, "--mix-for", pieced, code=2).err
