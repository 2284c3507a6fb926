"""One good file of every kind that the command line reads, small projects, and the calls that read them."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import sys
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import desk_sample
import ezdxf
import geopandas as gpd
import laspy
import numpy as np
import pandas as pd
import rasterio
import shapely
from rasterio.transform import from_origin

from facademap.cli.main import main
from facademap.repair import criteria
from facademap.store.project import Project
from facademap.tasks.project.create_project import ProjectPlan, create_project

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
import rendered_relief
import small_wall

SIZE = (1600, 1200)


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """Words of a call, the sample files it reads, the project it works in, and which of them are spoilt."""

    words: tuple[str, ...]
    files: tuple[str, ...] = ()
    project: str = ""
    spoil: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """The files by name, the sound projects by name, and the calls."""

    files: dict[str, Path]
    projects: dict[str, Path]
    calls: tuple[Call, ...]


def _call(line: str, *files: str, project: str = "", spoil: str = "") -> Call:
    """A call; files stand in the line in braces, and all of them are spoilt in turn unless some are named."""
    return Call(
        words=(*line.split(), "--quiet"),
        files=files,
        project=project,
        spoil=tuple(spoil.split()) if spoil else files,
    )


def make_samples(folder: Path) -> Samples:
    """Make them all."""
    folder.mkdir(parents=True)
    files = {
        **_tables(folder),
        **_pictures(folder),
        **_shapes(folder),
        **_texts(folder),
        **_reliefs(folder),
    }
    _name_pictures(files)
    projects = _projects(folder)
    with Project.open(projects["full"], read_only=True) as project:
        repair = str(project.read("pieces")["repair"].iloc[0])
    return Samples(files=files, projects=projects, calls=_calls(repair))


def _calls(repair: str) -> tuple[Call, ...]:
    control = "--control {control}"
    rectify = f"rectify --photo {{photo}} {control} --gsd-mm 20 --out {{room}}/o.tif"
    tables = [
        *(_call(f"add-control {{project}} {{{k}}} --epsg 25832", k, project="empty") for k in ("survey_points", "survey_points_xlsx", "survey_points_ods")),
        *(_call(f"add-blocks {{project}} {{{k}}}", k, project="empty") for k in ("blocks", "blocks_xlsx")),
        *(_call(f"add-outlines conditions {{project}} {{{k}}}", k, project="empty") for k in ("conditions", "conditions_xlsx")),
    ]  # fmt: skip
    shapes = [
        _call(f"add-outlines wall-stones {{project}} {{{k}}} --unit m", k, project="empty")
        for k in ("geojson", "gpkg", "dxf", "kml", "kmz", "fgb")
    ]
    shapes.append(
        _call(
            "add-outlines wall-stones {project} {shp} --unit m",
            "shp",
            "shx",
            "dbf",
            project="empty",
        )
    )
    damaged = [
        _call(line, project="full", spoil="project")
        for line in (
            "check {project}",
            "match {project} --work-limit 2",
            f"explain {{project}} {repair}",
            "map {project} --out {room}/map.html",
            "papers {project} --only lists --out {room}",
            "papers {project} --only tickets --out {room}",
            "plan {project}",
            "schedule {project} --start 2026-05-04 --out {room}/s.csv",
            "plans {project}",
            "record {project} R-001",
            "required {project}",
            "yard remainders {project}",
            "check {project} --set-aside all",
        )
    ]
    return (
        _call(f"{rectify} --no-lens", "photo", "control"),
        _call(f"{rectify} --camera {{camera}}", "photo", "control", "camera", spoil="control camera"),
        _call(f"{rectify} --no-lens", "photo_tif", "control").__class__(
            words=tuple(w.replace("{photo}", "{photo_tif}") for w in (*rectify.split(), "--no-lens", "--quiet")),
            files=("photo_tif", "control"), spoil=("photo_tif",),
        ),
        _call(f"locate --size 1600,1200 {control} --points {{points}} --no-lens --out {{room}}/o.csv", "control", "points"),
        _call(f"measure --photo {{photo}} {control} --shapes {{shapes}} --out {{room}}/o.csv", "photo", "control", "shapes", spoil="control shapes"),
        _call("frame --survey {survey} --outside 402310,6050095,13 --out {room}/o.csv --placement {room}/p.json", "survey"),
        _call("tape --tape {tape} --out {room}/o.csv", "tape"),
        _call("straighten --photo {photo} --distance 100,100,900,100,3.5 --camera {camera} --gsd-mm 20 --out {room}/o.tif", "photo", "camera"),
        _call("colour --photo {photo} --patches {patches} --out {room}/o.csv", "photo", "patches"),
        _call("outline-block --photo {photo} --control {face_control} --click 0.3,0.2 --bed-deg 0 --out {room}/o.geojson", "photo", "face_control"),
        *tables,
        *shapes,
        _call("add-control {project} {survey_points} --observations {observations}", "survey_points", "observations", project="photos", spoil="observations"),
        _call("add-blocks {project} {blocks} --faces {faces}", "blocks", "faces", project="empty", spoil="faces"),
        *(_call(f"add-photos {{project}} {{{k}}} --camera {{camera}}", k, "camera", project="empty") for k in ("photo", "photo_tif", "photo_png")),
        _call("add-elevation {project} {elevation}", "elevation", project="wall"),
        _call("add-elevation {project} {las} --gsd-mm 20", "las", project="wall"),
        _call("add-elevation {project} {laz} --gsd-mm 20", "laz", project="wall"),
        _call("add-elevation {project} {ply} --gsd-mm 20 --unit m", "ply", project="wall"),
        _call("add-review {project} {review}", "review", project="full", spoil="review"),
        _call("add-surfaces {project} {plan_toml}", "plan_toml", project="empty"),
        _call("new {room}/fresh --from {plan_toml}", "plan_toml"),
        _call("plan {project} --rules {rules}", "rules", project="full"),
        _call("plan {project} --profile {profile}", "profile", project="full"),
        _call("papers {project} --only quantities --rates {rates} --out {room}", "rates", project="full"),
        _call("workmanship {project} --fix {standard}", "standard", project="full"),
        *_pictures_in_tables(),
        *_relief_calls(),
        _call("solve {problem} --out {room}/o.json --work-limit 2", "problem"),
        _call("rules --rules {rules}", "rules"),
        *damaged,
        *damaged[:6],
    )  # fmt: skip


def _pictures_in_tables() -> tuple[Call, ...]:
    """Commands in which a table names pictures, or places in them."""
    return (
        _call("looks --images {pictures} --out {room}/o.csv", "pictures", "photo_png"),
        _call("register --photos {photo} {photo_tif} --points {photo_points} --out {room}/o.csv", "photo_points", "photo", "photo_tif", spoil="photo_points photo"),
        _call("follow --image {photo} --clicks {clicks} --kind outline --out {room}/o.geojson", "clicks", "photo"),
        _call("follow --image {photo} --clicks {line_clicks} --kind line --out {room}/o.geojson", "line_clicks", "photo", spoil="line_clicks"),
        _call("mosaic --photos {photo} --control {mosaic_control} --gsd-mm 40 --out {room}/o.tif", "mosaic_control", "photo", spoil="mosaic_control"),
        _call("outline-wall --photo {photo_png} --out {room}/o.geojson", "photo_png"),
        _call("calibrate {photo_png} {photo_png} {photo_png} --columns 7 --rows 5 --out {room}/o.json", "photo_png"),
        _call("add-chart {project} front_1.jpg {patches} --edition ours", "patches", project="photos"),
        _call("colour --photo {photo} --table {chart} --out {room}/o.csv", "photo", "chart", spoil="chart"),
    )  # fmt: skip


def _relief_calls() -> tuple[Call, ...]:
    return (
        _call("change {relief} {relief_new} --out {room}/o.tif --polygons {geojson} --table {room}/o.csv", "relief", "relief_new", "geojson"),
        _call("depths {project} --relief {relief} --out {room}/o.csv", "relief", project="full"),
        _call("relief --photos {room} --control {relief_control} --cell-mm 6 --out {room}/o.tif", "relief_control", "p1", "p2", spoil="relief_control p1"),
    )  # fmt: skip


def run(*words: object) -> None:
    """Call the command line; it must succeed."""
    said = io.StringIO()
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            main([str(w) for w in words] + ["--quiet"])
    except SystemExit as ended:
        if ended.code not in (0, None):
            raise RuntimeError(f"{words}: {said.getvalue()}") from None


def _tables(folder: Path) -> dict[str, Path]:
    found: dict[str, Path] = {}
    kinds = ("control", "points", "shapes", "survey", "survey-points", "observations", "tape", "patches", "face-control", "conditions", "blocks", "faces", "mosaic-control", "photo-points", "clicks", "line-clicks", "chart", "pictures")  # fmt: skip
    for kind in kinds:
        found[kind.replace("-", "_")] = folder / f"{kind}.csv"
        run("template", kind, "--out", folder / f"{kind}.csv")
    for kind in ("survey-points", "blocks", "conditions"):
        found[f"{kind.replace('-', '_')}_xlsx"] = folder / f"{kind}.xlsx"
        run("template", kind, "--out", folder / f"{kind}.xlsx")
    found["survey_points_ods"] = folder / "survey-points.ods"
    _write_ods(pd.read_csv(folder / "survey-points.csv", comment="#"), folder / "survey-points.ods")
    return found


def _write_ods(frame: pd.DataFrame, path: Path) -> None:
    """A spreadsheet of plain cells, after OpenDocument 1.2."""
    from xml.sax.saxutils import escape

    rows = [list(frame.columns), *frame.astype(object).fillna("").astype(str).to_numpy().tolist()]
    cells = "".join(
        "<table:table-row>"
        + "".join(
            f'<table:table-cell office:value-type="string"><text:p>{escape(str(c))}</text:p></table:table-cell>'
            for c in row
        )
        + "</table:table-row>"
        for row in rows
    )
    names = "".join(
        f' xmlns:{n}="urn:oasis:names:tc:opendocument:xmlns:{n}:1.0"' for n in ("office", "table", "text")
    )  # fmt: skip
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr(
            "content.xml",
            f'<?xml version="1.0"?><office:document-content{names} office:version="1.2"><office:body><office:spreadsheet>'
            f'<table:table table:name="points">{cells}</table:table></office:spreadsheet></office:body></office:document-content>',
        )


def _pictures(folder: Path) -> dict[str, Path]:
    rng = np.random.default_rng(1)
    grey = cv2.resize(rng.integers(60, 200, (60, 80)).astype(np.uint8), SIZE)
    picture = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    small = cv2.resize(picture, (240, 180))
    for name, what in (("photo.jpg", picture), ("small.tif", picture), ("small.png", small)):
        cv2.imwrite(str(folder / name), what)
    with rasterio.open(folder / "elevation.tif", "w", driver="GTiff", dtype="uint8", width=200, height=150, count=3, transform=from_origin(0, 3, 0.02, 0.02)) as file:  # fmt: skip
        file.write(np.moveaxis(cv2.resize(picture, (200, 150)), -1, 0))
    return {
        "photo": folder / "photo.jpg",
        "photo_tif": folder / "small.tif",
        "photo_png": folder / "small.png",
        "elevation": folder / "elevation.tif",
        **_clouds(folder),
    }


def _clouds(folder: Path) -> dict[str, Path]:
    rng = np.random.default_rng(2)
    uvw = np.c_[rng.uniform(0, 4, 6000), rng.uniform(0, 3, 6000), rng.normal(0, 0.002, 6000)]
    xyz = uvw @ small_wall.WORLD[:, :3].T + small_wall.WORLD[:, 3]
    header = laspy.LasHeader(point_format=3, version="1.2")
    header.offsets, header.scales = np.floor(xyz.min(axis=0)), [0.0001] * 3
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = xyz.T
    cloud.red = cloud.green = cloud.blue = rng.integers(0, 60000, 6000).astype(np.uint16)
    cloud.write(str(folder / "cloud.las"))
    lines = ["ply", "format ascii 1.0", "element vertex 1500", *(f"property double {a}" for a in "xyz"), "end_header"]  # fmt: skip
    np.savetxt(folder / "cloud.ply", xyz[:1500], header="\n".join(lines), comments="")
    cloud.write(str(folder / "cloud.laz"))
    return {"las": folder / "cloud.las", "laz": folder / "cloud.laz", "ply": folder / "cloud.ply"}


def _reliefs(folder: Path) -> dict[str, Path]:
    """Two reliefs of one wall, and photos with targets from which one is made."""
    from facademap.io.relief_files import open_relief_writer
    from facademap.wall.grid import PixelGrid
    from facademap.wall.world import wall_crs

    grid = PixelGrid(left_m=0.0, top_m=3.0, gsd_m=0.05, width_px=80, height_px=60)
    found = {}
    for name in ("relief", "relief_new"):
        found[name] = folder / f"{name}.tif"
        level = np.full((60, 80), 0.01 if name == "relief" else 0.006, np.float32)
        with open_relief_writer(found[name], grid, crs_wkt=wall_crs("Mill", "mill")) as writer:
            writer.write_rows(0, level, np.full_like(level, 0.001))
    wall = rendered_relief.make_wall(1, width_m=0.5, height_m=0.4, step_m=0.002, losses=0)
    views = rendered_relief.stations(
        wall, count=2, distance_m=0.6, size_px=(160, 120), focal_px=150.0
    )
    control = rendered_relief.write_survey(folder / "relief-photos", wall, views, over=1)
    found["relief_control"] = control
    pictures = sorted(p for p in control.parent.iterdir() if p.suffix == ".jpg")
    return found | {f"p{n}": p for n, p in enumerate(pictures[:2], start=1)}


def _name_pictures(files: dict[str, Path]) -> None:
    """Tables of pictures name those that are there."""
    for key, name in (("mosaic_control", "photo.jpg"), ("photo_points", "photo.jpg"), ("pictures", "small.png")):  # fmt: skip
        text = files[key].read_text()
        for named in ("front_1.jpg", "front_2.jpg", "B-01.png", "B-02.png"):
            text = text.replace(named, name)
        files[key].write_text(text)


def _shapes(folder: Path) -> dict[str, Path]:
    boxes = [
        shapely.box(0.5 * n, 0.3 * (n % 4), 0.5 * n + 0.45, 0.3 * (n % 4) + 0.28) for n in range(8)
    ]
    frame = gpd.GeoDataFrame(
        {"id": [f"S-{n}" for n in range(8)], "course": 1, "stone_type": "limestone", "depth_m": 0.3},
        geometry=boxes,
    )  # fmt: skip
    plain = json.loads(frame.to_json())
    (folder / "stones.geojson").write_text(json.dumps(plain))
    for name in ("stones.gpkg", "stones.shp", "stones.fgb"):
        with contextlib.suppress(UserWarning):
            frame.to_file(folder / name, engine="pyogrio")
    drawing = ezdxf.new()
    for box in boxes:
        drawing.modelspace().add_lwpolyline(list(box.exterior.coords), close=True)
    drawing.saveas(folder / "stones.dxf")
    places = "".join(
        "<Placemark><name>S</name><Polygon><outerBoundaryIs><LinearRing><coordinates>"
        + " ".join(f"{u},{v},0" for u, v in box.exterior.coords)
        + "</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>"
        for box in boxes
    )
    (folder / "stones.kml").write_text(
        f'<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>{places}</Document></kml>'
    )
    with zipfile.ZipFile(folder / "stones.kmz", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.write(folder / "stones.kml", "doc.kml")
    names = {"kmz": "stones.kmz", "geojson": "stones.geojson", "gpkg": "stones.gpkg", "dxf": "stones.dxf", "kml": "stones.kml", "shp": "stones.shp", "shx": "stones.shx", "dbf": "stones.dbf", "fgb": "stones.fgb"}  # fmt: skip
    return {k: folder / v for k, v in names.items()}


def _texts(folder: Path) -> dict[str, Path]:
    house = Path(criteria.__file__).parent
    camera = {"width": SIZE[0], "height": SIZE[1], "fx": 1500.0, "fy": 1500.0, "cx": 800.0, "cy": 600.0, "k1": -0.05, "k2": 0.0, "p1": 0.0, "p2": 0.0}  # fmt: skip
    review = {
        "facademap_review": 1,
        "project": "",
        "entries": [
            {"at": "2026-05-06T10:00:00+00:00", "reviewer": "Ada", "about_table": "repairs", "about": "R-001", "decision": "approve", "text": "good"}
        ],
    }  # fmt: skip
    texts = {
        "camera": ("camera.json", json.dumps(camera)),
        "review": ("review.json", json.dumps(review)),
        "problem": ("problem.json", json.dumps(_problem())),
        "rates": (
            "rates.toml",
            'currency = "EUR"\n[[rates]]\ntreatment = "inset"\nmeasure = "removed_area_m2"\nlow = 1\nlikely = 2\nhigh = 3\n',
        ),
        "plan_toml": (
            "plan.toml",
            'name = "Mill"\n[[elevations]]\nid = "yard"\nname = "Yard"\nfacing_deg = 20.0\n'
            '[[surfaces]]\nid = "s"\nelevation = "yard"\nname = "S"\nkind = "plane"\nu0_m = 0.0\nv0_m = 0.0\nu1_m = 4.0\nv1_m = 3.0\n',
        ),
    }
    for name in ("rules", "profile", "standard"):
        source = {"rules": "rules.toml", "profile": "metric.toml", "standard": "standard.toml"}[
            name
        ]
        texts[name] = (source, (house / source).read_text())
    for name, text in texts.values():
        (folder / name).write_text(text)
    return {k: folder / name for k, (name, _) in texts.items()}


def _problem() -> dict[str, Any]:
    """Two repairs and a block for the solver."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "reference"))
    sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
    from match_instances import small_problem

    from facademap.io.match_files import problem_to_json

    found = small_problem(0)
    return found if isinstance(found, dict) else problem_to_json(found)


def _projects(folder: Path) -> dict[str, Path]:
    made = {n: folder / f"project-{n}" for n in ("empty", "photos", "wall", "full")}
    create_project(made["empty"], ProjectPlan.of_one_wall("Mill, yard side"))
    shutil.copytree(made["empty"], made["photos"])
    shutil.copyfile(folder / "photo.jpg", folder / "front_1.jpg")
    run("add-photos", made["photos"], folder / "front_1.jpg")
    small_wall.make_wall(made["wall"], picture=False)
    desk_sample.make_planned_project(made["full"], blocks=3)
    run("match", made["full"], "--work-limit", "2")
    return made
