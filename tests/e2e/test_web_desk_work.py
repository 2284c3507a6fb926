"""Stories of the survey desk on the scaffold: the record without a connection, undo over a reload, templates, cut-outs, touch."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import desk_sample
import numpy as np
import pytest
from desk_browser import Server, open_desk, ready, saved, until
from desk_sample import rows

from facademap.store.project import Project


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_planned_project(tmp_path_factory.mktemp("work") / "sample", blocks=4)


@pytest.fixture(scope="module")
def snapshot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a phone's camera hands over."""
    path = tmp_path_factory.mktemp("camera") / "IMG_0001.jpg"
    rng = np.random.default_rng(3)
    cv2.imwrite(str(path), rng.integers(0, 255, (240, 320, 3), dtype=np.uint8))
    return path


def free_insets(folder: Path) -> list[str]:
    table = rows(folder, "repairs")
    return [
        str(i)
        for i in table[
            (table["treatment"] == "inset")
            & table["held_back"].isna()
            & (table["stage"] == "proposed")
        ]["id"]
    ]


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


def test_stages_checks_and_photos_wait_in_one_line_and_arrive_in_order(
    chromium: Any, server: Server, folder: Path, snapshot: Path
) -> None:
    repair = free_insets(folder)[0]
    page, _ = open_desk(chromium, server, size=(390, 844), offline_is_fine=True)
    kept = "caches.open('facademap read').then(c => Promise.all(['/api/work/all', '/api/packed/repairs', '/api/project', '/api/schema'].map(a => c.match(a)))).then(all => all.every(Boolean))"
    until(page, kept)  # everything is at hand without a connection
    open_work(page, repair)
    page.context.set_offline(True)
    next_stage(page, "approved")
    until(page, "document.querySelector('.work .figures').textContent.includes('approved')")
    page.locator(".shot input[type=file]").set_input_files(snapshot)
    page.get_by_alt_text("Photo taken").wait_for()
    until(page, "document.querySelector('.shot img').naturalWidth > 0")
    next_stage(page, "cut out")
    page.locator(".check-item", has=page.get_by_role("button", name="Good")).first.get_by_role(
        "button", name="Good"
    ).click()
    page.locator(".check-item.waiting").wait_for()
    until(page, "document.querySelector('.state').textContent.includes('4 kept here')")
    assert len(rows(folder, "work_log", repair=repair)) == 0
    # what waits can be looked at, in its order, with the photo
    page.locator("button.state").click()
    listed = page.get_by_role("dialog").locator("li")
    listed.nth(3).wait_for()
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


def test_an_entry_that_met_another_is_shown_beside_it_and_both_can_stay(
    chromium: Any, server: Server, folder: Path
) -> None:
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
        assert all(
            word in told
            for word in (
                "waits for the crane",
                "seen with the architect",
                "Ada",
                "Ben",
                "on hold",
                "approved",
            )
        )
        assert rows(folder, "repairs", id=repair)["stage"].iloc[0] == "approved"
        dialog.get_by_role("button", name=choice).click()
        saved(ben)
    assert list(rows(folder, "work_log", repair=first)["stage"]) == ["approved", "on hold"]
    assert list(rows(folder, "work_log", repair=second)["stage"]) == ["approved"]
    until(ben, "document.querySelector('.work .figures').textContent.includes('approved')")
    ada.context.close()
    ben.context.close()


def test_an_entry_the_gate_refuses_is_kept_with_the_reason_and_can_be_sent_again(
    chromium: Any, server: Server, folder: Path
) -> None:
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
    page.locator(".work .cut-out form").wait_for()
    piece = rows(folder, "repairs", id=repair).iloc[0]
    u0, v0, u1, v1 = (1000 * v for v in piece.geometry.bounds)
    width, height, depth = u1 - u0, v1 - v0, 1000 * piece["depth_m"]
    diagonal = (width**2 + height**2) ** 0.5
    for label, value in (
        ("Both diagonals", diagonal),
        ("Depth at four corners", depth),
    ):
        for box in (
            page.locator(".work .cut-out").get_by_role("group", name=label).locator("input").all()
        ):
            box.fill(f"{value:.2f}")
    sides = page.locator(".work .cut-out").get_by_role("group", name="Sides by name")
    for side, value in (("top", width), ("right", height), ("bottom", width), ("left", height)):
        sides.get_by_placeholder(side, exact=True).fill(f"{value:.2f}")
    page.get_by_role("button", name="Store measures").click()
    # what was refused is never said to be saved
    saved(page, refused=1)
    page.get_by_role("button", name="1 not stored").click()
    page.get_by_role("button", name="Send again").click()
    page.keyboard.press("Escape")
    saved(page)
    until(page, "document.querySelector('.work .figures').textContent.includes('cut-out measured')")
    assert rows(folder, "repairs", id=repair)["measured"].iloc[0]
    assert list(rows(folder, "work_log", repair=repair)["stage"]) == [
        "approved",
        "cut out",
        "cut-out measured",
    ]
    page.context.close()


