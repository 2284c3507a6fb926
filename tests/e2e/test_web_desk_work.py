"""Stories of the survey desk on the scaffold: the record without a connection, undo over a reload, templates, cut-outs, touch."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import desk_sample
from desk_browser import Server, browser, open_desk, ready, saved, until

from facademap.store.project import Project


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from facademap.tasks.plan import plan_project

    made = desk_sample.make_project(tmp_path_factory.mktemp("work") / "sample", many=24, blocks=4)
    with Project.open(made) as project, project.edit(who="sample", what="causes are settled") as edit:
        for id in project.read("conditions")["id"]:
            edit.update("conditions", id, {"cause": "leaking gutter, mended", "cause_settled": True})
    plan_project(made)
    return made


@pytest.fixture(scope="module")
def server(folder: Path) -> Iterator[Server]:
    running = Server(folder).start()
    yield running
    if running.process and running.process.poll() is None:
        running.kill()


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with browser() as running:
        yield running


@pytest.fixture(scope="module")
def snapshot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a phone's camera hands over."""
    path = tmp_path_factory.mktemp("camera") / "IMG_0001.jpg"
    rng = np.random.default_rng(3)
    cv2.imwrite(str(path), rng.integers(0, 255, (240, 320, 3), dtype=np.uint8))
    return path


def rows(folder: Path, table: str = "conditions", **where: Any) -> Any:
    with Project.open(folder, read_only=True) as project:
        return project.read(table, where=where or None)


def free_insets(folder: Path) -> list[str]:
    table = rows(folder, "repairs")
    return [str(i) for i in table[(table["treatment"] == "inset") & table["held_back"].isna() & (table["stage"] == "proposed")]["id"]]


def open_work(page: Any, repair: str) -> None:
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("4")
    page.locator("#tab-list").click()
    page.locator(".list tbody button", has_text=repair).first.click()
    page.locator("#tab-work").click()
    page.locator(".work h3", has_text="Next").wait_for()


def next_stage(page: Any, stage: str) -> None:
    page.locator(".nexts").get_by_role("button", name=stage, exact=True).click()


def condition(page: Any, name: str) -> None:
    page.locator("#tab-list").click()
    page.locator(".list tbody button", has_text=name).first.click()
    page.locator("#tab-record").click()


def field(page: Any, name: str) -> Any:
    return page.locator(f"#field-conditions-{name}")


def fill(page: Any, name: str, text: str) -> None:
    field(page, name).fill(text)
    field(page, name).press("Tab")


def test_stages_checks_and_photos_wait_in_one_line_and_arrive_in_order(chromium: Any, server: Server, folder: Path, snapshot: Path) -> None:
    repair = free_insets(folder)[0]
    page, _ = open_desk(chromium, server, size=(390, 844), offline_is_fine=True)
    until(page, "navigator.serviceWorker.ready.then(() => true)")
    page.reload()  # once under the service worker, so that everything is at hand without a connection
    ready(page)
    open_work(page, repair)
    page.context.set_offline(True)
    next_stage(page, "approved")
    until(page, "document.querySelector('.work .figures').textContent.includes('approved')")
    page.locator(".shot input").set_input_files(snapshot)
    page.get_by_alt_text("Photo taken").wait_for()
    until(page, "document.querySelector('.shot img').naturalWidth > 0")
    next_stage(page, "cut out")
    page.locator(".check-item", has=page.get_by_role("button", name="Good")).first.get_by_role("button", name="Good").click()
    page.locator(".check-item.waiting").wait_for()
    until(page, "document.querySelector('.state').textContent.includes('4 kept here')")
    assert len(rows(folder, "work_log", repair=repair)) == 0
    # what waits can be looked at, in its order, with the photo
    page.locator("button.state").click()
    listed = page.get_by_role("dialog").locator("li")
    told = [listed.nth(i).inner_text() for i in range(listed.count())]
    assert ["approved" in told[0], "photo" in told[1], "cut out" in told[2]] == [True, True, True]
    until(page, "document.querySelector('dialog li img').naturalWidth > 0")
    # the page is closed without a connection, and opened again without one
    page.goto("about:blank")
    page.goto(server.address)
    ready(page)
    until(page, "document.querySelector('.state').textContent.includes('4 kept here')")
    open_work(page, repair)
    assert "cut out" in page.locator(".work .figures").inner_text()
    assert page.locator(".check-item.waiting").count() == 1
    page.context.set_offline(False)
    saved(page)
    log = rows(folder, "work_log", repair=repair)
    assert [s for s in log["stage"] if isinstance(s, str)] == ["approved", "cut out"]
    assert [r for r in log["result"] if isinstance(r, str)] == ["pass"]
    photo = log[log["stage"] == "cut out"]["photo"].iloc[0]
    with Project.open(folder, read_only=True) as project:
        kept = project.place(project.row("photos", photo)["path"]).read_bytes()
    assert kept == snapshot.read_bytes()
    assert rows(folder, "repairs", id=repair)["stage"].iloc[0] == "cut out"
    page.context.close()


