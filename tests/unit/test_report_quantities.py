"""Quantities: totals from every side, text that stays text, rates, and what a spreadsheet program makes of it."""

from __future__ import annotations

import csv
import io
import re
import shutil
import subprocess
import sys
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pypdfium2
import pytest
import shapely

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchmarks.papers_project import make_project
from facademap.errors import InputError
from facademap.repair.work_hours import Hours
from facademap.report.bill import write_bill
from facademap.report.bill_progress import measure_progress
from facademap.report.bill_variations import variation_pages
from facademap.report.bill_visits import price_visits, visit_pages
from facademap.report.costs import cost_rows, read_rates
from facademap.report.measures import Measures
from facademap.report.page import Text
from facademap.report.quantities import DIMENSIONS, MEASURES, measure_quantities
from facademap.report.spreadsheet import write_quantities_csv, write_quantities_xlsx
from facademap.report.variations import (
    Line,
    against_contract,
    read_contract,
    sum_agreed,
    value_variations,
)
from facademap.report.workbook_progress import Dealings
from facademap.tables import TABLES, VARIATION_MEASURES
from facademap.treatment import Visit

RATES = """
currency = "EUR"
[[rates]]
treatment = "inset"
measure = "count"
low = 200
likely = 300.5
high = 500
[[rates]]
treatment = "clean"
measure = "area_net_m2"
low = 20
likely = 30
high = 50
"""


def _varied(id, **told):
    empty = dict.fromkeys(TABLES["variations"].names)
    day = {"agreed_by": "Client", "agreed_on": "2026-11-02"}
    return {
        **empty,
        "id": id,
        "what": f"=what {id}",
        "reason": "found",
        "result": "agreed",
        **day,
        **told,
    }


VARIED = pd.DataFrame(
    [
        _varied("N-001", treatment="inset", measure="count", quantity=2.0),
        _varied("N-002", amount=350.0, currency="EUR", result="refused"),
        _varied("N-003", treatment="clean", measure="area_net_m2", quantity=-40.0, rate=25.0, currency="EUR"),
        _varied("N-004", amount=10.0, currency="GBP"),
        _varied("N-005", treatment="repoint", measure="length_m", quantity=3.0, result="open"),
    ]
)  # fmt: skip


@pytest.fixture(scope="module")
def frames(tmp_path_factory):
    with (
        make_project(tmp_path_factory.mktemp("q") / "p", insets=12, conditions=45) as project,
        project.edit(who="t", what="hostile names") as edit,
    ):
        edit.update("wall_stones", "WS-01.01", {"stone_type": "=HYPERLINK(1)"})
        edit.update("wall_stones", "WS-01.02", {"stone_type": "Hard*"})
        return {name: project.read(name) for name in TABLES}


@pytest.fixture(scope="module")
def quantities(frames):
    return measure_quantities(frames)


def test_every_breakdown_adds_up_to_the_rows(quantities):
    for basis in ("repairs", "conditions"):
        total = quantities.total(basis)
        for dimension in DIMENSIONS:
            assert quantities.breakdown(basis, dimension).sum().to_numpy() == pytest.approx(
                total.to_numpy(), abs=1e-9
            )
    assert quantities.total("repairs")["count"] == len(quantities.repairs) > 12


def test_net_area_is_gross_less_openings(frames, quantities):
    openings = frames["openings"].geometry.union_all()
    expected = sum(g.difference(openings).area for g in frames["conditions"].geometry)
    assert quantities.total("conditions")["area_net_m2"] == pytest.approx(expected, abs=1e-12)
    assert quantities.total("conditions")["area_gross_m2"] > expected
    kept = measure_quantities(frames, least_void_m2=100.0)
    assert kept.total("conditions")["area_net_m2"] == kept.total("conditions")["area_gross_m2"]
    assert "100 m2" in " ".join(kept.rules)


