"""An estate: every elevation counted, what to do first for the money, and the page of it with hostile names."""

from __future__ import annotations

import datetime as dt
import itertools
import json
import math
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pyproj
import pytest
import shapely
from click.testing import CliRunner

from facademap.cli.main import main
from facademap.errors import InputError
from facademap.report.estate_plan import estate_data
from facademap.store.project import Project
from facademap.tasks.project.estate import _on, figures_of_estate
from facademap.tasks.project.estate_page import make_estate

HOSTILE = "</script><img src=x onerror=alert(1)>\"'&塔"
RATES = 'currency = "EUR"\n[[rates]]\ntreatment = "inset"\nmeasure = "count"\nlow = 100\nlikely = 200\nhigh = 400\n'


def condition(n: int, surface: str, **more: Any) -> dict[str, Any]:
    return {
        "id": f"C-{n}",
        "surface": surface,
        "term": "scaling",
        "geometry": shapely.box(n, 0, n + 0.3, 0.2),
        "observed_on": "2020-01-01",
        **more,
    }


def repair(n: int, surface: str, **more: Any) -> dict[str, Any]:
    row = {
        "id": f"R-{n}",
        "surface": surface,
        "treatment": "inset",
        "conditions": [f"C-{n}"],
        "removed_volume_m3": 0.006,
        "geometry": shapely.box(n, 0, n + 0.3, 0.2),
    }
    return {**row, **more}