def test_an_entry_that_met_another_is_shown_beside_it_and_both_can_stay(chromium: Any, server: Server, folder: Path) -> None:
    first, second = free_insets(folder)[:2]
    ada, _ = open_desk(chromium, server, who="Ada", offline_is_fine=True)
    ben, _ = open_desk(chromium, server, who="Ben", size=(390, 844), offline_is_fine=True)
    for repair, choice in ((first, "Enter mine as well"), (second, "Take theirs")):
        open_work(ada, repair)
        open_work(ben, repair)
        ben.context.set_offline(True)
        ben.locator("#work-reason").fill("waits for the crane")
        next_stage(ben, "on hold")
        ada.locator("#work-reason").fill("seen with the architect")
        next_stage(ada, "approved")
        saved(ada)
        ben.context.set_offline(False)
        dialog = ben.get_by_role("dialog")
        dialog.wait_for(timeout=20_000)
        told = dialog.inner_text()
        assert all(word in told for word in ("waits for the crane", "seen with the architect", "Ada", "Ben", "on hold", "approved"))
        assert rows(folder, "repairs", id=repair)["stage"].iloc[0] == "approved"
        dialog.get_by_role("button", name=choice).click()
        saved(ben)
    assert list(rows(folder, "work_log", repair=first)["stage"]) == ["approved", "on hold"]
    assert list(rows(folder, "work_log", repair=second)["stage"]) == ["approved"]
    until(ben, "document.querySelector('.work .figures').textContent.includes('approved')")
    ada.context.close()
    ben.context.close()


def test_an_entry_the_gate_refuses_is_kept_with_the_reason_and_can_be_sent_again(chromium: Any, server: Server, folder: Path) -> None:
    repair = free_insets(folder)[0]
    page, _ = open_desk(chromium, server, offline_is_fine=True)
    open_work(page, repair)
    for stage in ("approved", "cut out", "cut-out measured"):
        next_stage(page, stage)
    alert = page.get_by_role("button", name="1 not stored")
    alert.wait_for(timeout=15_000)
    until(page, "document.querySelector('.work .figures').textContent.includes('cut out')")
    alert.click()
    dialog = page.get_by_role("dialog")
    assert "not written down" in dialog.inner_text()
    page.keyboard.press("Escape")
    page.locator(".work details form").wait_for()
    piece = rows(folder, "repairs", id=repair).iloc[0]
    u0, v0, u1, v1 = (1000 * v for v in piece.geometry.bounds)
    width, height, depth = u1 - u0, v1 - v0, 1000 * piece["depth_m"]
    diagonal = (width**2 + height**2) ** 0.5
    for label, value, count in (("Widths", width, 2), ("Heights", height, 2), ("Both diagonals", diagonal, 2), ("Depth at four corners", depth, 4)):
        page.locator(".work details form").get_by_label(label).fill(" ".join([f"{value:.2f}"] * count))
    page.get_by_role("button", name="Store measures").click()
    saved(page)
    page.get_by_role("button", name="1 not stored").click()
    page.get_by_role("button", name="Send again").click()
    page.keyboard.press("Escape")
    saved(page)
    until(page, "document.querySelector('.work .figures').textContent.includes('cut-out measured')")
    assert rows(folder, "repairs", id=repair)["measured"].iloc[0]
    assert list(rows(folder, "work_log", repair=repair)["stage"]) == ["approved", "cut out", "cut-out measured"]
    page.context.close()


def test_a_photo_taken_of_a_condition_is_stored_with_it(chromium: Any, server: Server, folder: Path, snapshot: Path) -> None:
    page, _ = open_desk(chromium, server, size=(390, 844), offline_is_fine=True)
    condition(page, "C-004")
    page.context.set_offline(True)
    page.locator(".photo-of input").set_input_files(snapshot)
    until(page, "document.querySelector('.photo-of img')?.naturalWidth > 0")
    assert "kept here" in page.locator(".photo-of").inner_text()
    page.context.set_offline(False)
    saved(page)
    photo = rows(folder, id="C-004")["photo"].iloc[0]
    assert photo in set(rows(folder, "photos")["id"])
    until(page, "document.querySelector('.photo-of img')?.naturalWidth > 0")
    page.context.close()


