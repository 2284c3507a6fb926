"""Drawing and choosing at the desk: nothing half drawn is lost, many are chosen as on a map, fields refuse what is none."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import desk_sample
import numpy as np
import pytest
from desk_browser import Server, open_desk, ready, saved, until
from desk_sample import rows
from playwright.sync_api import expect

from facademap.store.project import Project

CORNERS = ((0.45, 0.30), (0.52, 0.30), (0.55, 0.38), (0.52, 0.44), (0.45, 0.44), (0.43, 0.38))
PLAIN = {"snapping": False}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_planned_project(tmp_path_factory.mktemp("drawing") / "wall", blocks=3)


def at(page: Any, x: float, y: float) -> tuple[float, float]:
    box = page.locator(".wall .map").first.bounding_box()
    return box["x"] + box["width"] * x, box["y"] + box["height"] * y


def click(page: Any, *places: tuple[float, float]) -> None:
    for place in places:
        page.mouse.click(*at(page, *place))
        page.wait_for_timeout(70)


def press(page: Any, *keys: str) -> None:
    for key in keys:
        page.keyboard.press(key)
        page.wait_for_timeout(60)


def under_pointer(page: Any) -> str:
    """Where on the wall the pointer stands, left of the middle of the view."""
    x, y = at(page, 0.3, 0.4)
    page.mouse.move(x + 1, y)
    page.mouse.move(x, y)
    return str(page.locator(".readout .at").inner_text())


def kept_corners(page: Any) -> list[list[list[float]]]:
    """Corners of every sketch that this browser keeps."""
    found: list[list[list[float]]] = page.evaluate(
        "Object.keys(localStorage).filter((k) => k.startsWith('facademap-drafts')).flatMap((k) => JSON.parse(localStorage[k])).map((d) => d.corners)"
    )
    return found


def fresh(folder: Path, before: set[str], table: str = "conditions") -> Any:
    found = rows(folder, table)
    return found[~found["id"].isin(before)]


def show(page: Any, id: str, tab: str = "record") -> None:
    page.locator("#tab-list").click()
    page.locator(".list input[type=search]").fill(id)
    page.locator(".list tbody button", has_text=id).first.click()
    page.locator(f"#tab-{tab}").click()
    page.wait_for_timeout(300)


# -- sketches ------------------------------------------------------------------------------------------------------------


def test_a_sketch_goes_on_after_a_reload_and_another_workplace(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server, remember=PLAIN)
    before = set(rows(folder)["id"])
    press(page, "p")
    click(page, *CORNERS[:4])
    drawn = kept_corners(page)
    assert [len(c) for c in drawn] == [4]
    # what the page that goes keeps may be told to its successor at any moment, also before that knows its project
    page.add_init_script(
        "const told = setInterval(() => document.documentElement?.dataset.loaded ? clearInterval(told)"
        " : dispatchEvent(new StorageEvent('storage', {key: 'something'})), 1)"
    )
    page.reload()
    ready(page)
    until(page, "document.querySelector('.sketch-bar') !== null")
    assert kept_corners(page) == drawn
    # another workplace and back: it waits where it was begun
    page.get_by_role("navigation").get_by_role("button", name="Repairs").click()
    assert page.locator(".sketch-bar").count() == 0
    page.get_by_role("navigation").get_by_role("button", name="Survey").click()
    page.locator(".sketch-bar").get_by_role("button", name="End").wait_for()
    click(page, *CORNERS[4:])
    press(page, "Enter", "Enter")
    saved(page)
    [shape] = fresh(folder, before).geometry
    ring = np.array(shape.exterior.coords)[:-1]
    assert len(ring) == len(CORNERS)
    for corner in drawn[0]:
        assert np.abs(ring - corner).max(axis=1).min() < 2e-6
    assert kept_corners(page) == []
    assert not watch.faults
    page.context.close()


def test_while_drawing_undo_takes_corners_and_a_digit_does_nothing(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server, remember=PLAIN)
    show(page, "C-004")
    page.locator("#field-conditions-note").fill("before the sketch")
    page.locator("#field-conditions-note").press("Tab")
    saved(page)
    before = set(rows(folder)["id"])
    page.evaluate("document.activeElement.blur()")
    press(page, "p")
    click(page, *CORNERS)
    press(page, "Control+z", "Control+z")
    assert [len(c) for c in kept_corners(page)] == [4]
    assert rows(folder, id="C-004").iloc[0]["note"] == "before the sketch"
    press(page, "Control+y")
    assert [len(c) for c in kept_corners(page)] == [5]
    for digit in "12345":
        press(page, digit)
        assert page.locator(".places [aria-current]").inner_text() == "Survey"
    press(page, "n", "t", "n", "t")  # nor do switches throw it away
    assert [len(c) for c in kept_corners(page)] == [5]
    press(page, "Enter", "Enter")
    saved(page)
    [shape] = fresh(folder, before).geometry
    assert len(shape.exterior.coords) == 6
    # what is stored goes back by the same keys once nothing is in hand, and Redo was not ended by the sketch
    page.evaluate("document.activeElement.blur()")
    press(page, "v", "Control+z")
    saved(page)
    assert set(rows(folder)["id"]) == before
    assert not watch.faults
    page.context.close()


def test_a_crossing_is_shown_and_mended_with_the_same_corners(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server, remember=PLAIN)
    before = set(rows(folder)["id"])
    press(page, "p")
    click(page, (0.5, 0.5), (0.6, 0.6), (0.6, 0.5), (0.5, 0.6))
    press(page, "Enter")
    assert "crosses itself" in page.get_by_role("alert").first.inner_text()
    bar = page.locator(".sketch-bar.mending")
    assert bar.get_by_role("button", name="End").is_disabled()
    [corners] = kept_corners(page)
    assert len(corners) == 4
    # a reload in the middle of it loses nothing either
    page.reload()
    ready(page)
    page.locator(".sketch-bar").wait_for()
    press(page, "Enter")
    bar.get_by_role("button", name="Untangle").click()
    press(page, "Enter", "Enter")
    saved(page)
    [shape] = fresh(folder, before).geometry
    assert shape.is_valid
    ring = np.array(shape.exterior.coords)[:-1]
    assert sorted(map(tuple, np.round(ring, 5))) == sorted(map(tuple, np.round(corners, 5)))
    assert not watch.faults
    page.context.close()


def test_a_crossing_is_mended_by_dragging_a_corner(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server, remember=PLAIN)
    before = set(rows(folder)["id"])
    press(page, "p")
    click(page, (0.5, 0.5), (0.6, 0.6), (0.6, 0.5), (0.5, 0.6))
    press(page, "Enter")
    page.locator(".sketch-bar.mending").wait_for()
    page.mouse.move(*at(page, 0.6, 0.6))
    page.mouse.down()
    page.mouse.move(*at(page, 0.55, 0.42), steps=6)
    page.mouse.up()
    until(page, "!document.querySelector('.sketch-bar.mending .main').disabled")
    press(page, "Enter", "Enter")
    saved(page)
    [shape] = fresh(folder, before).geometry
    assert shape.is_valid
    assert not watch.faults
    page.context.close()


def test_leaving_many_corners_is_asked_and_a_few_come_back(chromium: Any, server: Server) -> None:
    page, watch = open_desk(chromium, server, remember=PLAIN)
    press(page, "p")
    click(page, *CORNERS)
    press(page, "Escape")
    dialog = page.get_by_role("dialog")
    assert "Leave 6 corners?" in dialog.inner_text()
    dialog.get_by_role("button", name="Set it aside").click()
    waits = page.locator(".sketch-bar")
    assert "6 corners" in waits.inner_text()
    waits.get_by_role("button", name="Go on").click()
    press(page, "Escape")
    dialog.get_by_role("button", name="Leave it").click()
    assert kept_corners(page) == []
    page.get_by_role("button", name="Bring it back").click()
    assert [len(c) for c in kept_corners(page)] == [6]
    # fewer corners are left at once, and come back as easily
    press(page, "Control+z", "Control+z", "Control+z", "Escape")
    assert page.get_by_role("dialog").count() == 0
    page.get_by_role("button", name="Bring it back").click()
    assert [len(c) for c in kept_corners(page)] == [3]
    press(page, "Escape")
    assert not watch.faults
    page.context.close()


def test_a_term_is_chosen_by_a_person_and_what_was_drawn_waits_for_it(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server, remember=PLAIN)
    before = set(rows(folder)["id"])
    press(page, "p")
    click(page, *CORNERS[:4])
    press(page, "Enter")
    assert "contour scaling" in page.locator(".offer").inner_text()
    page.wait_for_timeout(500)
    assert set(rows(folder)["id"]) == before, "nothing is called anything by itself"
    page.reload()
    ready(page)
    page.get_by_label("Find a term").fill("honeycomb")
    page.get_by_label("Find a term").press("Enter")
    saved(page)
    assert list(fresh(folder, before)["term"]) == ["alveolization"]
    assert not watch.faults
    page.context.close()


# -- choosing ------------------------------------------------------------------------------------------------------------


def chosen(page: Any) -> int:
    """How many are selected, as the sheet says."""
    page.locator("#tab-record").click()
    head = page.locator(".sheet .head h2")
    if not head.count():
        return 0
    words = head.inner_text()
    return int(words.split()[0]) if "selected" in words else 1


def test_many_are_chosen_by_box_lasso_view_and_kind(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server)
    for name in ("Repairs", "Wall stones", "Openings"):
        page.locator("#tab-layers").click()
        page.get_by_label(name, exact=True).uncheck()
    everything = len(rows(folder))
    # Shift and drag over the whole wall
    page.keyboard.down("Shift")
    page.mouse.move(*at(page, 0.30, 0.06))
    page.mouse.down()
    page.mouse.move(*at(page, 0.90, 0.90), steps=5)
    page.mouse.up()
    page.keyboard.up("Shift")
    page.wait_for_timeout(300)
    boxed = chosen(page)
    assert boxed > 5
    page.evaluate("document.activeElement.blur()")
    press(page, "Escape", "Control+a")
    assert chosen(page) == everything
    # drawn round a part of the wall
    page.evaluate("document.activeElement.blur()")
    press(page, "Escape", "u")
    ring = [(0.3, 0.1), (0.6, 0.1), (0.6, 0.9), (0.3, 0.9), (0.3, 0.12)]
    page.mouse.move(*at(page, *ring[0]))
    page.mouse.down()
    for place in ring[1:]:
        page.mouse.move(*at(page, *place), steps=6)
    page.mouse.up()
    page.wait_for_timeout(300)
    assert 0 < chosen(page) < everything
    press(page, "v")
    show(page, "C-003")
    term = rows(folder, id="C-003").iloc[0]["term"]
    page.evaluate("document.activeElement.blur()")
    press(page, "Control+Shift+a")
    assert chosen(page) == int((rows(folder)["term"] == term).sum())
    assert not watch.faults
    page.context.close()


def test_what_is_chosen_is_moved_copied_to_the_next_stone_and_reached_by_the_menu(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server)
    id = str(rows(folder).dropna(subset=["wall_stone"]).iloc[0]["id"])
    show(page, id)
    old = rows(folder, id=id).iloc[0]
    before = set(rows(folder)["id"])
    page.evaluate("document.activeElement.blur()")
    press(page, "d")
    page.wait_for_timeout(200)
    press(page, "Shift+ArrowRight")
    saved(page)
    moved = rows(folder, id=id).geometry.iloc[0]
    assert moved.area == pytest.approx(old.geometry.area, rel=1e-4)
    assert moved.centroid.x > old.geometry.centroid.x
    press(page, "Control+z")
    saved(page)
    press(page, "v", "i")
    saved(page)
    copies = fresh(folder, before)
    stones = rows(folder, "wall_stones").set_index("id")
    here = stones.loc[old["wall_stone"]]
    if len(copies):
        copy = copies.iloc[0]
        there = stones.loc[copy["wall_stone"]]
        assert there["course"] == here["course"]
        assert there["number"] == here["number"] + 1
        assert copy.geometry.bounds[0] - there.geometry.bounds[0] == pytest.approx(
            old.geometry.bounds[0] - here.geometry.bounds[0], abs=2e-6
        )
    else:
        assert "no next stone" in page.locator(".notice").inner_text()
    # the menu, by keys alone
    show(page, id)
    page.locator(".wall .map").first.focus()
    press(page, "Shift+F10")
    menu = page.get_by_role("menu")
    assert {"Change", "Move", "Copy to next stone"} <= {
        w.split("\n")[0] for w in menu.get_by_role("menuitem").all_inner_texts()
    }
    press(page, "Escape")
    assert menu.count() == 0
    assert not watch.faults
    page.context.close()


def test_stones_of_a_joint_move_together_and_come_back_by_one_key(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server, remember=PLAIN)
    before = rows(folder, "wall_stones").set_index("id").geometry
    page.evaluate("location.hash = 'stone=S-040'")
    until(page, "document.querySelector('.sheet .head .id')?.textContent.includes('S-040')")
    page.locator(".wall .map").focus()
    # far nearer, so that a step of a key is a millimetre or two
    press(page, "e", ".", "ArrowUp", "ArrowUp", "ArrowRight")
    page.wait_for_timeout(900)  # the keys rest: one edit
    saved(page)
    after = rows(folder, "wall_stones").set_index("id").geometry
    changed = [i for i in before.index if not after[i].equals_exact(before[i], 1e-9)]
    assert "S-040" in changed
    assert 2 <= len(changed) <= 8
    # the joint of 12 mm stays between them
    for a in changed:
        beside = [b for b in after.index if b != a and before[a].distance(before[b]) < 0.02]
        assert all(0.006 < after[a].distance(after[b]) < 0.018 for b in beside)
    page.locator(".wall .map").focus()
    press(page, "Control+z")
    saved(page)
    back = rows(folder, "wall_stones").set_index("id").geometry
    assert all(back[i].equals_exact(before[i], 1e-6) for i in before.index)
    assert not watch.faults
    page.context.close()


def test_the_middle_button_moves_the_wall_with_a_tool_in_hand(
    chromium: Any, server: Server
) -> None:
    page, watch = open_desk(chromium, server, remember=PLAIN)
    press(page, "p")
    click(page, *CORNERS[:2])

    def place() -> str:
        page.mouse.move(*at(page, 0.6, 0.5))
        page.wait_for_timeout(150)
        return str(page.locator(".readout .at").inner_text())

    was = place()
    page.mouse.down(button="middle")
    page.mouse.move(*at(page, 0.5, 0.5), steps=4)
    page.mouse.up(button="middle")
    page.wait_for_timeout(200)
    assert place() != was
    assert [len(c) for c in kept_corners(page)] == [2]
    page.get_by_role("button", name="Nearer").click()
    page.get_by_role("button", name="Whole wall").click()
    assert not watch.faults
    page.context.close()


# -- fields, addresses, deletes ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "metres"),
    [("60 cm", 0.6), ("2 3/8 in", 2.375 * 0.0254), ("1′ 3 1/2″", 15.5 * 0.0254), ("45", 0.045)],
)
def test_a_depth_is_typed_with_its_unit(
    chromium: Any, server: Server, folder: Path, typed: str, metres: float
) -> None:
    page, watch = open_desk(chromium, server)
    show(page, "C-006")
    box = page.locator("#field-conditions-depth_m")
    box.fill(typed)
    box.press("Enter")
    saved(page)
    assert rows(folder, id="C-006").iloc[0]["depth_m"] == pytest.approx(metres, abs=1e-6)
    assert not watch.faults
    page.context.close()


def test_what_is_no_depth_and_no_stone_is_refused_in_its_field(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server)
    show(page, "C-007")
    old = rows(folder, id="C-007").iloc[0]
    for name, typed, words in (
        ("depth_m", "abc", "Not a length"),
        ("depth_m", "50 m", "At most"),
        ("depth_m", "-3", "At least"),
        ("wall_stone", "S-9999", "no wall stone S-9999"),
    ):
        box = page.locator(f"#field-conditions-{name}")
        box.fill(typed)
        box.press("Enter")
        assert words in page.locator(".form .fault").inner_text()
        assert box.get_attribute("aria-invalid") == "true"
        assert box.input_value() == typed, "it stays to be mended"
        box.press("Escape")
        assert page.locator(".form .fault").count() == 0
    page.wait_for_timeout(300)
    now = rows(folder, id="C-007").iloc[0]
    assert (now["depth_m"], now["wall_stone"]) == (old["depth_m"], old["wall_stone"])
    assert not watch.faults
    page.context.close()


def test_a_repairs_address_opens_its_record_and_its_stage_is_no_field(
    chromium: Any, server: Server, folder: Path
) -> None:
    repair = str(rows(folder, "repairs").iloc[0]["id"])
    page, watch = open_desk(chromium, server)
    page.evaluate(f"location.hash = 'repair={repair}'")
    page.locator(".work .head", has_text=repair).wait_for()
    assert page.locator(".places [aria-current]").inner_text() == "Record"
    page.evaluate("document.activeElement.blur()")
    press(page, "1")
    show(page, "C-002")
    assert page.evaluate("location.hash") == "#condition=C-002&at=survey"
    page.reload()
    ready(page)
    page.locator(".sheet .head", has_text="C-002").wait_for()
    page.evaluate(f"location.hash = 'repair={repair}&at=survey'")
    page.locator(".stage-line").wait_for()
    assert page.locator("#field-repairs-stage").count() == 0
    page.locator(".stage-line").get_by_role("button", name="Change it in Record").click()
    page.locator(".work .head", has_text=repair).wait_for()
    assert not watch.faults
    page.context.close()


def test_what_depends_on_a_thing_is_told_before_it_goes(
    chromium: Any, server: Server, folder: Path
) -> None:
    stone = str(rows(folder)["wall_stone"].dropna().value_counts().index[0])
    page, watch = open_desk(chromium, server)
    page.locator("#tab-list").click()
    page.locator(".list select").first.select_option("wall_stones")
    page.locator(".list input[type=search]").fill(stone)
    page.locator(".list tbody button", has_text=stone).first.click()
    page.locator("#tab-record").click()
    page.get_by_role("button", name="Delete", exact=True).click()
    dialog = page.get_by_role("dialog")
    dialog.wait_for()
    assert "lose" in dialog.inner_text() or "depend" in dialog.inner_text()
    dialog.get_by_role("button", name="Keep it").click()
    assert stone in set(rows(folder, "wall_stones")["id"])
    if not page.evaluate("document.querySelector('.notice.bad') !== null"):
        page.get_by_role("button", name="Delete", exact=True).click()
        again = dialog.get_by_role("button", name="Delete with all that follows")
        dialog.wait_for()
        if again.count():
            again.click()
            saved(page)
            assert stone not in set(rows(folder, "wall_stones")["id"])
            assert stone not in set(rows(folder)["wall_stone"].dropna())
            page.evaluate("document.activeElement.blur()")
            press(page, "Control+z")
            saved(page)
            assert stone in set(rows(folder, "wall_stones")["id"])
            assert stone in set(rows(folder)["wall_stone"].dropna())
    assert not watch.faults
    page.context.close()


def test_every_command_is_found_by_its_name_and_has_its_key(chromium: Any, server: Server) -> None:
    page, watch = open_desk(chromium, server)
    press(page, "Control+k")
    found = page.get_by_role("dialog").get_by_role("option")
    names = [w.split("\n")[0] for w in found.all_inner_texts()]
    assert len(names) > 50
    assert len(set(names)) == len(names)
    page.get_by_role("combobox", name="Find a command").fill("light dark")
    expect(found).to_have_count(1)
    press(page, "Enter")
    until(page, "document.documentElement.dataset.theme === 'dark'")
    press(page, "Control+k")
    page.get_by_role("combobox", name="Find a command").fill("grid")
    assert "G" in found.first.inner_text()
    press(page, "Escape")
    assert not watch.faults
    page.context.close()


def test_proposals_are_confirmed_by_eye_with_three_keys(chromium: Any, tmp_path: Path) -> None:
    folder = desk_sample.make_project(tmp_path / "proposed", many=6, blocks=0)
    with (
        Project.open(folder) as project,
        project.edit(who="sample", what="found by machine") as edit,
    ):
        for id in ("C-001", "C-002", "C-003", "C-004", "C-005"):
            edit.update("conditions", id, {"origin": "assisted", "confirmed_by": None})
        for id, note in (
            ("S-021", "proposed, confidence 0.97"),
            ("S-022", "proposed, confidence 0.61"),
            ("S-023", "wider than its neighbours"),
            ("S-024", "proposed, confidence 0.94"),
        ):
            edit.update(
                "wall_stones", id, {"origin": "assisted", "confirmed_by": None, "note": note}
            )
    server = Server(folder).start()
    try:
        page, watch = open_desk(chromium, server)
        page.emulate_media(reduced_motion="no-preference")
        # stones come first, the doubtful before the sure; what the machine doubts stands beside them
        page.get_by_role("button", name="Confirm by eye").first.click()
        bar = page.locator(".sketch-bar.confirming")
        assert "S-023, course" in bar.inner_text()
        assert "wider than its neighbours" in bar.inner_text()
        assert "4 left" in bar.inner_text()
        press(page, "Enter")
        assert "S-022, course" in bar.inner_text()
        assert page.locator(".sheet h2").inner_text().endswith("S-022")
        # the whole wall is asked for while the view still goes to the next one
        page.wait_for_timeout(20)
        press(page, "0")
        page.wait_for_timeout(700)
        bar.get_by_role("button", name="Confirm sure ones in view").click()
        page.wait_for_timeout(600)
        assert "1 left" in bar.inner_text()
        assert "S-022, course" in bar.inner_text()
        press(page, "Escape")
        assert bar.count() == 0
        page.get_by_role("tab", name="List").click()
        show(page, "C-001")
        page.get_by_role("button", name="Confirm by eye").first.click()
        assert "5 left" in bar.inner_text()
        press(page, "Enter", "Enter")
        assert "3 left" in bar.inner_text()
        # the view that a person takes while the server is asked stays
        held: list[Any] = []
        page.route("**/api/consequences", lambda route: held.append(route))
        zoomed_in = under_pointer(page)
        press(page, "Delete", "0")
        whole = under_pointer(page)
        assert whole != zoomed_in
        held[0].continue_()
        page.wait_for_timeout(1000)
        assert "2 left" in bar.inner_text()
        assert under_pointer(page) == whole
        page.unroute("**/api/consequences")
        # by pointer as well, after which the keys still mean the same
        bar.get_by_role("button", name="Confirm").click()
        assert "1 left" in bar.inner_text()
        press(page, "Enter")
        assert bar.count() == 0
        saved(page)
        table = rows(folder).set_index("id")
        assert len(table) == 5
        confirmed = table.loc[["C-001", "C-002", "C-004", "C-005"], "confirmed_by"]
        assert list(confirmed) == ["M. Reed"] * 4
        assert not watch.faults
        page.context.close()
    finally:
        server.kill()


# -- the page ------------------------------------------------------------------------------------------------------------

#: Buttons and fields in view of which another thing lies over the middle, or that reach beyond the page.
COVERED = """
[...document.querySelectorAll('button, select, input:not([type=file]), a[href], summary')].flatMap((e) => {
  if (e.closest('.visually-hidden, .skip') || e.classList.contains('visually-hidden') || e.classList.contains('skip')) return [];
  const r = e.getBoundingClientRect();
  if (!r.width || !r.height || !e.checkVisibility()) return [];
  // what a list or a strip scrolls to is in view when it is scrolled to
  for (let p = e.parentElement; p; p = p.parentElement) {
    const s = getComputedStyle(p);
    if (/auto|scroll/.test(s.overflowX + s.overflowY)) {
      const b = p.getBoundingClientRect();
      const m = [r.left + r.width / 2, r.top + r.height / 2];
      if (m[0] < b.left || m[0] > b.right || m[1] < b.top || m[1] > b.bottom - 1) return [];
    }
  }
  const [x, y] = [r.left + r.width / 2, r.top + r.height / 2];
  const name = `${e.tagName} ${(e.getAttribute('aria-label') || e.textContent || e.id).trim().slice(0, 40)}`;
  if (x < 0 || y < 0 || x > innerWidth || y > innerHeight) return [`off the page: ${name}`];
  const top = document.elementFromPoint(x, y);
  const ok = top && (e.contains(top) || top.contains(e) || top.closest('label')?.contains(e) || e.labels?.[0]?.contains(top));
  return ok ? [] : [`covered: ${name} by ${top?.tagName} ${top?.className}`];
})
"""


@pytest.mark.parametrize(
    "size", [(390, 844), (820, 1180), (1280, 620), (1280, 800), (1920, 1080), (640, 400)]
)
def test_nothing_is_cut_off_or_covered(
    chromium: Any, server: Server, folder: Path, size: tuple[int, int]
) -> None:
    page, watch = open_desk(chromium, server, size=size, remember=PLAIN)
    found: list[str] = []

    def look(where: str) -> None:
        page.wait_for_timeout(200)
        # what the server works on is told over the page for as long as that lasts
        page.locator(".running").wait_for(state="detached", timeout=60_000)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), where
        assert page.evaluate("document.documentElement.scrollHeight <= innerHeight"), where
        found.extend(f"{where}: {words}" for words in page.evaluate(COVERED))

    look("survey")
    for tab in ("list", "missing", "layers"):
        page.locator(f"#tab-{tab}").click()
        look(tab)
    show(page, "C-003")
    look("record")
    places = page.get_by_role("navigation")
    for name in ("Repairs", "Stone", "Record", "Control"):
        places.get_by_role("button", name=name).click()
        page.wait_for_timeout(200)
        if name == "Stone":
            page.locator(".card").first.click()
        look(name)
    places.get_by_role("button", name="Survey").click()
    page.get_by_role("button", name="Outline", exact=True).click()
    click(page, (0.55, 0.4), (0.7, 0.4), (0.7, 0.6))
    look("drawing")
    assert found == []
    assert not watch.faults
    page.context.close()