def test_the_server_killed_while_work_is_recorded_enters_everything_once(
    chromium: Any, server: Server, folder: Path, snapshot: Path
) -> None:
    repair = free_insets(folder)[0]
    page, _ = open_desk(chromium, server, offline_is_fine=True)
    open_work(page, repair)
    next_stage(page, "approved")
    server.kill()
    page.locator(".shot input[type=file]").set_input_files(snapshot)
    next_stage(page, "cut out")
    server.start()
    until(page, "document.querySelector('.state').textContent === 'All saved'", seconds=40)
    page.locator(".work summary", has_text="Later").click()
    checks = page.locator(".check-item", has=page.get_by_role("button", name="Good"))
    checks.first.get_by_role("button", name="Good").click()
    server.kill()
    checks.first.get_by_role("button", name="Good").click()
    server.start()
    until(page, "document.querySelector('.state').textContent === 'All saved'", seconds=40)
    log = rows(folder, "work_log", repair=repair)
    assert [s for s in log["stage"] if isinstance(s, str)] == ["approved", "cut out"]
    assert (
        len({c for c in log["check"] if isinstance(c, str)})
        == sum(isinstance(c, str) for c in log["check"])
        == 2
    )
    with Project.open(folder) as project:
        assert project.integrity() == []
    page.context.close()


def test_the_photo_sequence_is_filled_place_by_place_and_shows_what_is_missing(
    chromium: Any, server: Server, folder: Path, snapshot: Path
) -> None:
    repair = free_insets(folder)[0]
    page, _ = open_desk(chromium, server, size=(390, 844), offline_is_fine=True)
    open_work(page, repair)
    slots = page.locator(".slots")
    names = slots.locator(".slot").all_inner_texts()
    assert [n.split("\n")[-1] for n in names] == [
        "before",
        "cut out",
        "dry fit",
        "bond side",
        "set",
        "after",
    ]
    assert all("none yet" in n for n in names)
    next_stage(page, "approved")
    next_stage(page, "cut out")
    # nobody can photograph the stone before it was cut any more
    slots.locator(".slot.missed", has_text="before").wait_for()
    page.context.set_offline(True)
    slots.get_by_role("button", name="dry fit").click()
    slots.locator("input[type=file]").set_input_files(snapshot)
    until(page, "document.querySelector('.slots img')?.naturalWidth > 0")
    assert "kept here" in slots.get_by_role("button", name="dry fit").inner_text()
    page.context.set_offline(False)
    saved(page)
    photo = rows(folder, "photos", subject="record")["id"].iloc[-1]
    # a photo that the project has goes where it belongs, and what was chosen by itself is the first one that lacks
    slots.get_by_label("before: a photo that the project has").select_option(photo)
    saved(page)
    until(page, "document.querySelectorAll('.slots .slot img').length === 2")
    assert "2 of 6" in slots.locator("h3").inner_text()
    log = rows(folder, "work_log", repair=repair)
    taken = log[log["photo"].notna()]
    assert list(taken["note"]) == ["photo: dry fit", "photo: before"]
    assert set(taken["photo"]) == {photo}
    page.context.close()