def test_volumes_and_waste_of_an_inset_by_hand(frames, quantities):
    row = quantities.repairs.set_index("id").loc["R-001"]
    piece = frames["pieces"].set_index("repair").loc["R-001"]
    blank = frames["placements"].set_index("repair").loc["R-001"]
    xs, ys = zip(*blank["blank"], strict=True)
    used = (max(xs) - min(xs)) * (max(ys) - min(ys)) * blank["slab_thicknesses"][0]
    assert row["volume_net_m3"] == pytest.approx(piece.geometry.area * piece["depth_m"])
    assert row["block_volume_m3"] == pytest.approx(used)
    assert row["stone_waste_m3"] == pytest.approx(used - piece.geometry.area * piece["depth_m"])
    repair = frames["repairs"].set_index("id").loc["R-001"]
    assert row["drill_length_m"] == pytest.approx(
        sum(p["hole_wall_m"] + p["hole_piece_m"] for p in repair["pins"])
    )
    assert row["cut_length_m"] + row["rake_length_m"] == pytest.approx(repair.geometry.length)


def test_an_unplaced_piece_is_named_and_counts_no_block_volume(quantities):
    assert any(g.startswith("R-007") for g in quantities.gaps)
    assert quantities.repairs.set_index("id").loc["R-007", "block_volume_m3"] == 0


def test_csv_keeps_text_text_and_agrees_with_the_frames(quantities):
    data = write_quantities_csv(quantities)
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8"), newline="")))
    total = next(r for r in rows if r["basis"] == "repairs" and r["by"] == "all")
    for measure in MEASURES:
        assert float(total[measure.name]) == pytest.approx(
            quantities.total("repairs")[measure.name], abs=1e-6
        )
    assert all(not r["key"].startswith(("=", "+", "-", "@")) for r in rows)
    assert "openings" in total["rule"]


def test_same_rows_same_bytes(quantities):
    first = write_quantities_xlsx(quantities, project="=SUM(A1)", rates=read_rates(RATES))
    assert first == write_quantities_xlsx(quantities, project="=SUM(A1)", rates=read_rates(RATES))
    assert {i.date_time for i in zipfile.ZipFile(io.BytesIO(first)).infolist()} == {
        (1980, 1, 1, 0, 0, 0)
    }


def test_columns_are_as_wide_as_their_words_and_rules_as_high(quantities):
    book = openpyxl.load_workbook(io.BytesIO(write_quantities_xlsx(quantities, project="p")))
    for name in ("Repairs", "Conditions"):
        sheet = book[name]
        head = {c.value: c for c in sheet[4]}
        # columns of one width are told together
        widths = {
            n: d.width for d in sheet.column_dimensions.values() for n in range(d.min, d.max + 1)
        }
        for title in ("Stone type", "Family", "Recommendation class", "Surface"):
            at = head[title]
            below = sheet[at.column_letter][4:]
            words = [str(c.value) for c in below if c.value] + title.split()
            longest = max(map(len, words))
            # a column within the limits of readable widths, and no narrower than what stands in it
            assert widths[at.column] >= min(longest, 40), (name, title)
    rules = book["Rules"] if "Rules" in book.sheetnames else book[book.sheetnames[1]]
    long = [c for c in rules["A"] if c.value and len(str(c.value)) > 125]
    assert long
    assert all(rules.row_dimensions[c.row].height >= 30 for c in long)


def test_no_text_of_the_project_becomes_a_formula(quantities):
    book = openpyxl.load_workbook(io.BytesIO(write_quantities_xlsx(quantities, project="p")))
    texts = [c.value for row in book["Conditions"].iter_rows() for c in row if c.data_type == "s"]
    formulas = [
        c.value for sheet in book for row in sheet.iter_rows() for c in row if c.data_type == "f"
    ]
    assert "=HYPERLINK(1)" in [
        *texts,
        *(c.value for row in book["Repairs"].iter_rows() for c in row if c.data_type == "s"),
    ] or not any("HYPERLINK" in f for f in formulas)
    assert not any("HYPERLINK" in f for f in formulas)
    assert len(formulas) > 500