def test_undo_and_redo_go_on_after_a_reload_and_leave_the_edits_of_others(chromium: Any, server: Server, folder: Path) -> None:
    page, watch = open_desk(chromium, server, who="Undine")
    condition(page, "C-006")
    before = rows(folder, id="C-006").iloc[0]
    fill(page, "note", "first")
    page.get_by_role("button", name="Urgency class 3").click()
    fill(page, "cause", "salt")
    saved(page)
    page.reload()
    ready(page)
    page.keyboard.press("Control+z")
    page.keyboard.press("Control+z")
    saved(page)
    row = rows(folder, id="C-006").iloc[0]
    assert (row["note"], row["uc"], row["cause"]) == ("first", before["uc"], before["cause"])
    page.reload()
    ready(page)
    page.keyboard.press("Control+y")
    page.keyboard.press("Control+y")
    saved(page)
    assert rows(folder, id="C-006").iloc[0]["cause"] == "salt"
    # somebody else changes the note; taking mine back leaves theirs
    with Project.open(folder) as project, project.edit(who="Otto", what="note") as edit:
        edit.update("conditions", "C-006", {"note": "of Otto"})
    condition(page, "C-006")
    until(page, "document.querySelector('#field-conditions-note').value === 'of Otto'")
    page.evaluate("document.activeElement.blur()")
    for _ in range(3):
        page.keyboard.press("Control+z")
    assert "changed by somebody else since" in page.get_by_role("alert").inner_text()
    saved(page)
    row = rows(folder, id="C-006").iloc[0]
    assert (row["note"], row["uc"], row["cause"]) == ("of Otto", before["uc"], before["cause"])
    # another person has nothing to take back
    other, _ = open_desk(chromium, server, who="Nobody Yet")
    assert other.get_by_role("button", name="Undo").is_disabled()
    assert not watch.faults
    other.context.close()
    page.context.close()


def test_a_template_is_kept_for_everybody_and_classes_many_by_one_key(chromium: Any, server: Server, folder: Path) -> None:
    ada, watch = open_desk(chromium, server, who="Ada")
    condition(ada, "C-003")
    wanted = 1 if rows(folder, id="C-003")["cc"].iloc[0] != 1 else 2
    ada.get_by_role("button", name=f"Condition class {wanted}").click()
    fill(ada, "depth_m", "44")
    ada.get_by_role("button", name="Keep as template").click()
    ada.get_by_label("Name", exact=True).fill("deep, urgent")
    ada.get_by_label("Shift with the key").select_option("7")
    ada.get_by_role("dialog").get_by_role("button", name="Store").click()
    saved(ada)
    kept = rows(folder, id="C-003").iloc[0]
    ben, _ = open_desk(chromium, server, who="Ben")
    condition(ben, "C-005")
    ben.locator("#tab-list").click()
    ben.locator(".list tbody button", has_text="C-007").first.click(modifiers=["Shift"])
    ben.locator("#tab-record").click()
    ben.evaluate("document.activeElement.blur()")
    ben.keyboard.press("Shift+Digit7")
    saved(ben)
    table = rows(folder).set_index("id")
    for name in ("C-005", "C-007"):
        assert table.loc[name, "term"] == kept["term"]
        assert (table.loc[name, "cc"], table.loc[name, "depth_m"]) == (wanted, pytest.approx(0.044))
        assert table.loc[name, "family"] == kept["family"]
    # with nothing selected, the next outline is classed by it
    before = set(table.index)
    ben.keyboard.press("Escape")
    ben.keyboard.press("Shift+Digit7")
    ben.keyboard.press("p")
    box = ben.locator(".wall .map").first.bounding_box()
    for x, y in ((0.6, 0.5), (0.66, 0.5), (0.66, 0.56)):
        ben.mouse.click(box["x"] + box["width"] * x, box["y"] + box["height"] * y)
        ben.wait_for_timeout(60)
    ben.keyboard.press("Enter")
    saved(ben)
    table = rows(folder).set_index("id")
    [fresh] = set(table.index) - before
    assert (table.loc[fresh, "term"], table.loc[fresh, "cc"]) == (kept["term"], kept["cc"])
    assert not watch.faults
    ada.context.close()
    ben.context.close()


def test_the_list_of_what_is_missing_follows_the_setting_of_the_project(chromium: Any, server: Server, folder: Path) -> None:
    from facademap.tasks.required import set_required

    page, watch = open_desk(chromium, server)
    page.locator("#tab-missing").click()
    page.locator(".missing").get_by_role("button", name="Change").click()
    dialog = page.get_by_role("dialog")
    for name in ("Term", "Condition class", "Urgency class", "Recommendation class", "Wall stone", "Depth", "Width"):
        dialog.get_by_label(name, exact=False).first.uncheck()
    dialog.get_by_label("Note").check()
    page.keyboard.press("Escape")
    saved(page)
    found = set_required(folder)
    assert found["required"] == ["confirmed_by", "note"]
    wanted = {i for i, columns in found["missing"].items() if "note" in columns}
    section = page.locator(".missing section", has_text="Note")
    assert section.locator(".count").inner_text() == str(len(wanted))
    assert wanted
    assert page.locator(".missing section").count() == 1
    page.keyboard.press("Control+z")
    saved(page)
    assert "note" not in set_required(folder)["required"]
    set_required(folder, default=True)
    assert not watch.faults
    page.context.close()