def test_a_way_of_setting_is_told_before_it_can_be_kept(
    chromium: Any, server: Server, folder: Path
) -> None:
    repair = free_insets(folder)[0]
    page, _ = open_desk(chromium, server)
    page.keyboard.press("2")
    page.locator("#tab-list").click()
    page.locator(".list tbody button", has_text=repair).first.click()
    page.locator("#tab-repair").click()
    page.locator(".fixing summary").click()
    panel = page.locator(".fixing")
    assert "straight in" in panel.inner_text()
    keep = panel.get_by_role("button", name="Set it so")
    panel.get_by_label("Way in, degrees down").fill("40")
    panel.locator(".answer", has_text="strikes the cut-out at top").wait_for()
    assert keep.is_disabled()
    panel.get_by_label("Way in, degrees down").fill("0")
    panel.get_by_label("Rods").select_option("resin")
    panel.locator(".answer[role=status]").wait_for()
    assert "Resin cannot be taken out again" in panel.inner_text()
    keep.click()
    until(page, "document.querySelector('.fixing summary').textContent.includes('resin')")
    assert {p["fixing"] for p in rows(folder, "repairs", id=repair)["pins"].iloc[0]} == {"resin"}
    page.context.close()


def test_a_photo_taken_of_a_condition_is_stored_with_it(
    chromium: Any, server: Server, folder: Path, snapshot: Path
) -> None:
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


def test_undo_and_redo_go_on_after_a_reload_and_leave_the_edits_of_others(
    chromium: Any, server: Server, folder: Path
) -> None:
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


def test_a_template_is_kept_for_everybody_and_classes_many_by_one_key(
    chromium: Any, server: Server, folder: Path
) -> None:
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


def test_the_list_of_what_is_missing_follows_the_setting_of_the_project(
    chromium: Any, server: Server, folder: Path
) -> None:
    from facademap.tasks.survey.required import set_required

    page, watch = open_desk(chromium, server)
    page.locator("#tab-missing").click()
    page.locator(".missing").get_by_role("button", name="Change").click()
    dialog = page.get_by_role("dialog")
    for name in (
        "Term",
        "Condition class",
        "Urgency class",
        "Recommendation class",
        "Wall stone",
        "Depth",
        "Width",
    ):
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
    # beside it stands only the check of the whole project
    assert page.locator(".missing section:not(.check-list)").count() == 1
    page.keyboard.press("Control+z")
    saved(page)
    assert "note" not in set_required(folder)["required"]
    set_required(folder, default=True)
    assert not watch.faults
    page.context.close()


# -- cut-outs, pins, faces ---------------------------------------------------------------------------------------------


def on_screen(page: Any, *places: tuple[float, float]) -> list[tuple[float, float]]:
    """Where places of the wall lie on the screen, by the numbers that the readout shows at two corners of the map."""
    box = page.locator(".wall .map").first.bounding_box()
    seen = []
    for x, y in ((0.4, 0.3), (0.7, 0.7)):
        at = (box["x"] + box["width"] * x, box["y"] + box["height"] * y)
        page.mouse.move(*at)
        page.wait_for_timeout(120)
        words = [page.locator(".readout .at span").nth(i).inner_text() for i in range(2)]
        seen.append((*at, *(float(w.split()[1]) for w in words)))
    (x0, y0, u0, v0), (x1, y1, u1, v1) = seen
    return [
        (x0 + (u - u0) * (x1 - x0) / (u1 - u0), y0 + (v - v0) * (y1 - y0) / (v1 - v0))
        for u, v in places
    ]


def plain_inset(folder: Path, *, last: bool = False) -> Any:
    """A planned inset that lies within its stone and has pins."""
    table = rows(folder, "repairs")
    fits = [
        r
        for _, r in table.iterrows()
        if r["treatment"] == "inset"
        and r["stage"] == "proposed"
        and set(r["edge_kinds"]) == {"inset"}
        and len(r["pins"])
    ]
    return fits[-1 if last else 0]


def choose_repair(page: Any, repair: str) -> None:
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("2")
    page.locator("#tab-list").click()
    page.locator(".list tbody button", has_text=repair).first.click()
    page.locator("#tab-repair").click()
    page.wait_for_timeout(500)
    page.evaluate("document.activeElement.blur()")


def drag(page: Any, start: tuple[float, float], by: tuple[float, float]) -> None:
    page.mouse.move(*start)
    page.mouse.down()
    for share in (0.3, 0.7, 1.0):
        page.mouse.move(start[0] + by[0] * share, start[1] + by[1] * share)
        page.wait_for_timeout(40)
    page.mouse.up()


