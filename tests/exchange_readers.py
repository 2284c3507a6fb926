"""Every file of an exchange opened by other programs: counts, lengths and areas against the project, to the last one.

Run as ``python tests/exchange_readers.py PROJECT`` after ``facademap papers PROJECT``; a test runs it too. GDAL by
pyogrio (areas and lengths in its own SQL), geopandas, ezdxf, and LibreOffice where it is installed.
"""

from __future__ import annotations

import contextlib
import csv
import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import ezdxf
import geopandas as gpd
import numpy as np
import openpyxl
import pyogrio
import shapely

from facademap.store.project import Project

KINDS = {2: "", 1: " lines", 0: " points"}
TABLES = ("conditions", "repairs")


@dataclass(frozen=True)
class Found:
    """What one program found in one file: rows, length and area, beside what the project holds."""

    file: str
    program: str
    wanted: tuple[float, ...]
    found: tuple[float, ...]

    @property
    def agrees(self) -> bool:
        """Counts are the same; lengths and areas to a part in a million, or to 1e-9 m2."""
        return len(self.wanted) == len(self.found) and bool(
            np.allclose(self.found, self.wanted, rtol=1e-6, atol=1e-9)
        )


def measure(shapes: Any) -> tuple[float, float, float]:
    """Rows, length of the lines, area."""
    array = np.asarray(shapes, dtype=object)
    lines = array[shapely.get_dimensions(array) == 1]
    return float(len(array)), float(shapely.length(lines).sum()), float(shapely.area(array).sum())


def truth(project: Path) -> dict[str, tuple[float, float, float]]:
    """What the project holds, by layer."""
    found = {}
    with Project.open(project, read_only=True) as opened:
        for table in TABLES:
            frame = opened.read(table)
            dimension = shapely.get_dimensions(np.asarray(frame.geometry.array, dtype=object))
            for surface in sorted(set(frame["surface"])):
                for many, suffix in KINDS.items():
                    rows = frame[(frame["surface"] == surface) & (dimension == many)]
                    if len(rows):
                        found[f"{table} {surface}{suffix}"] = measure(rows.geometry.array)
    return found


def compare(project: Path, *, spreadsheets: bool = True) -> Iterator[Found]:
    """Open everything that lies in ``out`` of a project."""
    out, wanted = project / "out", truth(project)
    geopackage = out / "exchange/exchange.gpkg"
    layers = {str(n) for n, _ in pyogrio.list_layers(geopackage)}
    with Project.open(project, read_only=True) as opened:
        photos = len(opened.read("photos"))
        rows = {t: opened.read(t) for t in TABLES}
        pieces = {str(p.id): p.geometry.area for p in opened.read("pieces").itertuples()}
    if photos:
        yield Found("exchange.gpkg", "GDAL, photos", (photos,), (pyogrio.read_info(geopackage, layer="photos")["features"],))  # fmt: skip
    for layer, numbers in wanted.items():
        stem = out / "exchange" / layer.replace(" ", "-")
        assert layer in layers, layer
        yield Found("exchange.gpkg", "GDAL", numbers, by_gdal(geopackage, layer))
        yield Found("exchange.gpkg", "geopandas", numbers, measure(gpd.read_file(geopackage, layer=layer).geometry.array))  # fmt: skip
        flat = Path(f"{stem}-wall.geojson")
        for path in (Path(f"{stem}.fgb"), flat):
            name = str(pyogrio.list_layers(path)[0][0])
            yield Found(path.name, "GDAL", numbers, by_gdal(path, name))
            yield Found(path.name, "geopandas", numbers, measure(gpd.read_file(path).geometry.array))  # fmt: skip
        if find_spec("pyarrow") is not None:
            table = gpd.read_parquet(f"{stem}.parquet")
            assert table.crs == gpd.read_file(geopackage, layer=layer).crs
            yield Found(f"{stem.name}.parquet", "geopandas", numbers, measure(table.geometry.array))
    yield from by_world(out, rows)
    yield from by_cad(out, wanted, pieces)
    yield from by_dictionary(out)
    if spreadsheets and shutil.which("soffice"):
        yield from by_office(out, rows)


def by_gdal(path: Path, layer: str) -> tuple[float, ...]:
    """Rows, length and area as GDAL reckons them in its SQL, without shapely."""
    shape = "geom" if path.suffix == ".gpkg" else "geometry"
    table = pyogrio.read_dataframe(
        path, sql_dialect="SQLITE", read_geometry=False,
        sql=f'SELECT COUNT(*) AS n, SUM(CASE WHEN ST_Area({shape}) > 0 THEN 0 ELSE ST_Length({shape}) END) AS l, '
        f'SUM(ST_Area({shape})) AS a FROM "{layer}"',
    )  # fmt: skip
    return tuple(0.0 if v is None or v != v else float(v) for v in table.iloc[0][["n", "l", "a"]])


def by_world(out: Path, rows: dict[str, Any]) -> Iterator[Found]:
    """GeoJSON in the world: rows, and the face areas that it tells, since an upright wall has none in plan."""
    for table in TABLES:
        path = out / f"{table}.geojson"
        if path.exists():
            frame = gpd.read_file(path)
            lines = float(rows[table].geometry.length[rows[table].geometry.area == 0].sum())
            found = (len(frame), float(frame["face_length_m"].sum()))
            yield Found(path.name, "geopandas", (len(rows[table]), lines), found)
            assert frame.crs.to_epsg() == 4326
            assert bool(np.isfinite(frame.total_bounds).all())