class _Sheets:
    """A small evaluator of the formulas that we write, so that they are recalculated on every machine."""

    def __init__(self, book):
        self.book, self.known = book, {}

    def value(self, sheet, cell):
        key = (sheet, cell)
        if key not in self.known:
            found = self.book[sheet][cell]
            self.known[key] = (
                self.formula(sheet, found.value)
                if found.data_type == "f"
                else (0.0 if found.value is None else found.value)
            )
        return self.known[key]

    def area(self, sheet, reference):
        cells = reference.replace("$", "")
        if ":" not in cells:
            return self.value(sheet, cells)
        return np.array(
            [self.value(sheet, c.coordinate) for row in self.book[sheet][cells] for c in row],
            dtype=object,
        )

    def formula(self, sheet, text):
        names = []

        def reference(match):
            names.append(self.area((match[1] or match[2] or sheet).strip("'"), match[3]))
            return f"v[{len(names) - 1}]"

        parts = re.split(r'("[^"]*")', text[1:])
        code = "".join(
            p
            if p.startswith('"')
            else re.sub(
                r"(?:('[^']+')!|([A-Za-z]+)!)?(\$?[A-Z]{1,2}\$?\d+(?::\$?[A-Z]{1,2}\$?\d+)?)",
                reference,
                p,
            )
            for p in parts
        )
        known = {
            "SUM": lambda a: float(sum(a)) if isinstance(a, np.ndarray) else a,
            "SUMPRODUCT": lambda a: float(sum(a)) if isinstance(a, np.ndarray) else float(a),
            "MAX": max,
            "ABS": abs,
            "ROUND": round,
            "EXACT": lambda a, b: (
                np.array([float(str(x) == str(b)) for x in a], dtype=object)
                if isinstance(a, np.ndarray)
                else float(str(a) == str(b))
            ),
            "AND": lambda *a: all(a),
            "IF": lambda test, yes, no: yes if test else no,
        }
        return eval(code, {"__builtins__": {}}, {"v": names, **known})  # our own formulas only


def dealt(quantities):
    """Two insets accepted, three variations of which two are agreed, and a contract of the quantities less one inset."""
    inset = [r["id"] for r in quantities.repairs.to_dict("records") if r["treatment"] == "inset"]
    rows = quantities.repairs
    stages = {inset[0]: "accepted", inset[1]: "accepted", inset[2]: "bedded"}
    staged = rows.assign(
        stage=[stages.get(i, s) for i, s in zip(rows["id"], rows["stage"], strict=True)]
    )
    log = pd.DataFrame(
        [
            {"repair": inset[0], "at": "2026-10-30T10:00:00", "stage": "accepted"},
            {"repair": inset[1], "at": "2026-11-03T10:00:00", "stage": "accepted"},
        ]
    )
    varied = value_variations(VARIED, read_rates(RATES))
    table = quantities.breakdown("repairs", "treatment")
    kept = [
        {"treatment": t, "measure": m, "quantity": float(table[m][t]) - (t == "inset")}
        for t, m in (("inset", "count"), ("clean", "area_net_m2"))
    ]
    contract = read_contract({"on": "2026-09-01", "by": "Client", "quantities": kept})
    return Dealings(
        progress=measure_progress(
            replace(quantities, repairs=staged),
            {"repairs": pd.DataFrame(columns=["id", "geometry", "measured"]), "work_log": log},
            read_rates(RATES),
        ),
        variations=varied,
        contract=contract,
        lines=against_contract(contract, varied, quantities),
    )


