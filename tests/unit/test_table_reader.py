"""Tables as offices bring them: encodings, separators, decimal signs, units, dates, spreadsheets."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from pathlib import Path

import openpyxl
import pytest

from facademap.errors import InputError
from facademap.io.csv_tables import TableWords, read_table

COLUMNS = ("name", "u_m", "v_m")
TRUE = [("Büro 1", 1.25, 0.5), ("p2", 12.345, 3.0)]
PLAIN = "name,u_m,v_m\nBüro 1,1.25,0.5\np2,12.345,3.0\n"


def _values(path: Path, **options: object) -> list[tuple[str, float, float]]:
    table = read_table(path, columns=COLUMNS, **options)  # type: ignore[arg-type]
    return [(r.text("name"), r.number("u_m"), r.number("v_m")) for r in table.rows]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_every_usual_encoding_and_separator(encoding: str, separator: str, tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    path.write_bytes(PLAIN.replace(",", separator).encode(encoding))
    assert _values(path) == TRUE


def test_decimal_commas_and_what_was_understood(tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    path.write_bytes("NAME;V [m];U (mm)\nBüro 1;0,5;1250\np2;3;12.345,0\n".encode("cp1252"))
    table = read_table(path, columns=COLUMNS)
    assert [(r.text("name"), r.number("u_m"), r.number("v_m")) for r in table.rows] == TRUE
    assert any("Windows-1252" in n for n in table.notes)
    assert any("decimal comma" in n for n in table.notes)
    assert any("u_m was read from mm" in n for n in table.notes)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name\tu_m\tv_m\na\t1,5\t2\nb\t1.5\t2\n", ("line 2", "line 3", "decimal")),
        ("name\tu_m\tv_m\na\t1,250\t2\nb\t1,500\t2\n", ("line 2", "thousands")),
        ("name,u,v_m\na,1.5,2\n", ("line 2", "u_m", "unit")),
        ("name,u_m,U [mm],v_m\na,1,1000,2\n", ("u_m", "given twice")),
        ("name,u_m,v_m\na,5' 14\",2\n", ("line 2", "12 inches")),
    ],
)
def test_a_doubt_stops_with_its_row(text: str, words: tuple[str, ...], tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        _values(path)
    assert all(w in str(caught.value) for w in words)


def test_a_doubt_goes_away_with_a_word(tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    path.write_text("name\tu\tv_m\na\t1,250\t2\n")
    assert _values(path, words=TableWords(unit="mm", decimal="comma")) == [("a", 0.00125, 2.0)]
    assert _values(path, words=TableWords(unit="m", decimal="point")) == [("a", 1250.0, 2.0)]


def test_feet_and_inches(tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    path.write_text('name,u [ft],v [in]\na,"5\' 3 1/2""",7 3/4\nb,2.5,12\n')
    # 63.5 in, 7.75 in, 2.5 ft, 12 in at 25.4 mm
    assert _values(path) == [
        ("a", pytest.approx(1.6129), pytest.approx(0.19685)),
        ("b", pytest.approx(0.762), pytest.approx(0.3048)),
    ]


