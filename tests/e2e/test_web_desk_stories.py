"""Whole stories on the demo project: survey to papers, reviewers, several people, a project that goes away."""

from __future__ import annotations

import json
import shutil
import time
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any

import desk_sample
import pytest
from desk_browser import Server, open_desk, saved, sign_in, until
from desk_sample import rows
from playwright.sync_api import expect

from facademap.store.project import Project

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo as the command makes it, photos to papers."""
    from facademap.tasks.project.demo import run_demo

    folder = tmp_path_factory.mktemp("stories") / "demo"
    run_demo(folder)
    return folder


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return desk_sample.make_project(tmp_path / "sample", many=12, blocks=2)


def get(server: Server, address: str) -> Any:
    with urllib.request.urlopen(server.address + address, timeout=30) as answer:
        return json.load(answer)


def click_wall(page: Any, *places: tuple[float, float]) -> None:
    box = page.locator(".wall .map").first.bounding_box()
    for x, y in places:
        page.mouse.click(box["x"] + box["width"] * x, box["y"] + box["height"] * y)
        page.wait_for_timeout(60)


def draw_outline(page: Any, x: float, y: float, size: float = 0.05) -> None:
    page.keyboard.press("p")
    click_wall(page, (x, y), (x + size, y), (x + size, y + size), (x, y + size))
    page.keyboard.press("Enter")
    # a person says what it is: here the term that is offered
    page.keyboard.press("Enter")


def workplace(page: Any, key: str) -> None:
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("v")  # with a tool in hand a digit goes to what is drawn
    page.keyboard.press(key)


def outcome(page: Any, words: str) -> str:
    """Wait for a job to end, and tell what it said."""
    until(page, "document.querySelector('.notice') !== null", seconds=180)
    text: str = page.locator(".notice").first.inner_text()
    assert words in text
    page.locator(".notice").first.wait_for(state="detached", timeout=15_000)
    return text


def read_through(page: Any, ids: set[str]) -> None:
    """The list of the workplace is scrolled to its end: every row is met, and it stays where it is put."""
    page.locator("#tab-list").click()
    page.locator(".list tbody button").first.wait_for()
    met: set[str] = set()
    for step in range(200):
        top, at_end, shown = page.evaluate(
            "async (top) => { const e = document.querySelector('.scroll'); e.scrollTop = top;"
            " for (let n = 0; n < 4; n++) await new Promise(requestAnimationFrame);"
            " return [e.scrollTop, e.scrollTop + e.clientHeight > e.scrollHeight - 2,"
            " [...e.querySelectorAll('tbody button')].map((b) => b.innerText.trim())]; }",
            step * 400,
        )
        met |= set(shown)
        if at_end:
            break
        assert top == step * 400
    assert ids <= met
    page.evaluate("document.querySelector('.scroll').scrollTop = 0")
    page.locator("#tab-record").click()


def test_a_wall_from_survey_to_papers(chromium: Any, demo: Path) -> None:
    server = Server(demo).start()
    try:
        page, watch = open_desk(chromium, server, remember={"matchSeconds": 300})
        before = {name: set(rows(demo, name)["id"]) for name in ("conditions", "plans")}
        read_through(page, before["conditions"])

        # survey and class
        draw_outline(page, 0.55, 0.45)
        page.get_by_label("Find a term").fill("contour scaling")
        page.get_by_label("Find a term").press("Enter")
        for name in ("Condition class 3", "Urgency class 2", "Recommendation class 3"):
            page.get_by_role("button", name=name).click()
        page.locator("#field-conditions-depth_m").fill("30")
        page.locator("#field-conditions-depth_m").press("Enter")
        saved(page)
        [new] = set(rows(demo)["id"]) - before["conditions"]

        # plan: the new condition gets its repair
        workplace(page, "2")
        page.get_by_role("button", name="All repairs").or_(
            page.get_by_role("heading", name="Repairs")
        ).first.wait_for()
        if page.get_by_role("button", name="All repairs").count():
            page.get_by_role("button", name="All repairs").click()
        page.get_by_role("button", name="Plan repairs").click()
        outcome(page, "Done: plan the repairs")
        answers = [
            r for r in rows(demo, "repairs").to_dict("records") if new in (r["conditions"] or [])
        ]
        assert answers

        # match: progress is seen, stopping leaves everything as it was
        placed = set(rows(demo, "placements")["id"])
        page.evaluate("getSelection().removeAllRanges()")
        if page.get_by_role("button", name="All repairs").count():
            page.get_by_role("button", name="All repairs").click()
        page.get_by_role("button", name="Match stone").first.click()
        page.locator(".job progress").first.wait_for(timeout=20_000)
        page.get_by_role("button", name="Stop").first.click()
        assert "as it was" in outcome(page, "Stopped")
        assert set(rows(demo, "placements")["id"]) == placed
        assert set(rows(demo, "plans")["id"]) == before["plans"]

        # match to the end
        page.get_by_label("Longest search of the matching").first.select_option("10")
        page.get_by_role("button", name="Match stone").first.click()
        assert "placed" in outcome(page, "Done: match")
        chosen = rows(demo, "placements").set_index("repair")["block"].to_dict()
        assert len(chosen) > 3

        # assign another block that fits, and solve again: the lock holds
        fitting = [
            (min(f["spare_mm"][:2]), r, f["block"])
            for r, b in chosen.items()
            for f in get(server, f"api/ranking?repair={urllib.parse.quote(r)}")["faces"]
            if f["fits"] and f["block"] != b and not f["used_by"]
        ]
        _, repair, other = max(fitting)
        page.locator("#tab-list").click()
        page.get_by_label("Search").or_(page.locator(".list input[type=search]")).first.fill(repair)
        page.locator(".list tbody button", has_text=repair).first.click()
        page.locator("#tab-repair").click()
        card = page.locator(".ranked li", has=page.locator("strong", has_text=other)).first
        card.get_by_role("button", name="Assign").click()
        saved(page)
        card.get_by_text("locked").wait_for()
        pieces = rows(demo, "pieces").set_index("repair")
        assert pieces.at[repair, "lock_block"] == other
        # an assignment says which step makes it hold, without matching the whole project again
        page.get_by_role("button", name="Match what changed").click()
        outcome(page, "Done: match")
        place = rows(demo, "placements").set_index("repair").loc[repair]
        assert place["block"] == other
        page.locator(".ranked li.on").get_by_role("button", name="Approve").click()
        saved(page)
        assert rows(demo, "placements").set_index("repair").loc[repair, "state"] == "approved"

        # the two plans side by side
        page.get_by_role("button", name="All repairs").click()
        page.get_by_role("button", name="Compare two plans").click()
        change = page.locator(".plan-changes li", has_text=repair).first
        change.wait_for()
        assert f"{chosen[repair]} → {other}" in change.inner_text()

        # the saw plan of the block
        workplace(page, "3")
        page.get_by_label("Find a block").or_(
            page.locator(".yard-head input[type=search]")
        ).first.fill(other)
        page.locator(".cards .card", has_text=other).first.click()
        face = page.locator(
            ".face-plan", has=page.locator(".blank-name", has_text=repair.replace("R-", "P-"))
        ).first
        face.wait_for()
        until(page, "document.querySelectorAll('.face-plan .blank').length > 0")
        outline = face.locator("path.blank").first.bounding_box()
        stone = face.locator("path.outline").bounding_box()
        assert stone["x"] - 1 <= outline["x"]
        assert outline["x"] + outline["width"] <= stone["x"] + stone["width"] + 1
        assert outline["width"] > 3

        # issue the papers
        workplace(page, "2")
        if page.get_by_role("button", name="All repairs").count():
            page.get_by_role("button", name="All repairs").click()
        page.get_by_role("button", name="Issue papers").click()
        assert "made" in outcome(page, "Done: make the papers")
        paper = page.get_by_role("link", name="cut-tickets.pdf")
        paper.wait_for(timeout=30_000)
        with page.expect_download() as fetched:
            paper.click()
        data = Path(fetched.value.path()).read_bytes()
        assert data == (demo / "out" / "cut-tickets.pdf").read_bytes()
        import pypdfium2

        text = "".join(p.get_textpage().get_text_range() for p in pypdfium2.PdfDocument(data))
        assert repair in text
        assert other in text
        assert not watch.faults
        page.context.close()
    finally:
        server.kill()


def test_a_reviewer_comments_and_is_out_when_the_link_is_withdrawn(
    chromium: Any, folder: Path
) -> None:
    secret = "quay-side-lamp-oil"
    server = Server(folder, secret=secret).start()
    try:
        outsider = chromium.new_context().new_page()
        assert outsider.goto(server.address).status == 401
        assert "Sample wall" not in outsider.content()
        sign_in(outsider, server, "X. Other", "some other secret")
        expect(outsider.get_by_role("alert")).to_contain_text("opens nothing")
        team, watch = open_desk(chromium, server, secret=secret, offline_is_fine=True)
        team.get_by_role("button", name="Settings").click()
        team.get_by_label("Name", exact=False).last.fill("P. Lanner")
        team.get_by_role("button", name="Make a link").click()
        link = team.get_by_label("Link", exact=False).last.input_value()
        assert link.startswith(server.address)
        reviewer, seen = open_desk(
            chromium,
            server,
            who="",
            link=link,
            offline_is_fine=True,
        )
        assert reviewer.get_by_role("button", name="Outline").count() == 0
        reviewer.locator("#tab-list").click()
        reviewer.locator(".list tbody button", has_text="C-001").click()
        reviewer.locator("#tab-record").click()
        reviewer.get_by_label("Comment or reason").fill("Show the joint <i>please</i>")
        reviewer.get_by_role("button", name="Comment", exact=True).click()
        until(
            reviewer,
            "document.querySelector('.reviews ul')?.textContent.includes('Show the joint')",
        )
        stored = rows(folder, "reviews")
        assert list(stored["reviewer"]) == ["P. Lanner"]
        assert list(stored["text"]) == ["Show the joint <i>please</i>"]
        assert reviewer.locator(".reviews i").count() == 0
        before = len(rows(folder))
        status = reviewer.evaluate(
            """fetch('/api/edits', {method: 'POST', headers: {'content-type': 'application/json'}, body: '{"key":"aaaaaaaaaaaa","changes":[]}'}).then((a) => a.status)"""
        )
        assert status == 403
        assert reviewer.evaluate("fetch('/api/reviewer-links').then((a) => a.status)") >= 400
        assert len(rows(folder)) == before
        team.get_by_role("button", name="Withdraw").click()
        until(
            reviewer,
            "document.querySelector('[role=alert]')?.textContent.includes('signed out')",
            seconds=40,
        )
        assert reviewer.goto(server.address).status == 401
        assert not [f for f in seen.faults if "left the machine" in f]
        assert not watch.faults
        for page in (outsider, team, reviewer):
            page.context.close()
    finally:
        server.kill()


def test_two_surveyors_draw_at_once_and_end_with_the_same_wall(chromium: Any, folder: Path) -> None:
    server = Server(folder).start()
    try:
        before = set(rows(folder)["id"])
        pages = [open_desk(chromium, server, who=name)[0] for name in ("Ada", "Ben")]
        for turn in range(3):
            for k, page in enumerate(pages):
                draw_outline(page, 0.4 + 0.07 * turn, 0.4 + 0.2 * k, 0.04)
        for page in pages:
            saved(page)
        table = rows(folder)
        new = table[~table["id"].isin(before)]
        assert len(new) == 6
        assert sorted(new["surveyor"]) == ["Ada"] * 3 + ["Ben"] * 3
        for page in pages:
            page.locator("#tab-list").click()
            until(
                page,
                f"document.querySelector('.list .count').textContent.startsWith('{len(table)} of {len(table)}')",
            )
        # both change the same outline, one after the other: the second sees the first one's change and builds on it
        first = sorted(set(new["id"]))[0]
        for page, name in zip(pages, ("cause", "note"), strict=True):
            page.locator(".list tbody button", has_text=first).click()
            page.locator("#tab-record").click()
            page.locator(f"#field-conditions-{name}").fill(f"{name} of this page")
            page.locator(f"#field-conditions-{name}").press("Tab")
            saved(page)
        with Project.open(folder, read_only=True) as project:
            row = project.row("conditions", first)
            assert (row["cause"], row["note"]) == ("cause of this page", "note of this page")
            assert set(project.history("conditions", first)["who"]) == {"Ada", "Ben"}
        for page in pages:
            page.context.close()
    finally:
        server.kill()


def test_a_project_that_goes_away_is_named_and_the_edits_wait(chromium: Any, folder: Path) -> None:
    server = Server(folder).start()
    try:
        page, _ = open_desk(chromium, server, offline_is_fine=True)
        before = len(rows(folder))
        folder.rename(folder.with_name("gone"))
        draw_outline(page, 0.5, 0.5)
        said = page.get_by_role("alert").filter(has_text="moved, replaced or deleted")
        said.wait_for(timeout=15_000)
        folder.with_name("gone").rename(folder)
        draw_outline(page, 0.65, 0.5)
        saved(page)
        said.wait_for(state="detached")
        assert len(rows(folder)) == before + 2
        page.context.close()
    finally:
        server.kill()


def test_a_large_wall_is_drawn_selected_and_changed(chromium: Any, tmp_path: Path) -> None:
    """Four thousand outlines: what is under the pointer is found, a change is seen, and nothing outside the view is needed."""
    large = desk_sample.make_project(tmp_path / "large", many=4000, blocks=0, picture=False)
    server = Server(large).start()
    try:
        page, watch = open_desk(chromium, server)
        box = page.locator(".wall .map").bounding_box()
        page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + box["height"] * 0.5)
        for _ in range(4):
            page.keyboard.press("+")
            page.wait_for_timeout(300)
        page.wait_for_selector("html[data-drawn]")
        click_wall(page, (0.6, 0.5))
        page.wait_for_timeout(400)
        chosen = page.locator(".sheet .head .id").first.inner_text()
        table = rows(large).set_index("id")
        assert chosen in table.index or chosen.startswith("S-")
        page.locator("#tab-list").click()
        page.locator(".list input[type=search]").fill("C-3999")
        page.locator(".list tbody button", has_text="C-3999").click()
        page.locator("#tab-record").click()
        page.get_by_role("button", name="Condition class 3").click()
        saved(page)
        with Project.open(large, read_only=True) as project:
            assert project.row("conditions", "C-3999")["cc"] == 3
        # a page opened afterwards has the change, though the packed tables are older
        again, _ = open_desk(chromium, server)
        again.locator("#tab-list").click()
        again.locator(".list input[type=search]").fill("C-3999")
        again.locator(".list tbody tr", has_text="C-3999").locator("td.level3").first.wait_for(
            timeout=10_000
        )
        page.keyboard.press("Control+z")
        saved(page)
        begun = time.monotonic()
        until(
            again,
            f"[...document.querySelectorAll('.list tbody tr')].some((r) => r.textContent.includes('C-3999') && r.querySelector('.level{int(table.loc['C-3999', 'cc'])}'))",
        )
        assert time.monotonic() - begun < 15
        assert not watch.faults
        page.context.close()
        again.context.close()
    finally:
        server.kill()


def test_the_demo_can_be_copied_while_it_is_served(demo: Path, tmp_path: Path) -> None:
    server = Server(demo).start()
    try:
        with Project.open(demo, read_only=True) as project:
            project.snapshot(tmp_path / "copy.gpkg")
        (tmp_path / "copy").mkdir()
        shutil.move(tmp_path / "copy.gpkg", tmp_path / "copy" / "project.gpkg")
        assert list(rows(tmp_path / "copy")["id"]) == list(rows(demo)["id"])
    finally:
        server.kill()
