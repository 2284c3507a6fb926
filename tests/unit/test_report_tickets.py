"""Cut tickets read back from the PDF: size of the page, figures, QR code, fonts, hostile names."""

from __future__ import annotations

import io
import re
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pypdfium2
import pytest
from shapely.affinity import scale

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchmarks.paper_texts import faults_of, texts_of
from benchmarks.papers_project import make_project
from facademap.errors import InputError
from facademap.io.code_pictures import read_codes
from facademap.io.rule_files import load_criteria, load_profile
from facademap.repair.sizes import sizes_of
from facademap.repair.steps import STEPS, steps_for
from facademap.report.face_picture import rectify_face
from facademap.report.label_sheets import label_tape_mm
from facademap.report.measures import Measures
from facademap.report.pdf import stamped
from facademap.report.stone_lists import write_labels
from facademap.report.template_sheets import write_templates
from facademap.report.ticket_content import make_tickets
from facademap.report.tickets import write_cut_tickets
from facademap.tables import TABLES
from facademap.units import fitting_inches, fitting_mm

S = load_profile("metric")


@pytest.fixture(scope="module")
def frames(tmp_path_factory):
    with make_project(tmp_path_factory.mktemp("t") / "p", insets=8) as project:
        return {name: project.read(name) for name in TABLES}


@pytest.fixture(scope="module")
def pdf(frames):
    return write_cut_tickets(
        make_tickets(
            frames, project="Sallow Quay", settings=S, link="https://example.org/r/{repair}"
        )
    )


def _picture(pdf: bytes, page: int, scale: float = 3.0) -> np.ndarray:
    return np.asarray(pypdfium2.PdfDocument(pdf)[page].render(scale=scale).to_pil().convert("RGB"))


def test_a_ticket_and_a_setting_sheet_for_each_piece_on_a4_and_letter(frames, pdf):
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    assert len(reader.pages) == 2 * len(frames["pieces"]) == 16
    assert [float(v) * 25.4 / 72 for v in reader.pages[0].mediabox[2:]] == pytest.approx(
        [210, 297], abs=0.01
    )
    letter = pypdf.PdfReader(
        io.BytesIO(write_cut_tickets(make_tickets(frames, project="x", settings=S), paper="Letter"))
    )
    assert [float(v) / 72 for v in letter.pages[0].mediabox[2:]] == pytest.approx(
        [8.5, 11], abs=1e-4
    )


def test_sizes_stand_on_the_ticket_in_both_units(frames, pdf):
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    pieces = frames["pieces"].set_index("id")
    for page in reader.pages[::2]:
        text = page.extract_text()
        piece = pieces.loc[next(i for i in pieces.index if i in text)]
        for name in ("width_m", "height_m", "depth_m"):
            # a piece has to go into its cut-out: sizes are rounded down
            assert fitting_mm(piece[name]) in text
            assert fitting_inches(piece[name]) in text
        assert "Defer to local codes" in text
        assert ("provisional: measure the cut-out" in text) == bool(piece["provisional"])


