"""By hand on the wall and in a photo: cut-outs, pins and faces, with a mouse, with fingers and with a pen."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import desk_sample
import numpy as np
import pytest
from desk_browser import Server, choose_repair, open_desk, ready, saved
from desk_sample import plain_inset, rows


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_planned_project(tmp_path_factory.mktemp("hands") / "sample", blocks=4)


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
    if size[0] < 500:
        # half drawn, the page is read again: the sketch is there, and the wall to go on with it
        page.get_by_role("button", name="Outline", exact=True).tap()
        fingers.tap(px[0])
        fingers.tap(px[1])
        page.reload()
        ready(page)
        page.locator(".sketch-bar").get_by_role("button", name="Leave").wait_for()
        assert "sheet-shut" in page.locator(".desk").get_attribute("class")
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