def test_only_what_is_agreed_changes_the_sum(quantities):
    """Two insets more at the office's 300.5, 350 as a fixed amount refused, 40 m2 less at 25 agreed; pounds are not added."""
    varied = value_variations(VARIED, read_rates(RATES))
    assert [(v.id, v.amount, v.unpriced) for v in varied] == [
        ("N-001", pytest.approx(601.0), ""),
        ("N-002", pytest.approx(350.0), ""),
        ("N-003", pytest.approx(-1000.0), ""),
        ("N-004", None, "in GBP, not EUR"),
        ("N-005", None, "no rate"),
    ]
    assert sum_agreed(varied) == (pytest.approx(-399.0), 1)
    assert sum_agreed(value_variations(VARIED.head(1), None)) == (0, 1)
    lines = {(x.treatment, x.measure.name): x for x in dealt(quantities).lines}
    assert lines["inset", "count"].contract == 11
    assert lines["inset", "count"].agreed == 2
    assert lines["inset", "count"].beyond_agreed == pytest.approx(-1.0)
    more = (
        _varied("N-006", treatment="inset", measure="removed_volume_m3", quantity=0.25),
        _varied("N-007", treatment="re-fix", measure="pins", quantity=4.0),
    )
    beside = against_contract(
        dealt(quantities).contract, value_variations(pd.DataFrame(more), None), quantities
    )
    agreed = {(x.treatment, x.measure.name): x.agreed for x in beside if x.agreed}
    assert agreed == {("inset", "removed_volume_m3"): 0.25, ("re-fix", "pins"): 4.0}
    data = write_bill(
        quantities,
        project="x",
        rates=read_rates(RATES),
        say=Measures(),
        variations=varied,
        contract=dealt(quantities).contract,
    )
    said = " ".join(p.get_textpage().get_text_range() for p in pypdfium2.PdfDocument(data))
    for words in ("-399.00", "Agreed variations: 3", "agreed by Client on 2026-11-02", "in GBP, not EUR", "1 variation agreed without an amount"):  # fmt: skip
        assert words in said, words
    assert "Agreed variations" not in "".join(
        p.get_textpage().get_text_range()
        for p in pypdfium2.PdfDocument(write_bill(quantities, project="x", say=Measures()))
    )


