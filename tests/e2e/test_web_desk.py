"""Stories of the survey desk in a real browser on a real server."""

from __future__ import annotations

import http.client
import itertools
import json
import shutil
import sqlite3
import time
import urllib.request
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import desk_sample
import numpy as np
import pytest
from axe import axe_script
from desk_browser import Server, open_desk, ready, saved, until
from desk_sample import rows

from facademap.store.project import Project


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from facademap.tasks.plan.plan import plan_project

    made = desk_sample.make_project(
        tmp_path_factory.mktemp("stories") / "sample", many=24, blocks=4
    )
    plan_project(made)
    return made


def click_wall(page: Any, *places: tuple[float, float]) -> None:
    box = page.locator(".wall .map").first.bounding_box()
    for x, y in places:
        page.mouse.click(box["x"] + box["width"] * x, box["y"] + box["height"] * y)
        page.wait_for_timeout(60)


def draw_outline(page: Any, x: float = 0.6, y: float = 0.5, size: float = 0.06) -> None:
    page.keyboard.press("p")
    click_wall(page, (x, y), (x + size, y), (x + size, y + size), (x, y + size))
    page.keyboard.press("Enter")
    # a person says what it is: here the term that is offered
    page.keyboard.press("Enter")


def field(page: Any, name: str) -> Any:
    return page.locator(f"#field-conditions-{name}")


def test_a_surveyor_draws_classes_takes_back_and_does_again(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server)
    before = set(rows(folder)["id"])
    draw_outline(page)
    page.get_by_role("button", name="C", exact=True).first.click()
    page.get_by_label("Find a term").fill("honeycomb")
    page.get_by_label("Find a term").press("Enter")
    page.get_by_role("button", name="Condition class 2").click()
    page.get_by_role("button", name="Urgency class 1").click()
    field(page, "depth_m").fill("25")
    field(page, "depth_m").press("Enter")
    field(page, "note").fill("<b>not bold</b>")
    field(page, "note").press("Tab")
    saved(page)
    table = rows(folder)
    new = table[~table["id"].isin(before)]
    assert len(new) == 1
    row = new.iloc[0]
    assert (row["term"], row["family"], row["cc"], row["uc"], row["note"]) == (
        "alveolization",
        "C",
        2,
        1,
        "<b>not bold</b>",
    )
    assert row["depth_m"] == pytest.approx(0.025)
    assert row["wall_stone"]
    assert row["area_m2"] > 0
    assert row["surveyor"] == "M. Reed"
    for _ in range(6):
        page.keyboard.press("Control+z")
    saved(page)
    assert row["id"] not in set(rows(folder)["id"])
    for _ in range(6):
        page.keyboard.press("Control+y")
    saved(page)
    table = rows(folder)
    again = table[table["id"] == row["id"]].iloc[0]
    assert (again["term"], again["cc"], again["note"]) == ("alveolization", 2, "<b>not bold</b>")
    assert page.locator(".sheet b").count() == 0
    assert not watch.faults
    page.context.close()


def test_a_rectangle_drawn_by_keyboard_alone(chromium: Any, server: Server, folder: Path) -> None:
    page, watch = open_desk(chromium, server)
    before = len(rows(folder))
    page.locator(".wall .map").focus()
    page.keyboard.press("p")
    for keys in (["Shift+ArrowRight", " "], ["Shift+ArrowUp", " "], ["Shift+ArrowLeft", " "]):
        for key in keys:
            page.keyboard.press(key)
    page.keyboard.press("Enter")
    # a person says what it is: here the term that is offered
    page.keyboard.press("Enter")
    saved(page)
    assert len(rows(folder)) == before + 1
    assert not watch.faults
    page.context.close()


def test_split_and_join_keep_the_area(chromium: Any, server: Server, folder: Path) -> None:
    page, watch = open_desk(chromium, server)
    before = set(rows(folder)["id"])
    draw_outline(page, 0.55, 0.3, 0.08)
    saved(page)
    table = rows(folder)
    [first] = set(table["id"]) - before
    whole = float(table[table["id"] == first]["area_m2"].iloc[0])
    page.keyboard.press("x")
    click_wall(page, (0.53, 0.34), (0.66, 0.35))
    page.keyboard.press("Enter")
    saved(page)
    table = rows(folder)
    parts = table[~table["id"].isin(before)]
    assert len(parts) == 2
    assert parts["area_m2"].sum() == pytest.approx(whole, rel=1e-5)
    page.keyboard.press("v")
    page.keyboard.press("j")
    saved(page)
    table = rows(folder)
    joined = table[~table["id"].isin(before)]
    assert len(joined) == 1
    assert joined["area_m2"].iloc[0] == pytest.approx(whole, rel=1e-5)
    assert joined.geometry.iloc[0].geom_type == "Polygon"
    assert not watch.faults
    page.context.close()