def test_a_header_below_a_title_and_an_office_s_own_names(tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    path.write_text("Survey of the west front;;\n;;\nPunkt;Rechts [cm];Hoch [cm]\nA;125;50\n")
    words = TableWords(columns={"Punkt": "name", "Rechts [cm]": "u_cm", "Hoch [cm]": "v_cm"})
    assert _values(path, words=words) == [("A", 1.25, 0.5)]


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (("31/12/2025", "01/02/2026"), ("2025-12-31", "2026-02-01")),
        (("12/31/2025", "01/02/2026"), ("2025-12-31", "2026-01-02")),
        (("3.4.2026",), ("2026-04-03",)),
        (("2026-04-03",), ("2026-04-03",)),
    ],
)
def test_dates(cells: tuple[str, ...], expected: tuple[str, ...], tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("name,day\n" + "".join(f"a,{c}\n" for c in cells))
    table = read_table(path, columns=("name", "day"), dates=("day",))
    assert tuple(r.cells["day"] for r in table.rows) == expected


@pytest.mark.parametrize("cells", [("03/04/2026",), ("31/12/2025", "12/31/2025")])
def test_dates_in_doubt_stop(cells: tuple[str, ...], tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("name,day\n" + "".join(f"a,{c}\n" for c in cells))
    with pytest.raises(InputError, match="first"):
        read_table(path, columns=("name", "day"), dates=("day",))


def _book(path: Path, rows: list[list[object]], *, merged: str = "") -> Path:
    book = openpyxl.Workbook()
    sheet = book.active
    for row in rows:
        sheet.append(row)
    if merged:
        sheet.merge_cells(merged)
    book.save(path)
    return path


def test_a_workbook_with_typed_cells(tmp_path: Path) -> None:
    rows = [["V_M", "Name", "u [mm]", "day"], [0.5, "Büro 1", 1250, dt.datetime(2026, 4, 3)]]
    path = _book(tmp_path / "p.xlsx", rows)  # type: ignore[arg-type]
    assert _values(path) == [("Büro 1", 1.25, 0.5)]
    table = read_table(path, columns=(*COLUMNS, "day"), dates=("day",))
    assert table.rows[0].cells["day"] == "2026-04-03"
    assert table.rows[0].where.endswith("row 2")


def test_merged_cells_are_refused_and_a_merged_title_is_not(tmp_path: Path) -> None:
    body: list[list[object]] = [["name", "u_m", "v_m"], ["a", 1, 2], ["b", 1, 3]]
    with pytest.raises(InputError, match="B2:B3"):
        _values(_book(tmp_path / "a.xlsx", body, merged="B2:B3"))
    title = _book(tmp_path / "b.xlsx", [["West front"], *body], merged="A1:C1")
    assert len(_values(title)) == 2


def test_formulas_give_their_stored_value_or_stop(tmp_path: Path) -> None:
    path = _book(tmp_path / "f.xlsx", [["name", "u_m", "v_m"], ["a", "=1+1", 2]])
    with pytest.raises(InputError, match="B2"):
        _values(path)  # written without a value, as by a program that does not calculate
    stored = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(stored, "w") as new:
        for entry in old.namelist():
            data = old.read(entry)
            if entry.endswith("sheet1.xml"):
                data = data.replace(b"<v></v>", b"<v>2</v>").replace(b"<v />", b"<v>2</v>")
            new.writestr(entry, data)
    path.write_bytes(stored.getvalue())
    table = read_table(path, columns=COLUMNS)
    assert table.rows[0].number("u_m") == 2
    assert any("1 cells hold formulas" in n for n in table.notes)


ODS = """<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"
 xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0">
 <office:body><office:spreadsheet><table:table table:name="Tabelle1"><table:table-row>
 <table:table-cell><text:p>Name</text:p></table:table-cell><table:table-cell><text:p>u [mm]</text:p></table:table-cell>
 <table:table-cell><text:p>v_m</text:p></table:table-cell><table:table-cell table:number-columns-repeated="16381"/></table:table-row>
 <table:table-row><table:table-cell><text:p>B&#252;ro 1</text:p></table:table-cell>
 <table:table-cell office:value-type="float" office:value="1250"><text:p>1.250</text:p></table:table-cell>
 <table:table-cell office:value-type="string"><text:p>0,5</text:p></table:table-cell></table:table-row>
 <table:table-row table:number-rows-repeated="1048574"><table:table-cell table:number-columns-repeated="16384"/></table:table-row>
 </table:table></office:spreadsheet></office:body></office:document-content>"""


def test_an_open_document_sheet(tmp_path: Path) -> None:
    path = tmp_path / "p.ods"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("content.xml", ODS)
    assert _values(path) == [("Büro 1", 1.25, 0.5)]


def test_one_bad_row_in_a_hundred_thousand_is_named(tmp_path: Path) -> None:
    path = tmp_path / "big.csv"
    rows = [f"p{k},{k / 1000:.3f},1.5" for k in range(100_000)]
    rows[77_776] = "p77776,1..5,1.5"
    path.write_text("name,u_m,v_m\n" + "\n".join(rows))
    with pytest.raises(InputError, match="line 77778: u_m"):
        _values(path)


def test_a_file_in_two_encodings_names_both_lines(tmp_path: Path) -> None:
    path = tmp_path / "two.csv"
    path.write_bytes("name,u_m,v_m\nBüro,1,2\n".encode() + "Tür,1,2\n".encode("cp1252"))
    with pytest.raises(InputError, match="line 2 is UTF-8 text and line 3 is not"):
        _values(path)


def test_options_are_offered_only_where_there_are_any(tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    path.write_text("name\tu_m\tv_m\na\t1,250\t2\n")
    with pytest.raises(InputError) as without:
        _values(path)
    assert without.value.remedy == "Write it without a comma."
    with pytest.raises(InputError) as with_options:
        _values(path, words=TableWords())
    assert "--decimal" in with_options.value.remedy


def test_a_surveyor_s_own_list_becomes_control(tmp_path: Path) -> None:
    from facademap.store.project import Project
    from facademap.tasks.survey.add_control import add_control

    from small_wall import make_wall  # isort: skip

    make_wall(tmp_path / "wall", picture=False, world=False)
    path = tmp_path / "punkte.csv"
    path.write_bytes(
        "Punkt;E;N;H;Güte\n1001;402300,125;6050100,5;12,25;a\n1002;402306,5;6050104,875;12,5;a\n"
        "1003;402306,5;6050104,875;18,5;a\n".encode("cp1252")
    )
    done = add_control(
        tmp_path / "wall",
        path,
        words=TableWords(columns={"Punkt": "name"}),
        outside_enh=(402312.0, 6050092.0, 13.0),
    )
    assert any("decimal comma" in n for n in done["notes"])
    assert any("not used: Güte" in n for n in done["notes"])
    with Project.open(tmp_path / "wall", read_only=True) as project:
        points = project.read("control_points").set_index("name")
        kept = project.setting("column_names")
    assert points.loc["1001", "east_m"] == 402300.125
    assert points.loc["1003", "height_m"] == 18.5
    assert kept == {"control_points": {"Punkt": "name"}}


def test_what_a_call_says_of_its_tables_holds_within_it_alone(tmp_path: Path) -> None:
    from facademap.io.control_files import read_control
    from facademap.io.csv_tables import spoken_words

    path = tmp_path / "control.csv"
    path.write_text(
        "Punkt;Rechts;Hoch;x_px;y_px;Rolle\nA;0,5;1;10;20;control\nB;3 ft 6 in;1;30,5;20;check\n"
    )
    own = {"Punkt": "name", "Rechts": "u", "Hoch": "v", "Rolle": "role"}
    with spoken_words(TableWords(unit="ft", columns=own)):
        points = read_control(path)
    assert points.wall_m[:, 0] == pytest.approx([0.5 * 0.3048, 3.5 * 0.3048])
    assert points.pixel_px[1, 0] == 30.5
    with pytest.raises(InputError, match="is missing"):
        read_control(path)