def test_every_formula_recalculates_to_the_stored_figure(quantities):
    """An evaluator of our own, which shares nothing with the writer, against the values stored in the file."""
    data = write_quantities_xlsx(
        quantities, project="p", rates=read_rates(RATES), dealings=dealt(quantities)
    )
    stored = openpyxl.load_workbook(io.BytesIO(data), data_only=True)
    sheets = _Sheets(openpyxl.load_workbook(io.BytesIO(data)))
    compared = 0
    for sheet in sheets.book:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    mine = stored[sheet.title][cell.coordinate].value
                    found = sheets.value(sheet.title, cell.coordinate)
                    assert found == (
                        mine if isinstance(mine, str) else pytest.approx(mine, abs=1e-9)
                    ), f"{sheet.title}!{cell.coordinate} {cell.value}"
                    compared += 1
    assert compared > 500


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
def test_libreoffice_recalculates_to_the_same_figures(quantities, tmp_path):
    """The stored values are taken out first, so that LibreOffice must calculate every formula itself."""
    data = write_quantities_xlsx(
        quantities, project="p", rates=read_rates(RATES), dealings=dealt(quantities)
    )
    bare = tmp_path / "bare.xlsx"
    with zipfile.ZipFile(io.BytesIO(data)) as source, zipfile.ZipFile(bare, "w") as target:
        for name in source.namelist():
            body = source.read(name)
            target.writestr(
                name,
                re.sub(rb"</f><v>[^<]*</v>", b"</f>", body)
                if name.startswith("xl/worksheets/")
                else body,
            )
    subprocess.run(
        [
            "soffice",
            "--headless",
            f"-env:UserInstallation=file://{tmp_path}/profile",
            "--convert-to",
            "xlsx:Calc MS Excel 2007 XML",
            "--outdir",
            str(tmp_path / "lo"),
            str(bare),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )
    ours = openpyxl.load_workbook(io.BytesIO(data), data_only=True)
    formulas = openpyxl.load_workbook(io.BytesIO(data))
    theirs = openpyxl.load_workbook(tmp_path / "lo/bare.xlsx", data_only=True)
    compared = 0
    for sheet in formulas:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    mine, other = (
                        ours[sheet.title][cell.coordinate].value,
                        theirs[sheet.title][cell.coordinate].value,
                    )
                    assert other == (
                        mine if isinstance(mine, str) else pytest.approx(mine, abs=1e-9)
                    ), f"{sheet.title}!{cell.coordinate} {cell.value}"
                    compared += 1
    assert compared > 500


def test_the_workbook_says_which_sum_is_not_complete_and_prices_nothing_in_another_currency(
    quantities,
):
    strange = _varied("N-006", treatment="inset", measure="count", quantity=1.0, rate=7.0, currency="GBP")  # fmt: skip
    varied = value_variations(
        pd.DataFrame([*VARIED.to_dict("records"), strange]), read_rates(RATES)
    )
    data = write_quantities_xlsx(
        quantities,
        project="p",
        rates=read_rates(RATES),
        dealings=replace(dealt(quantities), variations=varied),
        say=Measures(inches=True),
    )
    book = openpyxl.load_workbook(io.BytesIO(data), data_only=True)
    sheet = book["Variations"]
    rows = {r[0].value: r for r in sheet.iter_rows(min_row=4)}
    assert "Sum of agreed variations, NOT COMPLETE: 2 without an amount" in rows
    assert [c.value for c in rows["N-006"][10:14]] == [1, "nr", None, None]
    square_feet = 1 / 0.3048**2
    assert rows["N-003"][10].value == pytest.approx(-40 * square_feet)
    assert rows["N-003"][12].value == pytest.approx(25 / square_feet)
    (line,) = [r for r in book["Contract"].iter_rows(min_row=5) if r[0].value == "clean"]
    area = quantities.breakdown("repairs", "treatment").loc["clean", "area_net_m2"]
    told = [area, -40.0, area, 40.0]
    assert [c.value for c in line[3:7]] == pytest.approx([t * square_feet for t in told])


def test_variations_on_paper_are_in_the_unit_of_the_office(quantities):
    """By the international foot: 40 m2 are 430.56 ft2, and 25 a square metre is 2.32 a square foot."""
    area = {m.name: m for m in MEASURES}["area_net_m2"]
    lines = [
        Line(treatment="clean", measure=area, contract=10.0, agreed=0.0, now=10.3),
        Line(treatment="re-fix", measure=area, contract=7.0, agreed=0.0, now=7.0001),
    ]
    (page,) = variation_pages(
        value_variations(VARIED, read_rates(RATES)),
        lines,
        dealt(quantities).contract,
        project="x",
        paper="A4",
        say=Measures(inches=True),
    )
    texts = [m.text for m in page.marks if isinstance(m, Text)]
    assert {"-430.56", "2.32", "-1,000.00"} <= set(texts)
    assert texts[texts.index("Clean, face area net") + 5] == "+3.23"
    assert texts[texts.index("Re-fix, face area net") + 5] == "0"


def test_a_variation_is_measured_by_figures_of_the_bill():
    assert set(VARIATION_MEASURES) <= {m.name for m in MEASURES}


def test_costs_are_quantity_times_rate(quantities):
    rows = cost_rows(quantities, read_rates(RATES)).set_index("treatment")
    assert rows.loc["inset", "cost_likely"] == pytest.approx(12 * 300.5)
    assert rows.loc["clean", "cost_high"] == pytest.approx(
        quantities.breakdown("repairs", "treatment").loc["clean", "area_net_m2"] * 50
    )
    assert "mortar repair" in read_rates(RATES).without_rate(quantities)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "no rates"),
        ("[[rates]]\ntreatment='inset'\nmeasure='count'\nlow=1\nlikely=2\nhigh=3", "currency"),
        (
            "currency='EUR'\n[[rates]]\ntreatment='inset'\ncurrency='GBP'\nmeasure='count'\nlow=1\nlikely=2\nhigh=3",
            "mixes",
        ),
        (
            "currency='EUR'\n[[rates]]\ntreatment='polish'\nmeasure='count'\nlow=1\nlikely=2\nhigh=3",
            "polish",
        ),
        (
            "currency='EUR'\n[[rates]]\ntreatment='inset'\nmeasure='smiles'\nlow=1\nlikely=2\nhigh=3",
            "smiles",
        ),
        (
            "currency='EUR'\n[[rates]]\ntreatment='inset'\nmeasure='count'\nlow=3\nlikely=2\nhigh=3",
            "order",
        ),
        (
            "currency='EUR'\n[[rates]]\ntreatment='inset'\nmeasure='count'\nlow=nan\nlikely=2\nhigh=3",
            "number that cannot be used",
        ),
        ("currency =", "TOML"),
    ],
)
def test_bad_rates_are_refused_with_a_remedy(text, word):
    with pytest.raises(InputError, match=word) as caught:
        read_rates(text)
    assert caught.value.remedy