@pytest.fixture(scope="module")
def estate(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    base = tmp_path_factory.mktemp("estate")
    with Project.create(base / "mill", name="Mill") as mill, mill.edit(who="ann", what="draw") as e:
        e.insert("elevations", [{"id": "north", "name": "North", "building": "Quay mill"}, {"id": "south", "name": HOSTILE, "building": HOSTILE}])  # fmt: skip
        e.insert("surfaces", [{"id": "n", "elevation": "north", "name": "n"}, {"id": "s", "elevation": "south", "name": "s"}])  # fmt: skip
        e.insert(
            "conditions",
            [
                condition(1, "n", cc=3, uc=3), condition(2, "n", cc=1, uc=1), condition(3, "n"),
                condition(4, "s", cc=2, uc=2), condition(5, "s", cc=2, uc=3, note=HOSTILE), condition(6, "s", cc=0, uc=3),
            ],
        )  # fmt: skip
        e.insert(
            "repairs",
            [
                repair(1, "n"), repair(2, "n", removed_volume_m3=None), repair(4, "s"),
                repair(5, "s", stage="on hold"), repair(6, "s", stage="accepted"),
            ],
        )  # fmt: skip
    with Project.create(base / "kiln", name="Kiln") as kiln, kiln.edit(who="ann", what="draw") as e:
        e.insert("elevations", [{"id": "east", "name": "East"}])
        e.insert("surfaces", [{"id": "s", "elevation": "east", "name": "s"}])
        e.insert("conditions", [condition(7, "s", cc=3, uc=3), condition(8, "s", uc=3)])
        e.insert("repairs", [repair(7, "s"), repair(8, "s", treatment="clean", removed_volume_m3=None)])  # fmt: skip
    (base / "rates.toml").write_text(RATES)
    return {n: base / n for n in ("mill", "kiln", "rates.toml")}


def both(estate: dict[str, Path]) -> list[str]:
    return [str(estate["mill"]), str(estate["kiln"])]


def test_every_elevation_is_counted_and_the_sums_are_theirs(estate: dict[str, Path]) -> None:
    found = figures_of_estate(both(estate), today=dt.date(2026, 1, 1))
    walls = {(w["building"], w["elevation"]): w for w in found["elevations"]}
    assert set(walls) == {("Quay mill", "north"), (HOSTILE, "south"), ("Kiln", "east")}
    north, south = walls["Quay mill", "north"], walls[HOSTILE, "south"]
    assert north["classes"] == {"CC0": 0, "CC1": 1, "CC2": 0, "CC3": 1, "not classed": 1}
    assert (north["to_do"], north["done"], south["done"]) == (2, 0, 1)
    assert (north["stone_taken_m3"], north["stone_not_told"]) == (0.006, 1)
    assert north["due_now"] > 0, "nobody has looked for six years"
    assert found["total"]["conditions"] == 8
    assert found["total"]["due_now"] == sum(w["due_now"] for w in walls.values())
    assert "cost" not in found["total"], "nothing is said of costs without rates"
    only = figures_of_estate(both(estate), buildings=["Kiln"])
    assert (only["total"]["conditions"], only["total"]["projects"]) == (2, 1)
    with pytest.raises(InputError, match="no elevation that was read is of a building 'Keep'"):
        figures_of_estate(both(estate), buildings=["Keep"])


def test_the_money_goes_where_it_answers_most_and_the_others_are_told_why_not(
    estate: dict[str, Path],
) -> None:
    wanted: dict[str, Any] = {"rates": estate["rates.toml"], "scaffold": 150.0}
    found = make_estate(both(estate), budget=700, **wanted)
    first = found["first"]
    assert {c["condition"] for c in first["do"]} == {"C-1", "C-7"}
    assert (first["cost"], first["weight"], first["scaffolds"]) == (700, 18, 2)
    assert first["proved"]
    assert {w["condition"] for w in first["left"]} == {"C-2", "C-4"}
    assert {c["condition"]: c["why"] for c in first["cannot"]} == {
        "C-5": "repair R-5 is on hold",
        "C-8": "repair R-8 has no price: clean has no rate",
    }
    assert first["without_urgency"] == 1
    assert found["total"]["cost"] == [600, 1200, 2400], "six insets, done or not"
    assert found["total"]["without_price"] == 1
    less = make_estate(both(estate), budget=700, most_stone_m3=0.006, **wanted)["first"]
    assert len(less["do"]) == 1
    assert less["stone_m3"] == pytest.approx(0.006)
    assert "C-2" in {c["condition"] for c in less["cannot"] if "says nothing of the stone" in c["why"]}  # fmt: skip


class _Page(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.outside: list[str] = []
        self.cells: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.tags.append(tag)
        self.outside += [f"{n}={v}" for n, v in attrs if n in ("src", "href", "onerror")]

    def handle_data(self, data: str) -> None:
        self.cells.append(data)


def test_the_page_is_one_file_and_names_stay_text(estate: dict[str, Path], tmp_path: Path) -> None:
    out = tmp_path / "estate.html"
    make_estate(both(estate), rates=estate["rates.toml"], budget=700, out=out)
    text = out.read_text("utf-8")
    page = _Page(text)
    assert "img" not in page.tags
    assert page.tags.count("script") == 2, (
        "the figures, and the code that the page names by its hash"
    )
    assert "unsafe-inline" not in text[text.index("script-src") : text.index("script-src") + 80]
    assert page.outside == []
    assert not re.search(r"https?://", text)
    assert HOSTILE in page.cells
    assert str(estate["mill"]) not in text


def test_the_command_tells_and_refuses_in_lines(estate: dict[str, Path], tmp_path: Path) -> None:
    run = CliRunner()
    done = run.invoke(main, ["estate", *both(estate), "--rates", str(estate["rates.toml"]), "--budget", "700", "--json"])  # fmt: skip
    assert done.exit_code == 0
    assert json.loads(done.stdout)["first"]["proved"]
    for words, problem in (
        (["--budget", "5"], "--budget needs prices"),
        (["--budget", "-5", "--rates", str(estate["rates.toml"])], "budget: -5.0 is no amount"),
        (["--budget", "5", "--rates", str(estate["rates.toml"]), "--weights", "1,2"], "not four numbers"),
        (["--rates", str(tmp_path / "none.toml")], "none.toml"),
    ):  # fmt: skip
        said = run.invoke(main, ["estate", *both(estate), *words, "--quiet"])
        assert (said.exit_code, said.output.count("\n")) == (2, 1), said.output
        assert problem in said.output


def test_kept_figures_are_those_counted_anew_and_give_way_to_every_change(
    estate: dict[str, Path], tmp_path: Path
) -> None:
    with Project.create(tmp_path / "barn", name="Barn") as barn, barn.edit(who="ann", what="a") as e:  # fmt: skip
        e.insert("elevations", [{"id": "east", "name": "East"}])
        world = {"epsg": 25832, "matrix": [[0.0, 0.0, 1.0, 400_000.0], [1.0, 0.0, 0.0, 5_600_000.0], [0.0, 1.0, 0.0, 7.0]], "names": [],
                 "residual_m": [], "out_of_plane_m": [], "used": [], "rmse_m": 0.0, "flags": []}  # fmt: skip
        e.insert("surfaces", [{"id": "s", "elevation": "east", "name": "s", "world": world}])
        e.insert("conditions", [condition(1, "s", cc=1, uc=1), condition(2, "s", cc=3, observed_on="2024-05-05")])  # fmt: skip
        e.insert("repairs", [repair(1, "s", stage="accepted")])
        e.insert("work_log", [{"id": "W-1", "repair": "R-1", "at": "2025-07-01T10:00:00Z", "mason": "ann", "stage": "accepted"}])  # fmt: skip
    places, kept = [str(tmp_path / "barn")], tmp_path / "barn" / "cache" / "estate.json"
    day = dt.date(2026, 3, 1)

    def anew(on: dt.date) -> dict[str, Any]:
        kept.unlink(missing_ok=True)
        return figures_of_estate(places, today=on)

    first = anew(day)
    assert kept.is_file()
    for later in (day, dt.date(2026, 9, 1), dt.date(2030, 1, 1), dt.date(2026, 2, 1)):
        told = figures_of_estate(places, today=later)
        assert told == anew(later)
        figures_of_estate(places, today=day)
    wall = first["elevations"][0]
    assert wall["years"] == {
        "2020": {"observed": 1, "CC3": 0, "UC3": 0, "done": 0, "stone_m3": 0.0},
        "2024": {"observed": 1, "CC3": 1, "UC3": 0, "done": 0, "stone_m3": 0.0},
        "2025": {"observed": 0, "CC3": 0, "UC3": 0, "done": 1, "stone_m3": 0.006},
    }
    # the wall runs 1.3 m to the north; a degree of latitude is 111.2 km (WGS 84, at 50 degrees)
    (west, south), (east, north) = wall["ground"][0]
    assert abs(east - west) * 70_000 < 0.1
    assert 1.2 < (north - south) * 111_240 < 1.4
    with Project.open(tmp_path / "barn") as barn, barn.edit(who="ann", what="b") as e:
        e.update("conditions", "C-1", {"cc": 3})
    assert figures_of_estate(places, today=day)["total"]["classes"]["CC3"] == 2
    kept.write_text("{")
    assert figures_of_estate(places, today=day)["total"]["classes"]["CC3"] == 2


def test_the_plan_is_true_to_the_metre_and_maps_lie_beside_the_page(
    estate: dict[str, Path], tmp_path: Path
) -> None:
    """Distances on the plan against GeographicLib's along the ellipsoid (pyproj.Geod)."""
    ends = [[10.0, 50.0], [10.004, 50.003], [10.0005, 49.9999]]
    walls = [
        {"building": "b", "title": str(n), "project": "p", "elevation": str(n), "ground": [[a, b]], "years": {}}
        for n, (a, b) in enumerate(itertools.combinations(ends, 2))
    ]  # fmt: skip
    told = estate_data(walls, (), lambda wall: {}, {})["walls"]
    geod = pyproj.Geod(ellps="WGS84")
    for wall, drawn in zip(walls, told, strict=True):
        (a, b), (c, d) = wall["ground"][0], drawn["ground"][0]
        assert abs(math.dist(c, d) - geod.inv(*a, *b)[2]) < 0.02
    found = make_estate([str(estate["kiln"])], out=tmp_path / "e.html", with_maps=True)
    assert any("no rectified picture" in words for words in found["missing"])
    (map_,) = (tmp_path / "e-maps").glob("*.html")
    assert f'"map":"e-maps/{map_.name}#wall%3As"' in (tmp_path / "e.html").read_text("utf-8")
    with pytest.raises(InputError):
        make_estate([str(estate["kiln"])], with_maps=True)


def test_kept_looks_become_due_on_their_day_and_count_for_a_year_to_the_day() -> None:
    wall = {"due": {"": 1, "2027-05-04": 2, "2027-05-05": 4, "2028-05-04": 8, "2028-05-05": 16}}
    told = _on(dt.date(2027, 5, 4), wall)
    assert (told["due_now"], told["due_in_a_year"]) == (1 + 2, 4 + 8)