def test_a_side_and_a_pin_of_a_cut_out_are_dragged_on_the_wall(
    chromium: Any, server: Server, folder: Path
) -> None:
    row = plain_inset(folder)
    u0, v0, u1, v1 = row.geometry.bounds
    page, watch = open_desk(chromium, server, who="Cutter")
    choose_repair(page, row["id"])
    page.keyboard.press("e")
    [side, other] = on_screen(page, (u1, (v0 + v1) / 2), (u1 + 0.03, (v0 + v1) / 2))
    drag(page, side, (other[0] - side[0], 25.0))
    saved(page)
    after = rows(folder, "repairs", id=row["id"]).iloc[0]
    # the side moves square to itself, whatever the pointer does along it
    assert after.geometry.bounds[2] == pytest.approx(u1 + 0.03, abs=0.003)
    assert (
        after.geometry.bounds[0],
        after.geometry.bounds[1],
        after.geometry.bounds[3],
    ) == pytest.approx((u0, v0, v1), abs=1e-5)
    piece = rows(folder, "pieces", repair=row["id"]).iloc[0]
    assert piece["width_m"] == pytest.approx(
        after.geometry.bounds[2] - u0 - after["edges"][0] - after["edges"][2], abs=1e-4
    )
    pin = after["pins"][0]
    [start, end] = on_screen(
        page, (pin["u_m"], pin["v_m"]), (pin["u_m"] + 0.012, pin["v_m"] + 0.008)
    )
    drag(page, start, (end[0] - start[0], end[1] - start[1]))
    saved(page)
    moved = rows(folder, "repairs", id=row["id"]).iloc[0]["pins"]
    assert (moved[0]["u_m"], moved[0]["v_m"]) == pytest.approx(
        (pin["u_m"] + 0.012, pin["v_m"] + 0.008), abs=0.003
    )
    assert moved[1:] == after["pins"][1:]
    # a joint and a pin by numbers
    page.get_by_label("Joint of side 1 in millimetres").fill("5")
    page.get_by_label("Joint of side 1 in millimetres").press("Enter")
    page.get_by_label("Pin 1 from the left of the piece in millimetres").fill("60")
    page.get_by_label("Pin 1 from the left of the piece in millimetres").press("Enter")
    saved(page)
    after = rows(folder, "repairs", id=row["id"]).iloc[0]
    assert after["edges"][0] == pytest.approx(0.005)
    left = rows(folder, "pieces", repair=row["id"]).iloc[0].geometry.bounds[0]
    assert after["pins"][0]["u_m"] == pytest.approx(left + 0.060, abs=2e-4)
    page.evaluate("document.activeElement.blur()")
    for _ in range(4):
        page.keyboard.press("Control+z")
        saved(page)
    back = rows(folder, "repairs", id=row["id"]).iloc[0]
    assert back.geometry.equals_exact(row.geometry, 1e-9)
    assert (back["pins"], back["edges"], back["rule"]) == (row["pins"], row["edges"], row["rule"])
    assert not watch.faults
    page.context.close()