def test_an_empty_project_gives_empty_quantities():
    quantities = measure_quantities({})
    assert quantities.total("repairs").sum() == 0
    assert openpyxl.load_workbook(io.BytesIO(write_quantities_xlsx(quantities, project="p")))[
        "Summary"
    ]
    assert write_quantities_csv(quantities).startswith(b"basis,by,key")


def test_a_workbook_in_feet_holds_the_same_amounts(quantities):
    """Areas by the international foot (0.3048 m exactly), weights by the pound; costs do not change with the unit."""
    rates = read_rates(RATES)
    books = [
        openpyxl.load_workbook(
            io.BytesIO(
                write_quantities_xlsx(
                    quantities, project="x", rates=rates, say=Measures(inches=inches)
                )
            ),
            data_only=True,
        )
        for inches in (False, True)
    ]
    metric, feet = ({r[0].value: (r[1].value, r[2].value) for r in b["Summary"]} for b in books)
    assert feet["Face area net"][0] == "ft²"
    assert feet["Face area net"][1] == pytest.approx(metric["Face area net"][1] / 0.3048**2)
    assert feet["Weight of pieces"][1] == pytest.approx(metric["Weight of pieces"][1] / 0.45359237)
    assert feet["Count"] == metric["Count"]
    costs = [[r[7].value for r in b["Costs"].iter_rows(min_row=5)] for b in books]
    assert costs[0] == pytest.approx(costs[1])
    quantity_times_rate = [
        r[2].value * r[4].value for r in books[1]["Costs"].iter_rows(min_row=5) if r[4].value
    ]
    assert quantity_times_rate == pytest.approx(costs[1][: len(quantity_times_rate)])
    left = [
        c.value
        for sheet in books[1]
        for row in sheet
        for c in row
        if isinstance(c.value, str)
        and re.search(r"\((m|m2|m²|m3|m³|kg|L)\)|\d (m|m2|m²|kg|L)\b", c.value)
    ]
    assert left == []


def test_cost_to_date_by_lift_and_month_is_that_of_what_was_accepted(frames, quantities):
    """Two insets at 300.5 each are accepted, in October and November; one that is bedded costs nothing yet."""
    inset = [r["id"] for r in quantities.repairs.to_dict("records") if r["treatment"] == "inset"][
        :3
    ]
    stages = dict(zip(inset, ("accepted", "accepted", "bedded"), strict=True))
    rows = quantities.repairs.assign(
        stage=[stages.get(i, "proposed") for i in quantities.repairs["id"]]
    )
    log = pd.DataFrame(
        [
            {"repair": inset[0], "at": "2026-10-30T10:00:00", "stage": "accepted"},
            {"repair": inset[1], "at": "2026-10-02T10:00:00", "stage": "accepted"},
            {"repair": inset[1], "at": "2026-11-03T10:00:00", "stage": "accepted"},
            {"repair": inset[2], "at": "2026-11-04T10:00:00", "stage": "bedded"},
        ]
    )
    shape = shapely.box(0, 0, 0.5, 0.4)
    measured = {"widths_m": [0.52, 0.52], "heights_m": [0.4, 0.4]}
    cut = pd.DataFrame([{"id": inset[0], "geometry": shape, "measured": measured}])
    found = measure_progress(
        replace(quantities, repairs=rows), {"repairs": cut, "work_log": log}, read_rates(RATES)
    )
    assert [(m.name, m.done, m.cost) for m in found.months] == [
        ("2026-10", 1, pytest.approx(300.5)),
        ("2026-11", 1, pytest.approx(300.5)),
    ]
    assert sum(s.cost for s in found.lifts) == pytest.approx(601.0)
    assert sum(s.begun for s in found.lifts) == 3
    assert found.done == 2
    assert found.as_cut == ((inset[0], pytest.approx(0.2), pytest.approx(0.208)),)
    text = pypdfium2.PdfDocument(
        write_bill(quantities, project="x", rates=read_rates(RATES), say=Measures(), progress=found)
    )
    said = "".join(p.get_textpage().get_text_range() for p in text)
    assert "0.21 m² against 0.20 m²" in said
    assert "601" in said