def by_cad(
    out: Path, wanted: dict[str, tuple[float, float, float]], pieces: dict[str, float]
) -> Iterator[Found]:
    """Drawings: ezdxf finds nothing to mend, and outlines with a label have the lengths and areas of the survey."""
    seen: dict[str, list[float]] = {t: [0.0, 0.0] for t in TABLES}
    theirs: dict[str, list[float]] = {t: [0.0, 0.0] for t in TABLES}
    for path in sorted((out / "exchange").glob("*.dxf")):
        drawing = ezdxf.readfile(path)
        assert not drawing.audit().errors, path.name
        table = "repairs" if path.name.startswith("repair") else "conditions"
        if not path.name.startswith(("repair-", "condition-")):
            continue
        for line in drawing.modelspace().query("LWPOLYLINE"):
            if not line.has_xdata("FACADEMAP"):
                continue
            points = np.array([p[:2] for p in line.get_points()])
            if line.closed:
                seen[table][1] += shapely.Polygon(points).area
            else:
                seen[table][0] += shapely.LineString(points).length
        read = pyogrio.read_dataframe(path)
        own = ~read["Layer"].isin(["STONES", "OPENINGS", "LABELS"]) & ~read["Layer"].str.endswith("-HATCH")  # fmt: skip
        lines = read[own & read["SubClasses"].str.contains("AcDbPolyline")].geometry.array
        rings = shapely.is_ring(lines)
        theirs[table][0] += shapely.length(lines[~rings]).sum()
        theirs[table][1] += sum(shapely.Polygon(r).area for r in lines[rings])
    for table in TABLES:
        own = [v for k, v in wanted.items() if k.startswith(table)]
        total = (sum(v[1] for v in own), sum(v[2] for v in own))
        yield Found(f"drawings of {table}", "ezdxf", total, tuple(seen[table]))
        yield Found(f"drawings of {table}", "GDAL", total, tuple(theirs[table]))
    for path in sorted((out / "drawings").glob("*.dxf")):
        yield Found(path.name, "ezdxf, faults", (0,), (len(ezdxf.readfile(path).audit().errors),))
    total, cut = 0.0, 0.0
    for path in sorted((out / "dxf").glob("*.dxf")):
        drawing = ezdxf.readfile(path)
        yield Found(path.name, "ezdxf, faults", (0,), (len(drawing.audit().errors),))
        assert drawing.layers.get("CUT").dxf.lineweight == 50
        total += pieces[path.stem]
        rings = [
            np.array([p[:2] for p in r.get_points()])
            for r in drawing.modelspace().query('LWPOLYLINE[layer=="CUT"]')
        ]
        outer, *holes = (shapely.Polygon(r / 1000).area for r in rings)
        cut += outer - sum(holes)
    yield Found("dxf of the pieces", "ezdxf", (total,), (cut,))


def by_dictionary(out: Path) -> Iterator[Found]:
    """Every column that was written stands in the data dictionary."""
    with (out / "exchange/data-dictionary.csv").open(encoding="utf-8", newline="") as file:
        known = {(r["table"], r["column"]) for r in csv.DictReader(file)}
    path, missing = out / "exchange/exchange.gpkg", []
    for layer, shape in pyogrio.list_layers(path):
        table = "photos of" if layer.startswith("photos of ") else str(layer).split(" ")[0]
        columns = [*pyogrio.read_info(path, layer=layer)["fields"], *(["geometry"] if shape else [])]  # fmt: skip
        missing += [(table, c) for c in columns if (table, c) not in known]
    for file in (*out.glob("*.geojson"), *(out / "exchange").glob("*.geojson")):
        table = file.name.split(".")[0].split("-")[0]
        features = json.loads(file.read_text("utf-8"))["features"]
        columns = {c for f in features for c in f["properties"]}
        missing += [(table, c) for c in columns if not {(table, c), (file.name, c)} & known]
    with (out / "quantities.csv").open(encoding="utf-8", newline="") as quantities:
        head = next(csv.reader(quantities))
    missing += [("quantities.csv", c) for c in head if ("quantities.csv", c) not in known]
    assert not missing, missing
    yield Found("data-dictionary.csv", "columns missing", (0,), (len(missing),))


def by_office(out: Path, rows: dict[str, Any]) -> Iterator[Found]:
    """The plain tables through LibreOffice: rows, and the area of all conditions; the workbook has a test of its own."""
    files = ("quantities.csv", "exchange/data-dictionary.csv")
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(
            ["soffice", "--headless", f"-env:UserInstallation=file://{folder}/profile", "--infilter=CSV:44,34,76,1",
             "--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", folder, *(str(out / f) for f in files)],
            check=True, capture_output=True, timeout=150,
        )  # fmt: skip
        for name in files:
            with (out / name).open(encoding="utf-8", newline="") as file:
                many = sum(1 for _ in csv.reader(file))
            book = openpyxl.load_workbook(Path(folder) / f"{Path(name).stem}.xlsx", read_only=True)
            read = list(book.worksheets[0].iter_rows(values_only=True))
            yield Found(name, "LibreOffice, rows", (many,), (len(read),))
            if name == "quantities.csv":
                (all_,) = [r for r in read if r[:3] == ("conditions", "all", "total")]
                column = read[0].index("area_gross_m2")
                area = float(rows["conditions"].geometry.area.sum())
                yield Found(name, "LibreOffice, area", (round(area, 6),), (float(all_[column]),))


def main() -> int:
    """Tell what each program found; 1 where something differs."""
    wrong = 0
    for one in compare(Path(sys.argv[1])):
        wrong += not one.agrees
        with contextlib.suppress(BrokenPipeError):
            mark = "ok    " if one.agrees else "DIFFER"
            print(mark, one.file, one.program, *(f"{v:g}" for v in one.found), sep="  ")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