def test_a_face_is_measured_by_points_and_its_flaw_is_drawn(
    chromium: Any, server: Server, folder: Path, tmp_path: Path
) -> None:
    """The picture is drawn here: a face of 600 x 300 mm seen askew, with four points of known place on it."""
    rng = np.random.default_rng(11)
    corners = np.array([[210, 560], [850, 610], [820, 250], [240, 190]], dtype=np.float32)
    matrix = cv2.getPerspectiveTransform(
        np.array([[0, 0], [600, 0], [600, 300], [0, 300]], dtype=np.float32), corners
    )
    picture = np.clip(np.array([60, 66, 58]) + rng.normal(0, 9, (760, 1040, 3)), 0, 255)
    mask = np.zeros(picture.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(corners * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    share = mask[..., None] / 255.0
    picture = (
        picture * (1 - share)
        + np.clip(np.array([205, 184, 150]) + rng.normal(0, 7, picture.shape), 0, 255) * share
    )
    path = tmp_path / "face.png"
    cv2.imwrite(str(path), np.clip(picture, 0, 255).astype(np.uint8)[..., ::-1])
    page, watch = open_desk(chromium, server, who="Measurer")
    page.keyboard.press("3")
    page.get_by_role("button", name="New block").click()
    saved(page)
    before = set(rows(folder, "faces")["id"])
    page.locator(".block input[type=file]").set_input_files(path)
    dialog = page.get_by_role("dialog")
    dialog.wait_for()
    page.wait_for_timeout(600)

    def click(*mm: float) -> None:
        x, y = cv2.perspectiveTransform(np.array([[mm]], dtype=np.float64), matrix)[0, 0]
        view = dialog.locator(".measure-photo .map").bounding_box()
        # the whole photo is shown, with ten pixels round it
        scale = min((view["width"] - 20) / 1040, (view["height"] - 20) / 760)
        left, top = (
            view["x"] + (view["width"] - 1040 * scale) / 2,
            view["y"] + (view["height"] - 760 * scale) / 2,
        )
        page.mouse.click(left + (x + 0.5) * scale, top + (y + 0.5) * scale)
        page.wait_for_timeout(350)

    dialog.get_by_label("Scale from").select_option("points")
    places = [(20.0, 20.0), (580.0, 20.0), (580.0, 280.0), (20.0, 280.0)]
    for number, (x, y) in enumerate(places, start=1):
        dialog.get_by_label(f"x of point {number} in millimetres").fill(str(x))
        dialog.get_by_label(f"y of point {number} in millimetres").fill(str(y))
        click(x, y)
    click(300.0, 150.0)
    dialog.get_by_role("button", name="Find the outline").click()
    dialog.get_by_role("button", name="Draw a flaw").wait_for(timeout=30_000)
    told = dialog.locator("p[role=status]").inner_text()
    assert "miss by" in told
    dialog.get_by_role("button", name="Draw a flaw").click()
    flaw = [(350.0, 80.0), (450.0, 80.0), (450.0, 200.0), (350.0, 200.0)]
    for x, y in flaw:
        click(x, y)
    dialog.get_by_role("button", name="End the flaw").click()
    dialog.get_by_label("Kind of flaw 1").select_option("spall")
    dialog.get_by_label("Depth of flaw 1 in millimetres").fill("35")
    dialog.get_by_label("Usable depth, mm").fill("250")
    dialog.get_by_role("button", name="Store this face").click()
    dialog.wait_for(state="detached", timeout=30_000)
    saved(page)
    table = rows(folder, "faces")
    face = table[~table["id"].isin(before)].iloc[0]
    # clicks are good to about one pixel of the screen, here 2 mm on the face
    assert (face["width_m"], face["height_m"]) == pytest.approx((0.600, 0.300), abs=0.006)
    [kept] = face["flaws"]
    assert (kept["kind"], kept["depth_m"]) == ("spall", pytest.approx(0.035))
    ring = np.array(kept["ring"])
    assert np.ptp(ring, axis=0) == pytest.approx((0.100, 0.120), abs=0.006)
    assert ring.min(axis=0) == pytest.approx((0.350, 0.080), abs=0.008)
    page.locator(".face-plan .flaw").wait_for()
    assert not watch.faults
    page.context.close()


def test_a_face_that_cannot_be_traced_is_drawn_by_hand(
    chromium: Any, server: Server, folder: Path, tmp_path: Path
) -> None:
    """A photo in which nothing stands out: the refusal says why, and the outline is drawn corner by corner."""
    path = tmp_path / "flat.png"
    cv2.imwrite(str(path), np.full((700, 1000, 3), 128, np.uint8))
    page, watch = open_desk(chromium, server, who="Drawer")
    page.keyboard.press("3")
    page.get_by_role("button", name="New block").click()
    saved(page)
    before = set(rows(folder, "faces")["id"])
    page.locator(".block input[type=file]").set_input_files(path)
    dialog = page.get_by_role("dialog")
    dialog.wait_for()
    page.wait_for_timeout(600)

    def click(*places: tuple[float, float]) -> None:
        view = dialog.locator(".measure-photo .map").bounding_box()
        scale = min((view["width"] - 20) / 1000, (view["height"] - 20) / 700)
        left = view["x"] + (view["width"] - 1000 * scale) / 2
        top = view["y"] + (view["height"] - 700 * scale) / 2
        for x, y in places:
            page.mouse.click(left + (x + 0.5) * scale, top + (y + 0.5) * scale)
            page.wait_for_timeout(350)

    dialog.get_by_role("textbox", name="Known length").fill("60 cm")
    click((200, 600), (800, 600), (500, 300))
    dialog.get_by_role("button", name="Find the outline").click()
    alert = dialog.get_by_role("alert")
    alert.wait_for(timeout=30_000)
    assert "draw the outline by hand" in alert.inner_text()
    dialog.get_by_role("button", name="Draw the outline by hand").click()
    # corners in an order that crosses: it is said, and cannot be ended, until the last two are put right
    click((250, 150), (750, 400), (750, 150), (250, 400))
    end = dialog.get_by_role("button", name="End the outline")
    assert end.is_disabled()
    for _ in range(3):
        dialog.get_by_role("button", name="Corner back").click()
    click((750, 150), (750, 400), (250, 400))
    end.click()
    dialog.get_by_role("button", name="Measure it").click()
    dialog.get_by_role("button", name="Draw a flaw").wait_for(timeout=30_000)
    dialog.get_by_label("Usable depth, mm").fill("abc")
    assert dialog.get_by_role("button", name="Store this face").is_disabled()
    dialog.get_by_label("Usable depth, mm").fill("25 cm")
    dialog.get_by_role("button", name="Store this face").click()
    dialog.wait_for(state="detached", timeout=30_000)
    saved(page)
    table = rows(folder, "faces")
    face = table[~table["id"].isin(before)].iloc[0]
    # clicks are good to about one pixel of the screen, here 2 mm on the face
    assert (face["width_m"], face["height_m"]) == pytest.approx((0.500, 0.250), abs=0.006)
    assert face["usable_depth_m"] == pytest.approx(0.25)
    # the refusal of the trace is an answer 400
    assert [fault for fault in watch.faults if "400" not in fault] == []
    page.context.close()


# -- fingers and pens ----------------------------------------------------------------------------------------------------


class Fingers:
    """Touches sent through the browser's own input, as a touch screen sends them."""

    def __init__(self, page: Any) -> None:
        self.page, self.session = page, page.context.new_cdp_session(page)
        self.box = page.locator(".wall .map").first.bounding_box()

    def at(self, x: float, y: float) -> tuple[float, float]:
        return self.box["x"] + self.box["width"] * x, self.box["y"] + self.box["height"] * y

    def send(self, kind: str, *places: tuple[float, float]) -> None:
        points = [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(places)]
        self.session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
        self.page.wait_for_timeout(20)

    def tap(self, place: tuple[float, float]) -> None:
        self.send("touchStart", place)
        self.send("touchEnd")
        self.page.wait_for_timeout(330)

    def move(self, *paths: tuple[tuple[float, float], tuple[float, float]]) -> None:
        self.send("touchStart", *(a for a, _ in paths))
        for step in range(1, 11):
            self.send(
                "touchMove",
                *(
                    (a[0] + (b[0] - a[0]) * step / 10, a[1] + (b[1] - a[1]) * step / 10)
                    for a, b in paths
                ),
            )
        self.page.wait_for_timeout(120)  # held still before it lifts, so that nothing glides on
        self.send("touchEnd")
        self.page.wait_for_timeout(400)

    def pen(self, places: list[tuple[float, float]]) -> None:
        for i, (x, y) in enumerate(places):
            kind = "mousePressed" if i == 0 else "mouseMoved"
            self.session.send(
                "Input.dispatchMouseEvent",
                {
                    "type": kind,
                    "x": x,
                    "y": y,
                    "button": "left",
                    "buttons": 1,
                    "pointerType": "pen",
                    "force": 0.6,
                    "clickCount": 1,
                },
            )
        x, y = places[-1]
        self.session.send(
            "Input.dispatchMouseEvent",
            {
                "type": "mouseReleased",
                "x": x,
                "y": y,
                "button": "left",
                "pointerType": "pen",
                "clickCount": 1,
            },
        )


@pytest.mark.parametrize(
    "size", [(390, 844), (820, 1180), (1180, 820)], ids=["phone", "tablet upright", "tablet lying"]
)
def test_fingers_and_a_pen_draw_change_pan_and_pinch(
    chromium: Any, server: Server, folder: Path, size: tuple[int, int]
) -> None:
    context = chromium.new_context(
        viewport={"width": size[0], "height": size[1]},
        has_touch=True,
        is_mobile=True,
        device_scale_factor=2,
        reduced_motion="reduce",
    )
    context.add_init_script(
        "localStorage.setItem('facademap desk', JSON.stringify({who: 'Toucher', tourSeen: true, snapping: false}))"
    )
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(server.address)
    ready(page)
    fingers = Fingers(page)

    def draw(*places: tuple[float, float]) -> Any:
        """A triangle by taps, ended by the button for fingers; its outline on the wall."""
        before = set(rows(folder)["id"])
        page.get_by_role("button", name="Outline", exact=True).tap()
        for place in places:
            fingers.tap(place)
        page.locator(".sketch-bar").get_by_role("button", name="End").tap()
        page.locator(".naming .offer").tap()  # what it is, is said by a person
        saved(page)
        table = rows(folder).set_index("id")
        [fresh] = set(table.index) - before
        return fresh, np.array(table.loc[fresh].geometry.exterior.coords)[:-1]

    px = [fingers.at(0.55, 0.40), fingers.at(0.80, 0.42), fingers.at(0.60, 0.62)]

    def frame_of(corners: np.ndarray) -> tuple[float, float, float]:
        """Metres a pixel and the place of the map's corner, from three corners and where they were tapped."""
        order = [
            int(np.argmin(corners[:, 0])),
            int(np.argmax(corners[:, 0])),
            int(np.argmin(corners[:, 1])),
        ]
        u, v = corners[order[0]]
        scale = (corners[order[1]][0] - u) / (px[1][0] - px[0][0])
        return scale, u - px[0][0] * scale, v + px[0][1] * scale

    _, corners = draw(*px)
    scale, left, top = frame_of(corners)
    assert scale > 0
    # one finger moves the wall by as much as it moves itself
    page.get_by_role("button", name="Select", exact=True).tap()
    fingers.move(
        (fingers.at(0.7, 0.6), (fingers.at(0.7, 0.6)[0] - 60, fingers.at(0.7, 0.6)[1] - 25))
    )
    _, corners = draw(*px)
    scale_b, left_b, top_b = frame_of(corners)
    assert scale_b == pytest.approx(scale, rel=0.01)
    # a touch screen takes the first few pixels for a tap that trembles
    assert (left_b - left) / scale == pytest.approx(60, abs=10)
    assert (top_b - top) / scale == pytest.approx(-25, abs=10)
    # two fingers make it larger, also in the middle of a drawing
    page.get_by_role("button", name="Select", exact=True).tap()
    middle = fingers.at(0.65, 0.5)
    fingers.move(
        ((middle[0] - 40, middle[1]), (middle[0] - 80, middle[1])),
        ((middle[0] + 40, middle[1]), (middle[0] + 80, middle[1])),
    )
    name, corners = draw(*px)
    scale_c, *_ = frame_of(corners)
    assert scale_b / scale_c == pytest.approx(2.0, rel=0.15)
    # a corner follows the finger
    page.get_by_role("button", name="Change", exact=True).tap()
    page.wait_for_timeout(300)
    fingers.move((px[1], (px[1][0] + 24, px[1][1] - 16)))
    saved(page)
    moved = np.array(rows(folder, id=name).geometry.iloc[0].exterior.coords)[:-1]
    far = moved[int(np.argmax(moved[:, 0]))] - corners[int(np.argmax(corners[:, 0]))]
    assert far / scale_c == pytest.approx((24, 16), abs=3)
    # a pen draws round the damage
    page.get_by_role("button", name="Freehand", exact=True).tap()
    before = set(rows(folder)["id"])
    angle = np.linspace(0, 2 * np.pi, 40)
    centre = fingers.at(0.66, 0.5)
    fingers.pen([(centre[0] + 42 * np.cos(a), centre[1] + 42 * np.sin(a)) for a in angle])
    page.locator(".naming .offer").tap()
    saved(page)
    table = rows(folder).set_index("id")
    [fresh] = set(table.index) - before
    assert table.loc[fresh].geometry.area == pytest.approx(np.pi * (42 * scale_c) ** 2, rel=0.06)
    assert not faults
    context.close()


def test_a_finger_moves_the_side_of_a_cut_out(chromium: Any, server: Server, folder: Path) -> None:
    row = plain_inset(folder, last=True)
    u0, v0, u1, v1 = row.geometry.bounds
    context = chromium.new_context(
        viewport={"width": 820, "height": 1180},
        has_touch=True,
        device_scale_factor=2,
        reduced_motion="reduce",
    )
    context.add_init_script(
        "localStorage.setItem('facademap desk', JSON.stringify({who: 'Toucher', tourSeen: true}))"
    )
    page = context.new_page()
    page.goto(server.address)
    ready(page)
    choose_repair(page, row["id"])
    page.get_by_role("button", name="Change", exact=True).tap()
    side, target = on_screen(page, (u1, (v0 + v1) / 2), (u1 + 0.02, (v0 + v1) / 2))
    # a finger does not hit the handle exactly
    Fingers(page).move(((side[0] + 9, side[1] - 8), (target[0] + 9, target[1] - 8)))
    saved(page)
    bounds = rows(folder, "repairs", id=row["id"]).iloc[0].geometry.bounds
    assert bounds[2] == pytest.approx(u1 + 0.02, abs=0.006)
    assert bounds[:2] == pytest.approx((u0, v0), abs=1e-5)
    context.close()


# -- dialogs and the tour ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "theme"), [((1280, 800), "day"), ((390, 844), "sun"), ((390, 844), "dark")]
)
def test_the_tour_points_at_what_it_speaks_of_and_every_dialog_passes_axe(
    chromium: Any, server: Server, folder: Path, size: tuple[int, int], theme: str
) -> None:
    from test_web_desk import axe_source

    page, watch = open_desk(chromium, server, size=size, remember={"theme": theme})
    source, found = axe_source(), []

    def look(where: str) -> None:
        page.wait_for_timeout(200)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), where
        page.evaluate(source)
        result = page.evaluate(
            "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa']})"
        )
        found.extend(
            f"{where}: {v['id']} {v['nodes'][0]['html'][:160]} {v['nodes'][0].get('failureSummary', '')[:200]}"
            for v in result["violations"]
        )

    page.locator("button.state").click()
    look("what waits")
    page.keyboard.press("Escape")
    page.locator("#tab-missing").click()
    page.locator(".missing").get_by_role("button", name="Change").click()
    look("required")
    page.keyboard.press("Escape")
    condition(page, "C-003")
    look("condition with templates")
    page.get_by_role("button", name="Keep as template").click()
    look("template")
    page.keyboard.press("Escape")
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("e")
    choose_repair(page, plain_inset(folder)["id"])
    page.locator(".repair summary", has_text="Joints and pins").click()
    look("joints and pins")
    page.get_by_role("button", name="Keys and help").click()
    page.get_by_role("button", name="Show me round").click()
    spoken = {}
    for step in range(1, 9):
        page.wait_for_timeout(400)
        spot, dialog = (
            page.locator(".tour-spot").bounding_box(),
            page.get_by_role("dialog").bounding_box(),
        )
        title = page.locator(".tour h2").inner_text()
        spoken[title] = (spot["x"], spot["y"], spot["width"], spot["height"])
        if spot["width"] < size[0] * 0.5:  # a small thing is not covered by the words about it
            apart = (
                dialog["x"] >= spot["x"] + spot["width"]
                or spot["x"] >= dialog["x"] + dialog["width"]
                or dialog["y"] >= spot["y"] + spot["height"]
                or spot["y"] >= dialog["y"] + dialog["height"]
            )
            assert apart, title
        assert dialog["x"] >= 0
        assert dialog["x"] + dialog["width"] <= size[0]
        if step in (1, 4):
            look(f"tour {title}")
        page.get_by_role("button", name="Next" if step < 8 else "Begin").click()
    assert len(spoken) == 8
    assert len(set(spoken.values())) == 8
    tab = page.locator("#tab-missing").bounding_box()
    x, y, w, h = spoken["What is missing"]
    assert x <= tab["x"]
    assert y <= tab["y"]
    assert x + w >= tab["x"] + tab["width"]
    assert y + h >= tab["y"] + tab["height"]
    assert page.get_by_role("dialog").count() == 0
    assert not found
    assert not watch.faults
    page.context.close()