def test_an_outline_that_crosses_itself_is_refused_in_words(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, _ = open_desk(chromium, server)
    before = len(rows(folder))
    page.keyboard.press("p")
    click_wall(page, (0.5, 0.5), (0.6, 0.6), (0.6, 0.5), (0.5, 0.6))
    page.keyboard.press("Enter")
    assert "crosses itself" in page.get_by_role("alert").inner_text()
    assert len(rows(folder)) == before
    page.context.close()


def test_two_surveyors_see_each_other_and_settle_a_conflict(
    chromium: Any, server: Server, folder: Path
) -> None:
    ada, _ = open_desk(chromium, server, who="Ada")
    ben, _ = open_desk(chromium, server, who="Ben", offline_is_fine=True)
    for page in (ada, ben):
        page.locator("#tab-list").click()
        page.locator(".list tbody button", has_text="C-002").click()
        page.locator("#tab-record").click()
    ben.context.set_offline(True)
    field(ben, "note").fill("seen by Ben")
    field(ben, "note").press("Tab")
    ben.get_by_role("button", name="Recommendation class 3").click()
    field(ada, "note").fill("seen by Ada")
    field(ada, "note").press("Tab")
    saved(ada)
    until(ben, "document.querySelector('.state').textContent.includes('No connection')")
    ben.context.set_offline(False)
    dialog = ben.get_by_role("dialog")
    dialog.wait_for(timeout=20_000)
    assert "seen by Ben" in dialog.inner_text()
    assert "seen by Ada" in dialog.inner_text()
    with Project.open(folder, read_only=True) as project:
        assert project.row("conditions", "C-002")["note"] == "seen by Ada"
    dialog.get_by_role("button", name="Take theirs").click()
    saved(ben)
    until(ben, "document.querySelector('#field-conditions-note').value === 'seen by Ada'")
    field(ada, "cause").fill("leaking gutter")
    field(ada, "cause").press("Tab")
    until(ben, "document.querySelector('#field-conditions-cause').value === 'leaking gutter'")
    ada.context.close()
    ben.context.close()


def test_work_without_a_connection_survives_a_closed_page_and_arrives_later(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, _ = open_desk(chromium, server, offline_is_fine=True)
    until(
        page,
        "navigator.serviceWorker.controller !== null || navigator.serviceWorker.ready.then(() => true)",
    )
    before = set(rows(folder)["id"])
    page.context.set_offline(True)
    draw_outline(page, 0.7, 0.3)
    draw_outline(page, 0.7, 0.6)
    page.get_by_role("button", name="Condition class 3").click()
    until(page, "document.querySelector('.state').textContent.includes('3 kept here')")
    assert set(rows(folder)["id"]) == before
    page.goto("about:blank")
    page.context.set_offline(False)
    page.goto(server.address)
    ready(page)
    saved(page)
    table = rows(folder)
    new = table[~table["id"].isin(before)]
    assert len(new) == 2
    assert sorted(v for v in new["cc"] if v == v and v is not None) == [3]
    page.context.close()


def test_the_server_killed_while_a_surveyor_works_loses_nothing(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, _ = open_desk(chromium, server, offline_is_fine=True)
    before = set(rows(folder)["id"])
    for turn in range(2):
        draw_outline(page, 0.45 + 0.1 * turn, 0.7, 0.04)
        server.kill()
        draw_outline(page, 0.45 + 0.1 * turn, 0.78, 0.04)
        server.start()
    saved(page)
    assert len(set(rows(folder)["id"]) - before) == 4
    page.context.close()


def post(server: Server, changes: list[dict[str, Any]]) -> dict[str, Any]:
    body = json.dumps(
        {"key": uuid.uuid4().hex, "who": "stress", "what": "draw", "changes": changes}
    ).encode()
    request = urllib.request.Request(
        f"{server.address}api/edits", data=body, headers={"content-type": "application/json"}
    )
    with urllib.request.urlopen(request, timeout=5) as answer:
        result: dict[str, Any] = json.load(answer)
    return result


def draw_until_it_fails(
    server: Server, acknowledged: list[str], *, after_two: Callable[[], None]
) -> None:
    square = {"type": "Polygon", "coordinates": [[[1, 1], [1.1, 1], [1.1, 1.1], [1, 1.1], [1, 1]]]}
    for number in itertools.count():
        if number == 2:
            after_two()
        made = post(
            server,
            [
                {
                    "op": "insert",
                    "table": "conditions",
                    "id": "new:1",
                    "values": {"surface": "landward", "term": "alga", "geometry": square},
                }
            ],
        )
        acknowledged.append(made["ids"]["new:1"])


@pytest.mark.slow
def test_nothing_acknowledged_is_lost_when_the_server_is_killed_during_edits(
    tmp_path: Path,
) -> None:
    """Five kills in the middle of a stream of edits; the benchmark does fifty."""
    import threading

    folder = desk_sample.make_project(tmp_path / "kills", many=2, blocks=0, picture=False)
    running = Server(folder).start()
    acknowledged: list[str] = []
    for kill in range(5):
        stop = threading.Timer(0.02 + 0.013 * (kill % 5), running.kill)
        with pytest.raises((OSError, http.client.HTTPException)):
            draw_until_it_fails(running, acknowledged, after_two=stop.start)
        stop.join()
        running.start()
    running.kill()
    with Project.open(folder) as project:
        stored = set(project.read("conditions")["id"])
        assert project.integrity() == []
    assert len(acknowledged) >= 10
    assert set(acknowledged) <= stored


def test_ctrl_c_ends_the_server_at_once_and_quietly(tmp_path: Path, chromium: Any) -> None:
    folder = desk_sample.make_project(tmp_path / "ends", many=2, blocks=0, picture=False)
    running = Server(folder).start()
    page, _ = open_desk(chromium, running, offline_is_fine=True)
    begun = time.monotonic()
    said = running.stop()
    assert time.monotonic() - begun < 6
    assert "Traceback" not in said
    page.context.close()


def test_two_surveys_lie_on_the_two_sides_of_one_edge(
    chromium: Any, server: Server, folder: Path
) -> None:
    with Project.open(folder) as project, project.edit(who="ada", what="second survey") as edit:
        old = project.row("conditions", "C-001")["geometry"]
        edit.insert(
            "conditions",
            [
                {
                    "id": "C-900",
                    "surface": "landward",
                    "term": "alga",
                    "family": "E",
                    "survey": "2",
                    "geometry": old.buffer(0.3),
                }
            ],
        )
    page, watch = open_desk(chromium, server, offline_is_fine=False)
    page.locator("#tab-layers").click()
    page.get_by_label("Picture of the wall").uncheck()

    def drawn() -> list[int]:
        page.wait_for_timeout(400)
        # how many points of each half of the wall bear ink, as it is seen
        box = page.locator(".wall .map").bounding_box()
        page.evaluate(
            "document.querySelectorAll('.tools, .swipe, .readout, .notice').forEach((e) => { e.style.visibility = 'hidden'; })"
        )
        picture = cv2.imdecode(np.frombuffer(page.screenshot(clip=box), np.uint8), cv2.IMREAD_COLOR)
        page.evaluate(
            "document.querySelectorAll('.tools, .swipe, .readout, .notice').forEach((e) => { e.style.visibility = ''; })"
        )
        coloured = np.ptp(picture.astype(int), axis=2) > 40
        half = picture.shape[1] // 2
        return [int(coloured[:, :half].sum()), int(coloured[:, half:].sum())]

    for name in ("Wall stones", "Openings", "Repairs"):
        page.get_by_label(name, exact=True).uncheck()
    page.get_by_label("Compare two surveys").check()
    edge = page.get_by_role("slider", name="Compare: move the edge")
    page.locator("#swipe-survey-0").select_option("1")
    page.locator("#swipe-survey-1").select_option("2")
    edge.fill("0")
    only_second = drawn()
    edge.fill("1")
    only_first = drawn()
    edge.fill("0.5")
    both = drawn()
    assert sum(only_second) > 0
    assert both == pytest.approx([only_first[0], only_second[1]], rel=0.02, abs=60)
    assert only_first != only_second
    page.get_by_label("Compare two surveys").uncheck()
    assert edge.count() == 0
    assert not watch.faults
    page.context.close()


def test_match_lock_solve_again_and_issue_papers(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server, remember={"matchSeconds": 2})
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("2")

    def solve_and_wait(earlier: int) -> None:
        page.get_by_role("button", name="Match stone").first.click()
        page.get_by_role("tabpanel").get_by_role("button", name="Stop").wait_for(timeout=20_000)
        until(
            page,
            "document.querySelector('.notice')?.textContent.match(/match blocks|job|without a result/)",
            seconds=240,  # the first one on a machine compiles the kernels, a minute of a processor that has other work
        )
        assert "placed" in page.locator(".notice").inner_text()
        assert len(rows(folder, "plans")) == earlier + 1

    solve_and_wait(0)
    first = rows(folder, "placements").set_index("repair")["block"].to_dict()
    assert first
    page.get_by_text(f"{len(first)} of ").first.wait_for()
    repair, block = next(iter(first.items()))
    page.locator("#tab-list").click()
    page.locator(".list tbody button", has_text=repair).first.click()
    page.locator("#tab-repair").click()
    card = page.locator(".ranked li.on")
    card.wait_for()
    assert block in card.inner_text()
    until(
        page,
        "(i => i && i.complete && i.naturalWidth > 50)(document.querySelector('.ranked li.on img'))",
    )
    other = page.locator(".ranked li:not(.on):not(.unfit)").first
    other.get_by_role("button", name="What if?").click()
    other.locator(".whatif").wait_for(timeout=60_000)
    assert "Whole plan with this block: looks" in other.locator(".whatif").inner_text()
    assert rows(folder, "placements").set_index("repair")["block"].to_dict() == first, (
        "nothing is stored"
    )
    card.get_by_role("button", name="Forbid").click()
    saved(page)
    page.get_by_role("button", name="All repairs").click()
    page.locator(".notice").wait_for(state="detached", timeout=15_000)
    solve_and_wait(1)
    second = rows(folder, "placements").set_index("repair")["block"].to_dict()
    assert second.get(repair) != block
    page.get_by_role("button", name="Compare two plans").click()
    change = page.locator(".plan-changes li", has_text=repair)
    change.wait_for()
    assert f"{block} → {second.get(repair, 'none')}" in change.inner_text()
    change.get_by_role("button", name="See").click()
    until(
        page, "(i => i && i.complete && i.naturalWidth > 50)(document.querySelector('.pair img'))"
    )
    page.get_by_role("button", name="Issue papers").click()
    paper = page.get_by_role("link", name="cut-tickets.pdf")
    paper.wait_for(timeout=60_000)
    with page.expect_download() as fetched:
        paper.click()
    assert (
        Path(fetched.value.path()).read_bytes() == (folder / "out" / "cut-tickets.pdf").read_bytes()
    )
    number = json.loads((folder / "out" / ".papers.json").read_text())["tickets"]["number"]
    page.locator(".sheet-asked input:not([type=file])").fill(number)
    page.get_by_role("button", name="Ask", exact=True).click()
    page.locator(".sheet-asked li", has_text="holds").wait_for(timeout=60_000)
    change.get_by_role("button", name=repair).click()
    page.get_by_text("Cut ticket", exact=True).click()
    until(
        page,
        "(i => i && i.complete && i.naturalWidth > 50)(document.querySelector('.ticket-page img'))",
    )

    # a place approved and the plan brought up to date: that one holds, and hardly anything else moves
    kept = next(iter(second))
    page.locator("#tab-list").click()
    page.locator(".list tbody button", has_text=kept).first.click()
    page.locator("#tab-repair").click()
    page.locator(".ranked li.on").get_by_role("button", name="Approve").click()
    saved(page)
    page.get_by_role("button", name="All repairs").click()
    page.locator(".notice").wait_for(state="detached", timeout=15_000)
    page.get_by_role("button", name="Match what changed").first.click()
    until(
        page, "document.querySelector('.notice')?.textContent.includes('as they were')", seconds=60
    )
    third = rows(folder, "placements").set_index("repair")
    assert (third.loc[kept, "state"], third.loc[kept, "block"]) == ("approved", second[kept])
    assert {r for r in second if third["block"].get(r) != second[r]} == set()
    plans = rows(folder, "plans").set_index("id")
    assert len(plans) == 3
    assert plans["current"].sum() == 1
    assert not watch.faults
    page.context.close()


@pytest.mark.parametrize(
    ("size", "theme"),
    [
        ((390, 844), "dark"),
        ((390, 844), "sun"),
        ((820, 1180), "day"),
        ((1280, 620), "dark"),
        ((1280, 800), "day"),
        ((1920, 1080), "sun"),
        ((640, 400), "day"),  # 1280 x 800 read at twice its size
    ],
)
def test_every_workplace_passes_axe_and_fits_its_width(
    chromium: Any, server: Server, size: tuple[int, int], theme: str
) -> None:
    page, watch = open_desk(chromium, server, size=size, remember={"theme": theme})
    source = axe_script()
    found: list[str] = []

    def look(where: str) -> None:
        page.wait_for_timeout(150)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), where
        # evaluated by the debugger, so the page's own content policy stays as strict as it is
        page.evaluate(source)
        result = page.evaluate(
            "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa']})"
        )
        found.extend(
            f"{where}: {v['id']} {v['nodes'][0]['html'][:160]} {v['nodes'][0].get('failureSummary', '')[:200]}"
            for v in result["violations"]
        )

    for tab in ("list", "missing", "layers"):
        page.locator(f"#tab-{tab}").click()
        look(tab)
    page.locator("#tab-list").click()
    page.locator(".list tbody button", has_text="C-003").click()
    page.locator("#tab-record").click()
    look("record")
    for key, where in (("2", "repairs"), ("4", "work"), ("3", "stone"), ("5", "control")):
        page.evaluate("document.activeElement.blur()")
        page.keyboard.press(key)
        look(where)
    page.keyboard.press("1")
    page.get_by_role("button", name="Keys and help").click()
    look("help")
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Settings").click()
    look("settings")
    page.keyboard.press("Escape")
    page.keyboard.press("Control+k")
    look("commands")
    assert not found
    assert not watch.faults
    page.context.close()


def test_rows_that_cannot_be_read_are_set_aside_from_the_page_and_put_back(
    chromium: Any, folder: Path, tmp_path: Path
) -> None:
    place = Path(shutil.copytree(folder, tmp_path / "damaged"))
    with sqlite3.connect(place / "project.gpkg") as file:
        name = file.execute("SELECT id FROM blocks ORDER BY id").fetchone()[0]
        file.execute("UPDATE blocks SET depth_m = 'deep' WHERE id = ?", (name,))
    server = Server(place).start()
    try:
        page = chromium.new_page()
        page.set_default_timeout(90_000)
        page.goto(server.address)
        page.get_by_role("button", name="Set aside").click()
        page.wait_for_selector("html[data-loaded]")
        with Project.open(place, read_only=True) as project:
            assert name not in set(project.read("blocks")["id"])
        page.keyboard.press("Escape")
        page.locator("#tab-missing").click()
        page.get_by_role("button", name="Put it back").click()
        page.get_by_role("button", name="Set aside").wait_for()
        page.close()
    finally:
        server.kill()


def test_what_the_server_works_on_is_stopped_from_the_page(chromium: Any, server: Server) -> None:
    page = chromium.new_page()
    page.set_default_timeout(90_000)
    told = [
        {"id": "w1", "task": "check", "title": "check the project", "seconds": 7.2},
        {"id": "w2", "task": "ranking", "title": "rank the stones", "seconds": 3.1},
    ]
    stopped: list[str] = []
    waiting: list[Any] = []
    page.route("**/api/running", lambda r: r.fulfill(json={"running": told if waiting else []}))
    page.route("**/api/check", lambda route: waiting.append(route))

    def stop(route: Any) -> None:
        stopped.append(route.request.url)
        error = {"type": "SolveError", "problem": "check the project: was stopped", "remedy": "Ask again."}  # fmt: skip
        waiting.pop().fulfill(status=422, json={"error": error})
        route.fulfill(json={"stopped": "w1"})

    page.route("**/api/running/w1/stop", stop)
    page.goto(server.address)
    page.wait_for_selector("html[data-loaded]")
    page.keyboard.press("Escape")
    page.locator("#tab-missing").click()
    page.get_by_role("button", name="Check all of it").click()
    bar = page.get_by_role("group", name="The server is working on")
    assert "Checking the project" in bar.inner_text()
    # the longest in one line, the others when they are asked for
    assert "Ranking" not in bar.inner_text()
    bar.get_by_text("and 1 more").click()
    assert "Ranking the stones" in bar.inner_text()
    bar.get_by_role("button", name="Stop").first.click()
    page.get_by_text("was stopped. Ask again.").wait_for()
    assert len(stopped) == 1
    bar.wait_for(state="detached")
    page.close()
