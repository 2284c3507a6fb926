"""What surveyors, conservators, masons and reviewers do at the desk, as they do it."""

from __future__ import annotations

import json
import math
import re
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any

import cv2
import desk_sample
import numpy as np
import pytest
from desk_browser import Server, on_wall, open_desk, ready, saved, until, workplace
from desk_sample import rows

from facademap.store.project import Project

DESK = Path(__file__).parents[2] / "facademap" / "web" / "frontend" / "src" / "desk"
CATALOGUE = "\n".join(
    p.read_text(encoding="utf-8") for p in sorted((DESK / "words").glob("english*.js"))
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_planned_project(tmp_path_factory.mktemp("users") / "sample", blocks=5)


def inset(folder: Path, *, stage: str = "proposed") -> str:
    """An inset within its stone that nothing holds back."""
    table = rows(folder, "repairs")
    return next(
        str(r["id"])
        for _, r in table.iterrows()
        if r["treatment"] == "inset"
        and r["stage"] == stage
        and r["held_back"] is None
        and set(r["edge_kinds"]) == {"inset"}
        and len(r["pins"])
    )


def choose(page: Any, id: str, tab: str) -> None:
    page.locator("#tab-list").click()
    page.locator(".list input[type=search]").fill(id)
    page.locator(".list tbody button", has_text=id).first.click()
    page.locator(f"#tab-{tab}").click()
    page.wait_for_timeout(400)


# -- the surveyor ----------------------------------------------------------------------------------------------------------


def drawn(page: Any) -> None:
    """Until the page has drawn what was done, as a person would see it before going on."""
    page.evaluate(
        "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done, 60))))"
    )


def test_ten_defects_are_drawn_and_classed_without_leaving_the_keys(
    chromium: Any, server: Server, folder: Path
) -> None:
    """Each takes its corners, Enter twice, a digit a class, the depth and Enter; the tool stays in hand."""
    page, watch = open_desk(chromium, server, remember={"snapping": False})
    before = set(rows(folder)["id"])
    page.keyboard.press("p")
    for k in range(10):
        x, y = 0.34 + 0.055 * (k % 5), 0.35 + 0.2 * (k // 5)
        for corner in ((x, y), (x + 0.03, y), (x + 0.03, y + 0.05)):
            page.mouse.click(*on_wall(page, *corner))
            drawn(page)
        page.keyboard.press("Enter")
        drawn(page)
        page.keyboard.press("Enter")
        until(page, "document.activeElement.classList.contains('seg')")
        page.keyboard.type(f"{k % 4}{(k + 1) % 4}{(k + 2) % 4}")
        until(page, "document.activeElement.id === 'field-conditions-depth_m'")
        page.keyboard.type(str(10 + k))
        page.keyboard.press("Enter")
        drawn(page)
    page.wait_for_timeout(300)
    saved(page)
    table = rows(folder)
    fresh = table[~table["id"].isin(before)].sort_values("depth_m")
    assert list(fresh["depth_m"]) == pytest.approx([(10 + k) / 1000 for k in range(10)])
    assert [tuple(int(v) for v in r) for r in fresh[["cc", "uc", "rc"]].to_numpy()] == [
        (k % 4, (k + 1) % 4, (k + 2) % 4) for k in range(10)
    ]
    assert not watch.faults
    page.context.close()


def test_what_is_required_is_marked_where_it_is_typed(chromium: Any, server: Server) -> None:
    page, watch = open_desk(chromium, server, remember={"snapping": False})
    page.keyboard.press("p")
    for corner in ((0.4, 0.2), (0.44, 0.2), (0.44, 0.26)):
        page.mouse.click(*on_wall(page, *corner))
        page.wait_for_timeout(60)
    page.keyboard.press("Enter")
    # a person says what it is: here the term that is offered
    page.keyboard.press("Enter")
    marked = page.locator(".record .lacking")
    until(
        page, "document.querySelectorAll('.record .lacking').length === 4"
    )  # three classes and the depth
    page.get_by_role("button", name="Condition class 1").click()
    until(page, "document.querySelectorAll('.record .lacking').length === 3")
    assert "required" in marked.first.inner_text()
    assert not watch.faults
    page.context.close()


def test_a_corner_is_chosen_moved_added_and_taken_out_by_keys_alone(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server)
    choose(page, "C-003", "record")
    before = rows(folder, id="C-003").geometry.iloc[0]
    corners = np.array(before.exterior.coords)[:-1]
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("e")
    page.keyboard.press(".")
    for _ in range(3):
        page.keyboard.press("Shift+ArrowRight")
    page.wait_for_timeout(900)  # the keys rest: one edit
    saved(page)
    after = np.array(rows(folder, id="C-003").geometry.iloc[0].exterior.coords)[:-1]
    moved = after - corners
    assert np.count_nonzero(np.abs(moved).sum(axis=1) > 1e-6) == 1
    assert moved.max() > 0.001
    page.keyboard.press(" ")
    saved(page)
    assert len(rows(folder, id="C-003").geometry.iloc[0].exterior.coords) == len(corners) + 2
    page.keyboard.press(".")
    page.keyboard.press("Delete")
    saved(page)
    assert np.array(rows(folder, id="C-003").geometry.iloc[0].exterior.coords)[
        :-1
    ] == pytest.approx(after, abs=1e-6)
    # three edits: each is taken back by one key
    for _ in range(3):
        page.keyboard.press("Control+z")
        saved(page)
    assert rows(folder, id="C-003").geometry.iloc[0].equals_exact(before, 1e-6)
    assert not watch.faults
    page.context.close()


def test_an_earlier_version_is_brought_back_from_the_history(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server)
    choose(page, "C-005", "record")
    note = page.locator("#field-conditions-note")
    for text in ("first thought", "second thought"):
        note.fill(text)
        note.press("Tab")
        saved(page)
    page.get_by_role("button", name="History").first.click()
    page.locator("dialog .history > li", has_text="first thought").last.get_by_role(
        "button", name="Back to this"
    ).click()
    saved(page)
    assert rows(folder, id="C-005").iloc[0]["note"] == "first thought"
    page.keyboard.press("Control+z")
    saved(page)
    assert rows(folder, id="C-005").iloc[0]["note"] == "second thought"
    assert not watch.faults
    page.context.close()


def test_the_sheet_grows_for_the_table_and_its_tabs_answer_to_arrows(
    chromium: Any, server: Server
) -> None:
    page, watch = open_desk(chromium, server)
    page.locator("#tab-record").focus()
    page.keyboard.press("ArrowRight")
    assert page.evaluate("document.activeElement.id") == "tab-list"
    assert page.locator("#tab-list").get_attribute("aria-selected") == "true"
    narrow = page.locator(".sheet").bounding_box()["width"]
    page.get_by_role("separator", name="Width of the sheet").focus()
    for _ in range(5):
        page.keyboard.press("ArrowLeft")
    wide = page.locator(".sheet").bounding_box()["width"]
    assert wide == pytest.approx(narrow + 200, abs=2)
    page.reload()
    ready(page)
    assert page.locator(".sheet").bounding_box()["width"] == pytest.approx(wide, abs=2)
    assert not watch.faults
    page.context.close()


def test_the_edge_between_two_surveys_is_drawn_by_its_grip_and_says_what_lies_on_each_side(
    chromium: Any, server: Server, folder: Path
) -> None:
    with Project.open(folder) as project, project.edit(who="ada", what="second survey") as edit:
        edit.insert(
            "conditions",
            [
                {
                    "id": "C-900",
                    "surface": desk_sample.SURFACE,
                    "term": "alga",
                    "family": "E",
                    "survey": "2",
                    "geometry": project.row("conditions", "C-001")["geometry"].buffer(0.1),
                }
            ],
        )
    page, watch = open_desk(chromium, server)
    page.locator("#tab-layers").click()
    page.get_by_label("Compare two surveys").check()
    grip, wall = page.locator(".swipe .grip i").bounding_box(), page.locator(".wall").bounding_box()
    page.mouse.move(grip["x"] + 18, grip["y"] + 18)
    page.mouse.down()
    page.mouse.move(wall["x"] + wall["width"] * 0.3, grip["y"] + 18, steps=4)
    page.mouse.up()
    assert float(page.get_by_role("slider", name="Compare").input_value()) == pytest.approx(
        0.3, abs=0.01
    )
    assert page.locator(".swipe .side").all_inner_texts() == ["survey 1", "survey 2"]
    assert not watch.faults
    page.context.close()


def test_the_list_is_filtered_by_every_class(chromium: Any, server: Server, folder: Path) -> None:
    page, watch = open_desk(chromium, server)
    page.locator("#tab-list").click()
    table = rows(folder)
    for column in ("cc", "uc", "rc"):
        level = int(table[column].dropna().iloc[0])
        page.get_by_label("Filter").select_option(f"{column}{level}")
        until(
            page,
            f"document.querySelector('.list .count').textContent.startsWith('{int((table[column] == level).sum())} of {len(table)}')",
        )
    assert not watch.faults
    page.context.close()


# -- several people --------------------------------------------------------------------------------------------------------


def offline_edits(page: Any, id: str, **texts: str) -> None:
    choose(page, id, "record")
    page.context.set_offline(True)
    for name, text in texts.items():
        page.locator(f"#field-conditions-{name}").fill(text)
        page.locator(f"#field-conditions-{name}").press("Tab")
    until(page, "document.querySelector('.state').textContent.includes('No connection')")


def test_everything_that_waits_for_a_row_is_chosen_at_once_and_nothing_of_theirs_is_lost_unseen(
    chromium: Any, server: Server, folder: Path
) -> None:
    """Two edits wait, and somebody else changed both columns: the second is not written over theirs without a word."""
    page, _ = open_desk(chromium, server, who="Ben", offline_is_fine=True)
    offline_edits(page, "C-006", cause="frost", note="of Ben")
    with Project.open(folder) as project, project.edit(who="Ada", what="both") as edit:
        edit.update("conditions", "C-006", {"cause": "salt", "note": "of Ada", "depth_m": 0.033})
    page.context.set_offline(False)
    dialog = page.get_by_role("dialog")
    dialog.wait_for(timeout=30_000)
    told = dialog.inner_text()
    assert all(word in told for word in ("frost", "salt", "of Ben", "of Ada"))
    dialog.locator("tr", has_text="of Ada").locator("input[type=radio]").last.check()
    dialog.get_by_role("button", name="Keep as chosen").click()
    saved(page)
    row = rows(folder, id="C-006").iloc[0]
    assert (row["cause"], row["note"]) == ("frost", "of Ada")
    assert row["depth_m"] == pytest.approx(0.033)
    until(page, "document.querySelector('#field-conditions-note').value === 'of Ada'")
    assert page.get_by_role("dialog").count() == 0
    page.context.close()


def test_what_is_being_typed_stays_while_somebody_else_stores_there(
    chromium: Any, server: Server, folder: Path
) -> None:
    first, watch = open_desk(chromium, server, who="Ada", offline_is_fine=True)
    second, _ = open_desk(chromium, server, who="Ben", offline_is_fine=True)
    mine, other = (str(i) for i in rows(folder)["id"][:2])
    for page in (first, second):
        choose(page, mine, "record")
    note = first.locator("#field-conditions-note")
    note.fill("Ada is typing")
    second.locator("#field-conditions-note").fill("Ben was first")
    second.keyboard.press("Tab")
    saved(second)
    until(first, "document.body.innerText.includes('Ben was first')")
    assert note.input_value() == "Ada is typing"
    note.press("Escape")
    assert note.input_value() == "Ben was first"
    # what is typed about one thing is never shown, or stored, at another
    depth = first.locator("#field-conditions-depth_m")
    depth.fill("abc")
    depth.press("Tab")
    first.evaluate(f"location.hash = 'condition={other}'")
    until(first, f"document.querySelector('.sheet .head .id').textContent.includes('{other}')")
    assert first.locator("#field-conditions-depth_m").input_value() != "abc"
    assert rows(folder, id=mine)["note"].iloc[0] == "Ben was first"
    assert not watch.faults
    for page in (first, second):
        page.context.close()


def test_what_was_deleted_meanwhile_comes_back_whole(
    chromium: Any, server: Server, folder: Path
) -> None:
    before = rows(folder, id="C-008").iloc[0]
    page, _ = open_desk(chromium, server, who="Ben", offline_is_fine=True)
    offline_edits(page, "C-008", note="still there", cause="driving rain")
    with Project.open(folder) as project, project.edit(who="Ada", what="delete") as edit:
        edit.delete("conditions", "C-008")
    page.context.set_offline(False)
    page.get_by_role("button", name="Bring back").click(timeout=30_000)
    saved(page)
    row = rows(folder, id="C-008").iloc[0]
    assert (row["note"], row["cause"]) == ("still there", "driving rain")
    assert row.geometry.equals_exact(before.geometry, 1e-6)
    assert (row["term"], row["depth_m"], row["survey"]) == (
        before["term"],
        pytest.approx(before["depth_m"]),
        before["survey"],
    )
    assert page.get_by_role("button", name=re.compile("not stored")).count() == 0
    page.context.close()


# -- the conservator -------------------------------------------------------------------------------------------------------


def test_a_block_is_chosen_by_looking_at_it_in_the_wall(
    chromium: Any, server: Server, folder: Path
) -> None:
    repair = inset(folder)
    page, watch = open_desk(chromium, server)
    workplace(page, "2")
    choose(page, repair, "repair")
    page.get_by_role("button", name=re.compile("Show all")).click()
    page.locator(".ranked .seen").first.click()
    dialog = page.get_by_role("dialog")
    sources = "[...document.querySelectorAll('.closer img')].every((i) => i.complete && i.naturalWidth > 200)"
    until(page, sources)
    now, then = (i.get_attribute("src") for i in dialog.locator("img").all())
    assert "now=1" in now
    seen = [
        page.evaluate(
            "(a) => fetch(a).then((r) => r.arrayBuffer()).then((b) => Array.from(new Uint8Array(b)))",
            a,
        )
        for a in (now, then)
    ]
    pictures = [
        cv2.imdecode(np.array(data, np.uint8), cv2.IMREAD_COLOR).astype(int) for data in seen
    ]
    # the same piece of wall, and only what will be cut differs
    assert pictures[0].shape == pictures[1].shape
    apart = np.abs(pictures[0] - pictures[1]).max(axis=2) > 24
    assert apart.mean() > 0.02
    assert not apart[: apart.shape[0] // 10].any()
    chosen = (
        dialog.get_by_label("Right picture").locator("option:checked").inner_text().split(" ")[0]
    )
    dialog.get_by_role("button", name=f"Assign {chosen}").click()
    saved(page)
    assert rows(folder, "pieces", repair=repair).iloc[0]["lock_block"] == chosen
    assert not watch.faults
    page.context.close()


def test_each_slab_of_a_face_has_a_drawing_of_its_own(chromium: Any, tmp_path: Path) -> None:
    """Two pieces behind each other on one face, laid there by hand."""
    from facademap.tasks.match.match import match_project
    from facademap.tasks.plan.plan import plan_project

    folder = desk_sample.make_project(tmp_path / "slabs", many=14, blocks=3)
    with Project.open(folder) as project, project.edit(who="sample", what="settled") as edit:
        for id in project.read("conditions")["id"]:
            edit.update("conditions", id, {"cause": "gutter", "cause_settled": True})
    plan_project(folder)
    match_project(folder, time_limit_s=3)
    with Project.open(folder) as project:
        first = project.read("placements").to_dict("records")[0]
        other = next(
            r
            for r in project.read("placements").to_dict("records")
            if r["repair"] != first["repair"]
        )
        with project.edit(who="sample", what="second slab") as edit:
            edit.update("placements", first["id"], {"slab": 0, "slab_thicknesses": [0.12, 0.10]})
            edit.update(
                "placements",
                other["id"],
                {
                    "block": first["block"],
                    "face": first["face"],
                    "slab": 1,
                    "slab_thicknesses": [0.12, 0.10],
                    "blank": first["blank"],
                },
            )
            for row in project.read("placements").to_dict("records"):
                if row["face"] == first["face"] and row["id"] not in (first["id"], other["id"]):
                    edit.delete("placements", row["id"])
    server = Server(folder).start()
    try:
        page, watch = open_desk(chromium, server)
        page.keyboard.press("3")
        page.locator(".cards .card", has_text=first["block"]).first.click()
        names = page.locator(".face-plan .blank-name")
        names.first.wait_for()
        assert names.all_text_contents() == [first["piece"]]  # as tickets and labels name it
        page.locator(".slabs").get_by_role("button", name=re.compile("slab 2")).click()
        assert names.all_text_contents() == [other["piece"]]
        assert not watch.faults
        page.context.close()
    finally:
        server.kill()


def test_joints_and_pins_are_typed_in_inches_and_fractions_too(
    chromium: Any, server: Server, folder: Path
) -> None:
    repair = inset(folder)
    page, watch = open_desk(chromium, server, remember={"units": "in"})
    workplace(page, "2")
    choose(page, repair, "repair")
    page.locator(".repair summary", has_text="Joints and pins").click()
    joint = page.get_by_label("Joint of side 1 in inches")
    joint.fill("3/16")
    joint.press("Enter")
    saved(page)
    assert rows(folder, "repairs", id=repair).iloc[0]["edges"][0] == pytest.approx(0.0254 * 3 / 16)
    assert not watch.faults
    page.context.close()


# -- the mason -------------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def phone_formats(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first bytes of a photo as phones store it, under the name of a JPEG."""
    path = tmp_path_factory.mktemp("phone") / "IMG_0002.jpg"
    path.write_bytes(b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + bytes(400))
    return path


def test_a_ticket_leads_to_the_record_where_what_is_due_comes_first(
    chromium: Any, server: Server, folder: Path
) -> None:
    repair = inset(folder)
    page, watch = open_desk(chromium, server, size=(390, 844))
    # the code on the ticket is read by the phone while the desk is open
    page.evaluate(f"location.hash = 'repair={repair}'")
    page.locator(".work .head", has_text=repair).wait_for()
    foot = page.locator(".work-foot")
    assert foot.bounding_box()["y"] + foot.bounding_box()["height"] <= 844
    for stage in ("approved", "cut out"):
        page.locator(".nexts").get_by_role("button", name=stage, exact=True).click()
        saved(page)
    # a measure has a key pad of its own, and a list that is pasted fills the ones after it
    group = page.locator(".cut-out").get_by_role("group", name="Depth at four corners")
    assert [i.get_attribute("inputmode") for i in group.locator("input").all()] == ["decimal"] * 4
    group.locator("input").first.fill("51 50 49,5 50")
    assert [i.input_value() for i in group.locator("input").all()] == ["51", "50", "49,5", "50"]
    row = rows(folder, "repairs", id=repair).iloc[0]
    u0, v0, u1, v1 = (1000 * v for v in row.geometry.bounds)
    for name, value in (
        ("Both diagonals", math.hypot(u1 - u0, v1 - v0)),
        ("Depth", 1000 * row["depth_m"]),
    ):
        for box in page.locator(".cut-out").get_by_role("group", name=name).locator("input").all():
            box.fill(f"{value:.1f}")
    sides = page.locator(".cut-out").get_by_role("group", name="Sides by name")
    for side, value in (
        ("top", u1 - u0),
        ("bottom", u1 - u0),
        ("left", v1 - v0),
        ("right", v1 - v0),
    ):
        sides.get_by_placeholder(side, exact=True).fill(f"{value:.1f}")
    page.get_by_role("button", name="Store measures").click()
    saved(page)
    page.locator(".nexts").get_by_role("button", name="cut-out measured").click()
    saved(page)
    # the next stage says what it waits for, and nothing is sent that the gate would refuse
    page.locator(".nexts").get_by_role("button", name="piece sawn").click()
    assert "sound stone all round" in page.get_by_role("alert").inner_text()
    assert page.get_by_role("button", name=re.compile("not stored")).count() == 0
    due = page.locator(".work > .plain-set > .checks .check-item strong").all_inner_texts()
    assert due == ["cut-out square", "even depth", "sound stone all round"]
    # what was read on the cut-out stands there already
    square = page.locator(".check-item", has_text="cut-out square")
    assert float(square.locator("input").first.input_value()) == pytest.approx(
        math.hypot(u1 - u0, v1 - v0), abs=0.06
    )
    square.get_by_role("button", name="Store").click()
    page.locator(".check-item", has_text="sound stone all round").get_by_role(
        "button", name="Does not apply"
    ).click()
    page.get_by_label("sound stone all round: why it does not apply").fill(
        "cut out by the client's own mason"
    )
    page.keyboard.press("Enter")
    saved(page)
    log = rows(folder, "work_log", repair=repair)
    told = {r["check"]: r["result"] for _, r in log.iterrows() if isinstance(r["check"], str)}
    assert told == {"cut-out square": "pass", "sound stone all round": "not applicable"}
    assert not watch.faults
    page.context.close()


def test_one_reading_answers_every_check_of_the_same_thing(
    chromium: Any, server: Server, folder: Path
) -> None:
    repair = inset(folder)
    page, watch = open_desk(chromium, server, size=(390, 844))
    workplace(page, "4")
    page.get_by_label("Number on the ticket, stone …").fill(repair)
    page.locator(".stages .wide", has_text=repair).first.click()
    page.locator(".work summary", has_text="Later").click()
    page.locator(".check-item", has_text="air temperature").locator("input").fill("12")
    page.locator(".check-item", has_text="air temperature").get_by_role(
        "button", name="Store"
    ).click()
    saved(page)
    log = rows(folder, "work_log", repair=repair)
    assert {r["check"]: r["result"] for _, r in log.iterrows()} == {
        "air temperature": "pass",
        "not too hot": "pass",
    }
    assert [m["temperature_deg_c"] for m in log["measured"]] == [12, 12]
    assert not watch.faults
    page.context.close()


def test_a_photo_that_cannot_be_read_is_refused_in_one_line_with_the_remedy(
    chromium: Any, server: Server, folder: Path, phone_formats: Path
) -> None:
    page, watch = open_desk(chromium, server, size=(390, 844))
    choose(page, "C-004", "record")
    box = page.locator(".photo-of input[type=file]")
    # asked for by name, so that a phone hands over JPEG instead of its own format
    assert box.get_attribute("accept").split(",")[0] == "image/jpeg"
    assert "*" not in box.get_attribute("accept")
    assert "hei" not in box.get_attribute("accept")
    assert box.get_attribute("capture") == "environment"
    before = len(rows(folder, "photos"))
    box.set_input_files(phone_formats)
    said = page.get_by_role("alert")
    said.wait_for()
    assert "HEIC" in said.inner_text()
    assert "JPEG" in said.inner_text()
    assert page.locator(".photo-of img").count() == 0
    saved(page)
    assert len(rows(folder, "photos")) == before
    assert not watch.faults
    page.context.close()


def test_a_picture_of_a_face_is_not_kept_from_before_it_was_changed(
    chromium: Any, server: Server, folder: Path
) -> None:
    """The keeper of pages shows an old picture only where there is no connection."""
    page, watch = open_desk(chromium, server, offline_is_fine=True)
    until(page, "navigator.serviceWorker.controller !== null")
    face = str(rows(folder, "faces").iloc[-1]["id"])
    address = f"/pictures/face?id={urllib.parse.quote(face)}&size=96"
    size = f"fetch('{address}', {{cache: 'reload'}}).then((a) => a.blob()).then((b) => createImageBitmap(b)).then((i) => i.width / i.height)"
    first = page.evaluate(size)
    with Project.open(folder) as project, project.edit(who="sample", what="measured again") as edit:
        row = project.row("faces", face)
        ring = np.asarray(row["outline"], dtype=float) * [0.5, 1.0]
        edit.update("faces", face, {"outline": ring.tolist(), "width_m": row["width_m"] / 2})
    assert page.evaluate(size) == pytest.approx(first / 2, rel=0.05)
    page.context.set_offline(True)
    assert page.evaluate(size.replace("'reload'", "'default'")) == pytest.approx(
        first / 2, rel=0.05
    )
    assert not watch.faults
    page.context.close()


# -- the reviewer ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [(1280, 800), (390, 844)])
def test_a_reviewer_reads_values_and_meets_nothing_that_cannot_be_used(
    chromium: Any, server: Server, folder: Path, size: tuple[int, int]
) -> None:
    request = urllib.request.Request(
        f"{server.address}api/reviewer-links",
        data=json.dumps({"name": "P. Lanner", "who": "ada"}).encode(),
        headers={"content-type": "application/json"},
    )
    with urllib.request.urlopen(request, timeout=10) as answer:
        link = server.address.rstrip("/") + json.load(answer)["address"]
    page, watch = open_desk(chromium, server, who="", size=size, link=link)
    assert page.get_by_role("heading", name="To read and to review").is_visible()
    choose(page, "C-002", "record")
    row = rows(folder, id="C-002").iloc[0]
    facts = page.locator(".facts").inner_text()
    assert f"{row['cc']} · " in facts
    assert "leaking gutter, mended" in facts

    def dead() -> list[str]:
        return page.evaluate(
            "[...document.querySelectorAll('.sheet button, .sheet input, .sheet select, .over button, .over input, .head-line button')].filter((e) => e.matches(':disabled') && e.offsetParent && e.textContent !== 'Comment').map((e) => e.outerHTML.slice(0, 90))"
        )

    assert dead() == []
    page.get_by_label("Comment or reason").fill("Show the joint first")
    page.get_by_role("button", name="Return", exact=True).click()
    until(
        page, "document.querySelector('.reviews ul')?.textContent.includes('Show the joint first')"
    )
    # keys that change what is stored take nothing into the hand of who only reads
    before = len(rows(folder))
    page.evaluate("document.activeElement.blur()")
    for key in ("p", "Delete", "j", "q", "Alt+Digit2"):
        page.keyboard.press(key)
        page.wait_for_timeout(60)
    assert page.locator(".map.drawing, dialog[open], .sketch-bar").count() == 0
    assert page.locator(".notice", has_text="for reading and reviewing").is_visible()
    assert len(rows(folder)) == before
    workplace(page, "2")
    choose(page, inset(folder), "repair")
    page.locator(".repair summary", has_text="Decision").click()
    assert dead() == []
    assert page.get_by_role("button", name="Leave without a stone").count() == 0
    workplace(page, "3")
    assert page.get_by_role("button", name="New block").count() == 0
    page.locator(".cards .card").first.click()
    assert dead() == []
    workplace(page, "4")
    assert dead() == []
    page.context.close()
    # the team finds it without looking at every condition
    team, _ = open_desk(chromium, server, size=size)
    team.locator("#tab-missing").click()
    said = team.locator(".all-reviews li", has_text="Show the joint first").first
    assert "Returned" in said.inner_text()
    said.get_by_role("button", name="C-002").click()
    team.locator(".record .head", has_text="C-002").wait_for()
    # where work is recorded nothing is drawn or deleted, by key either
    workplace(team, "4")
    team.keyboard.press("p")
    team.keyboard.press("Delete")
    team.wait_for_timeout(300)
    assert team.locator(".map.drawing, dialog[open]").count() == 0
    assert "C-002" in set(rows(folder)["id"])
    team.context.close()
    assert not watch.faults


# -- other languages -------------------------------------------------------------------------------------------------------


def longer(text: str) -> str:
    """A text of another language: other letters, two fifths longer, gaps as they were."""
    other = str.maketrans("aeiouAEIOU", "äéîöûÄÉÎÖÛ")
    parts = re.split(r"(\{\w+\})", text)
    more = math.ceil(0.4 * len(re.sub(r"\{\w+\}", "", text)))
    return (
        "".join(p if p.startswith("{") else p.translate(other) for p in parts)
        + (" " + "lörem ipsüm dölor " * 20)[:more].rstrip()
    )


#: What is cut off, runs out of the page or over its button.
_CUT_OFF = """[...document.querySelectorAll('button, label, h1, h2, h3, summary, legend, p, dt, dd, th, small, strong')].filter((e) => {
  const box = e.getBoundingClientRect();
  if (!box.width || !e.innerText?.trim() || e.closest('.visually-hidden, .skip, .tools, .scroll, .scroll-x, [role=tablist], .head-line')) return false;
  return box.right > innerWidth + 1 || box.left < -1 || (e.tagName === 'BUTTON' && e.scrollWidth > e.clientWidth + 1);
}).map((e) => `${e.tagName} ${e.className} ${e.innerText.slice(0, 60)}`)"""


def test_a_catalogue_dropped_into_the_project_is_spoken_and_fits_a_phone(
    chromium: Any, server: Server, folder: Path
) -> None:
    words = {
        k: json.loads(f'"{v}"')
        for k, v in re.findall(r"(?m)^\s*\"?([\w.⇧ -]+?)\"?:\s+\"((?:[^\"\\]|\\.)*)\"", CATALOGUE)
    }
    page, watch = open_desk(chromium, server, size=(390, 844))
    page.get_by_role("button", name="Settings").click()
    # with English alone there is nothing to choose
    page.wait_for_timeout(300)
    assert page.get_by_label("Language").count() == 0
    page.keyboard.press("Escape")
    languages = folder / "languages"
    languages.mkdir()
    texts = {k: longer(v) for k, v in words.items() if k != "welcome"}
    (languages / "qps.json").write_text(
        json.dumps({"language": "Löng", "texts": texts}, ensure_ascii=False), encoding="utf-8"
    )
    (languages / "xx.json").write_text('{"language": "broken"', encoding="utf-8")
    page.get_by_role("button", name="Settings").click()
    page.get_by_label("Language").wait_for()
    # a file that is none is named where it can be mended
    assert "languages/xx.json" in page.get_by_role("dialog").inner_text()
    assert page.get_by_label("Language").locator("option").all_inner_texts() == ["English", "Löng"]
    with page.expect_navigation():
        page.get_by_label("Language").select_option("qps")
    ready(page)
    assert page.evaluate("document.documentElement.lang") == "qps"
    assert page.locator("#tab-list").inner_text() == texts["panel.list"]
    found: list[str] = []

    def look(where: str) -> None:
        page.wait_for_timeout(250)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), where
        found.extend(f"{where}: {cut}" for cut in page.evaluate(_CUT_OFF))

    for tab in ("list", "missing", "layers"):
        page.locator(f"#tab-{tab}").click()
        look(tab)
    choose(page, "C-003", "record")
    look("record")
    page.locator(".templates h3 button").click()
    look("template")
    page.keyboard.press("Escape")
    for icon in ("button.state", ".head-line .icon >> nth=-1"):
        page.locator(icon).click()
        look(icon)
        page.keyboard.press("Escape")
    workplace(page, "2")
    look("repairs")
    choose(page, inset(folder), "repair")
    for summary in page.locator(".repair summary").all():
        summary.click()
    look("repair")
    workplace(page, "4")
    look("work")
    for key in ("3", "5"):
        workplace(page, key)
        look(key)
    assert found == []
    with page.expect_navigation():
        page.locator(".head-line .icon").last.click()
        page.locator("#h-language").select_option("en")
    ready(page)
    workplace(page, "1")  # a page read again stays at its workplace
    assert page.locator("#tab-list").inner_text() == words["panel.list"]
    assert not watch.faults
    page.context.close()