def test_repairs_on_one_stone_are_priced_as_one_visit(quantities):
    """Two insets at 300.5 each on one stone; setting up once saves two likely hours at 90."""
    names = [r["id"] for r in quantities.repairs.to_dict("records") if r["treatment"] == "inset"]
    hours = {n: Hours(low_h=1, likely_h=2, high_h=3) for n in ("hours", "saved")}
    of = {"surface": "w", "wall_stone": "S1", "treatments": ("inset", "inset")}
    visit = Visit(repairs=tuple(names[:2]), **of, **hours)
    hour = "\n[hour]\nlow = 80\nlikely = 90\nhigh = 100\n"
    (priced,) = price_visits([visit], quantities, read_rates(RATES + hour))
    assert priced.price is not None
    assert priced.price[1] == pytest.approx(601.0 - 180.0)
    dear = "\n[hour]\nlow = 400\nlikely = 400\nhigh = 400\n"
    (small,) = price_visits([visit], quantities, read_rates(RATES + dear))
    assert small.small
    assert small.price == (400.0, 800.0, 1200.0)  # its hours, not less than nothing
    (bare,) = price_visits([visit], quantities, read_rates(RATES))
    assert bare.price is not None
    assert bare.price[1] == pytest.approx(601.0)
    (free,) = price_visits([visit], quantities, None)
    assert free.price is None
    half = replace(visit, treatments=("inset", "repoint"))
    for asked in (hour, dear):
        (part,) = price_visits([half], quantities, read_rates(RATES + asked))
        assert part.bare == ("repoint",)
        assert (part.price, part.taken_off, part.small) == (None, None, False)
    late = "\n[hour]\nlow = 80\nlikely = 90\nhigh = 400\n"
    assert price_visits([visit], quantities, read_rates(RATES + late))[0].small  # at the high end
    told = replace(visit, saved=Hours(low_h=0.5, likely_h=1, high_h=1.5))
    (page,) = visit_pages(
        price_visits([told], quantities, read_rates(RATES + hour)), project="x", paper="A4"
    )
    texts = [m.text for m in page.marks if isinstance(m, Text)]
    assert {"1.0 – 3.0", "0.5 – 1.5", "511.00", "360 to 850"} <= set(texts)
    assert any(t.startswith("Setting up once saves 90.00   (40 to 150)") for t in texts)
    assert priced.taken_off == (80.0, 180.0, 300.0)
    assert priced.price == (400.0 - 80.0, 601.0 - 180.0, 1000.0 - 300.0)
    text = pypdfium2.PdfDocument(
        write_bill(
            quantities, project="x", rates=read_rates(RATES + hour), say=Measures(), visits=[priced]
        )
    )
    said = "".join(p.get_textpage().get_text_range() for p in text)
    assert "421.00" in said
    with pytest.raises(InputError, match="needs low, likely and high"):
        read_rates(RATES + "\n[hour]\nlow = 80\n")