def test_the_qr_code_leads_back_to_the_repair(pdf):
    found = set()
    for page in range(0, 16, 2):
        image = _picture(pdf, page)
        height, width = image.shape[:2]
        text, _, _ = cv2.QRCodeDetector().detectAndDecode(
            cv2.cvtColor(image[: height // 6, width * 3 // 4 :], cv2.COLOR_RGB2BGR)
        )
        found.add(text)
    assert found == {f"https://example.org/r/R-{i:03d}" for i in range(1, 9)}


def test_the_sketch_is_to_scale(frames):
    """The strong outline of the piece, measured in the picture of the page, against its size at the scale printed."""
    tickets = [
        t
        for t in make_tickets(frames, project="x", settings=S)
        if len(t.piece["geometry"].exterior.coords) == 5
    ]
    ticket = tickets[0]
    pdf = write_cut_tickets([ticket])
    text = pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text()
    scale = float(re.search(r"seen from outside, 1 : ([\d.]+)", text)[1])
    strokes = _rectangles(pdf)
    wanted = (ticket.piece["width_m"] * 1000 / scale, ticket.piece["height_m"] * 1000 / scale)
    assert any(abs(w - wanted[0]) < 0.01 and abs(h - wanted[1]) < 0.01 for w, h in strokes)


def _rectangles(pdf: bytes) -> list[tuple[float, float]]:
    """Sizes in mm of all closed four-point paths, from the page's operators (which are in mm)."""
    content = pypdf.PdfReader(io.BytesIO(pdf)).pages[0].get_contents()
    points, sizes = [], []
    for operands, operator in content.operations:
        if operator == b"m":
            points = [tuple(map(float, operands))]
        elif operator == b"l":
            points.append(tuple(map(float, operands)))
        elif operator == b"h" and len(points) == 4:
            array = np.array(points)
            sizes.append(tuple(np.ptp(array, axis=0)))
    return sizes


def test_fonts_are_embedded_and_bytes_repeat(frames, pdf):
    assert pdf == write_cut_tickets(
        make_tickets(
            frames, project="Sallow Quay", settings=S, link="https://example.org/r/{repair}"
        )
    )
    fonts = {
        str(n.get_object()["/BaseFont"]): n.get_object()
        for page in pypdf.PdfReader(io.BytesIO(pdf)).pages
        for n in page["/Resources"]["/Font"].values()
    }
    assert len(fonts) >= 2
    for name, font in fonts.items():
        assert "/FontFile2" in font["/FontDescriptor"], name


@pytest.mark.parametrize(
    "name",
    [
        "\x07bell\x00",
        "مرحبا بالعالم",
        "סיתות",
        "=SUM(A1)",
        "石工",
        "x" * 400,
        "<b>&amp;</b>",
        "\u202egnp.exe",
        "Łódź ¾ Ж α",
    ],
)
def test_hostile_names_are_printed_somehow(frames, name):
    ticket = make_tickets(frames, project=name, settings=S)[0]
    hostile = type(ticket)(
        **{f: getattr(ticket, f) for f in ticket.__dataclass_fields__}
        | {"elevation": name, "link": f"x:{name[:60]}"}
    )
    page = pypdf.PdfReader(io.BytesIO(write_cut_tickets([hostile]))).pages[0]
    assert "CUT TICKET" in page.extract_text()


def test_missing_values_do_not_stop_a_ticket(frames):
    ticket = make_tickets(frames, project="x", settings=S)[0]
    bare = dict(ticket.repair) | {
        "pins": None,
        "materials": None,
        "edges": None,
        "cautions": None,
        "edge_kinds": "x",
        "depth_m": float("nan"),
    }
    values = {f: getattr(ticket, f) for f in ticket.__dataclass_fields__} | {
        "repair": bare,
        "rods": (),
        "place": None,
        "block": None,
        "face": None,
        "stone": None,
    }
    assert (
        "NO BLOCK YET"
        in pypdf.PdfReader(io.BytesIO(write_cut_tickets([type(ticket)(**values)])))
        .pages[0]
        .extract_text()
    )


def test_no_pieces_gives_a_page_that_says_so():
    assert "No pieces" in pypdf.PdfReader(io.BytesIO(write_cut_tickets([]))).pages[0].extract_text()


def test_a_face_is_turned_square():
    """A square mark painted through a known homography comes back square and in its place."""
    matrix = np.array([[900.0, 60.0, 120.0], [40.0, -850.0, 620.0], [0.08, 0.05, 1.0]])
    photo = np.full((800, 1200, 3), 200, np.uint8)
    mark = np.array([[0.2, 0.1], [0.4, 0.1], [0.4, 0.3], [0.2, 0.3]])
    pixels = np.c_[mark, np.ones(4)] @ matrix.T
    cv2.fillPoly(
        photo,
        [np.round(pixels[:, :2] / pixels[:, 2:] * 16).astype(np.int32)],
        (10, 10, 10),
        shift=4,
    )
    face = rectify_face(photo, matrix.tolist(), outline=[[0, 0], [0.7, 0], [0.7, 0.5], [0, 0.5]])
    image = cv2.imdecode(np.frombuffer(face.jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
    rows, columns = np.nonzero(image < 100)
    gsd = (face.x1_m - face.x0_m) / image.shape[1]
    assert face.x0_m + columns.min() * gsd == pytest.approx(0.2, abs=0.003)
    assert face.x0_m + columns.max() * gsd == pytest.approx(0.4, abs=0.003)
    assert face.y1_m - rows.max() * gsd == pytest.approx(0.1, abs=0.003)
    assert face.y1_m - rows.min() * gsd == pytest.approx(0.3, abs=0.003)


def test_the_setting_sheet_has_every_step_in_order_with_the_boxes_of_the_record(frames):
    """Steps, hold points, photo slots and checks come from one list, which the record follows too."""
    criteria = load_criteria()
    tickets = make_tickets(
        frames, project="x", settings=S, steps={"inset": steps_for(criteria, treatment="inset")}
    )
    pages = pypdf.PdfReader(io.BytesIO(write_cut_tickets(tickets))).pages
    text = pages[1].extract_text().replace("\n", " ")
    places = [text.index(step.title) for step in STEPS if step.title != "Set the piece"]
    assert len(places) == len(STEPS) - 1
    for step in STEPS:
        assert not step.photo or f"photo: {step.photo}" in text
        assert not step.hold or "HOLD: " + step.hold.split(";")[0] in text
    seen = criteria.applying(unseen_face=False)
    for criterion in seen.for_treatment("inset"):
        assert criterion.name.lower() in text.lower(), criterion.name


def test_the_boxes_as_cut_name_sides_corners_and_joints(frames):
    tickets = make_tickets(frames, project="x", settings=S)
    ell = next(t for t in tickets if len(t.piece["geometry"].exterior.coords) > 5)
    text = pypdf.PdfReader(io.BytesIO(write_cut_tickets([ell]))).pages[0].extract_text()
    for word in ("AS CUT", "top 2", "right 2", "depth F", "A–D", "initials", "CORNERS"):
        assert word in text, word


def test_an_office_in_inches_reads_no_bare_millimetre_on_a_ticket(frames):
    """Corner offsets, the caution of a heavy piece and why a block is not sawn: each in inches or pounds, with its unit."""
    repairs = frames["repairs"].assign(
        cautions=[["Heavy piece, 217 kg saturated: by a competent person."]]
        * len(frames["repairs"])
    )
    ell = next(
        t
        for t in make_tickets({**frames, "repairs": repairs}, project="x", settings=S)
        if len(t.piece["geometry"].exterior.coords) > 5
    )
    ell = replace(
        ell,
        not_sawn="block B-01 cannot be sawn as planned: it needs 54.2 mm",
        materials=replace(ell.materials, inches=True),
    )
    text = pypdf.PdfReader(io.BytesIO(write_cut_tickets([ell]))).pages[0].extract_text()
    assert "DIAGONALS, inches" in text
    letter, corner = ("C", sizes_of(ell.piece["geometry"]).corners[2])
    assert corner.letter == letter
    said = Measures(inches=True).figure(corner.right_m)
    assert f"C  {said} right" in text
    assert f"{corner.right_m * 1000:.1f} right" not in text
    assert "478.4 lb saturated" in text  # 217 kg / 0.45359237
    assert "needs 2.134 in" in text.replace("\n", " ")  # 54.2 / 25.4


@pytest.mark.parametrize("smaller", [1.0, 0.5, 0.35])
def test_words_of_a_small_notched_piece_keep_out_of_each_other(frames, smaller):
    """On its ticket, where the section has words wider than the piece is deep, and on its template over glued sheets."""
    ticket = next(
        t
        for t in make_tickets(frames, project="x", settings=S)
        if len(t.piece["geometry"].exterior.coords) > 5
    )
    about = ticket.piece["geometry"].centroid
    small, larger = (
        {**row, "geometry": scale(row["geometry"], by, by, origin=about)}
        for row, by in ((ticket.piece, smaller), (ticket.piece, 2.5))
    )
    cut = {
        **ticket.repair,
        "geometry": scale(ticket.repair["geometry"], smaller, smaller, origin=about),
    }
    pdf = write_cut_tickets([replace(ticket, piece=small, repair=cut, rods=())])
    assert faults_of(pdf) == []
    assert "top 2: " in pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text()
    if smaller == 1.0:
        assert faults_of(write_templates([replace(ticket, piece=larger)])) == []


def test_a_piece_that_cannot_be_set_gets_no_ticket_and_no_template_but_a_reason(frames):
    broken = {n: f.copy() for n, f in frames.items()}
    pins = [
        [{**p, "angle_deg": 15.0, "turn_deg": 15.0} for p in row or ()]
        for row in frames["repairs"]["pins"]
    ]
    broken["repairs"]["pins"] = pins
    tickets = make_tickets(broken, project="x", settings=S)
    assert all(t.faults for t in tickets)
    for pages in (write_cut_tickets(tickets), write_templates(tickets)):
        text = pypdf.PdfReader(io.BytesIO(pages)).pages[0].extract_text()
        assert "DO NOT CUT" in text
        assert "misses its hole" in text
        assert "Remedy:" in text
        assert "WIDTH" not in text


def _seen(pdf: bytes, page: int, *, blur_px: float) -> np.ndarray:
    """A sheet as a phone may see it: 150 dots per inch, blurred, with glare that grows across it."""
    image = (
        pypdfium2.PdfDocument(pdf)[page].render(scale=150 / 72, grayscale=True).to_numpy().squeeze()
    )
    glare = np.linspace(0.0, 0.35, image.shape[1])
    washed = image + (255.0 - image) * glare
    return cv2.GaussianBlur(washed, (0, 0), blur_px).round().astype(np.uint8)


def _read(crop: np.ndarray) -> str:
    """What OpenCV reads of a picture, as it is or enlarged, as readers do that take several looks."""
    for factor in (1, 2, 3):
        large = cv2.resize(crop, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
        if text := cv2.QRCodeDetector().detectAndDecode(large)[0]:
            return str(text)
    return ""


def test_the_desk_reads_the_code_in_a_photo_of_a_whole_ticket(frames, tmp_path):
    tickets = make_tickets(frames, project="Sallow Quay sail loft", settings=S)
    image = _seen(write_cut_tickets(tickets[:1]), 0, blur_px=0.8)
    cv2.imwrite(str(tmp_path / "photo.jpg"), image)
    assert read_codes(tmp_path / "photo.jpg") == (tickets[0].link,)


@pytest.mark.parametrize("shape", [(1, 4000), (4000, 1), (1, 1)])
def test_a_picture_that_is_hardly_one_has_no_code(shape, tmp_path):
    cv2.imwrite(str(tmp_path / "strip.png"), np.full(shape, 200, np.uint8))
    with pytest.raises(InputError, match="no code can be read"):
        read_codes(tmp_path / "strip.png")


def test_codes_say_what_they_are_on_without_a_desk_and_are_read_at_150_dpi(frames):
    """OpenCV reads them from a blurred picture with glare: 98 % at least, and any phone shows the words."""
    tickets = make_tickets(frames, project="Sallow Quay sail loft", settings=S)
    pdf, read = write_cut_tickets(tickets), []
    for page in range(0, 2 * len(tickets), 2):
        image = _seen(pdf, page, blur_px=0.8)
        corner = image[: image.shape[0] // 6, image.shape[1] * 3 // 4 :]
        read.append(_read(corner))
    wanted = [
        f"{t.piece['id']}, "
        + ("" if t.place is None else f"block {t.place['block']}, ")
        + f"repair {t.repair['id']}"
        for t in tickets
    ]
    labels = write_labels(frames, project="Sallow Quay sail loft")
    k, wide, tall = 150 / 25.4, (210.0 - 16.0) / 2, (297.0 - 16.0) / 7
    image = _seen(labels, 0, blur_px=0.8)
    for row in range(7):
        for column in range(2):
            x, y = 8.0 + column * wide, 8.0 + row * tall
            crop = image[
                int(y * k) : int((y + tall) * k), int((x + wide * 0.45) * k) : int((x + wide) * k)
            ]
            read.append(_read(crop))
    assert sum(bool(text) for text in read) >= 0.98 * len(read)
    assert all(not text or text == word for text, word in zip(read, wanted, strict=False))
    assert any(text.startswith("Block ") for text in read[len(tickets) :])


@pytest.mark.parametrize("sheet", ["Letter", "tape 62", "tape 1 in"])
@pytest.mark.parametrize("inches", [False, True])
def test_labels_stay_within_their_edges_on_sheets_and_tapes(frames, sheet, inches):
    """No line stands on the edge along which a label is cut; a label of a tape is a page with a code that is read."""
    with stamped("Paper 0000-0000, a working print"):
        pdf = write_labels(frames, project="Sallow Quay", paper=sheet, inches=inches)
    assert faults_of(pdf) == []
    document = pypdfium2.PdfDocument(pdf)
    if (tape := label_tape_mm(sheet)) is None:
        rows = np.linspace(8.0, 279.4 - 8.0, 8) * 72 / 25.4
        for _, (_, low, _, high), _ in texts_of(document[0]):
            assert not [y for y in rows if low - 0.5 < y < high + 0.5 and low > 20]
    else:
        assert len(document) == len(frames["blocks"]) + len(frames["pieces"])
        assert document[0].get_height() == pytest.approx(tape * 72 / 25.4, abs=0.01)
        image = document[0].render(scale=300 / 72, grayscale=True).to_numpy().squeeze()
        assert _read(image).startswith("Block B-")


def test_a_tape_too_narrow_for_a_code_is_refused():
    with pytest.raises(InputError, match="tape 12 mm wide"):
        label_tape_mm("tape 12")


def test_a_diameter_is_told_to_a_sixty_fourth_as_drills_are_sold():
    # 6 mm are 15.1 and 9 mm 22.7 sixty-fourths of an inch
    assert [Measures(True).rod(d) for d in (0.006, 0.009, 0.00635)] == [
        "15/64 in",
        "23/64 in",
        "1/4 in",
    ]
    assert Measures(False).rod(0.0035) == "3.5 mm"
