"""Features for GIS programs (OGC 17-069r4 and 18-058r1), over both stores, read by GDAL as a client and compared with shapely."""

from __future__ import annotations

import json
import math
import socket
import subprocess
import sys
import threading
import time
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pyproj
import pytest
import shapely
import uvicorn
from cluster import Cluster

from facademap.store.project import Project
from facademap.store.team_address import read_address
from facademap.tasks.desk.features import CRS84H
from facademap.wall.world import wall_crs
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

BASE = "http://127.0.0.1:8471"
#: An upright wall that runs to the north-east, and a round turret of 2 m.
RIVER = [[0.8, 0.0, 0.6, 500_000.0], [0.6, 0.0, -0.8, 5_650_000.0], [0.0, 1.0, 0.0, 100.0]]
TURRET = [[1.0, 0.0, 0.0, 500_030.0], [0.0, 0.0, -1.0, 5_650_030.0], [0.0, 1.0, 0.0, 100.0]]
UTM = "http://www.opengis.net/def/crs/EPSG/0/25832"


def _fill(project: Project) -> None:
    def world(matrix: list[list[float]]) -> dict[str, Any]:
        return {
            "epsg": 25832, "matrix": matrix, "names": [], "residual_m": [], "out_of_plane_m": [], "used": [], "rmse_m": 0.0, "flags": [],
        }  # fmt: skip

    def surface(id: str, **more: Any) -> dict[str, Any]:
        return {"id": id, "elevation": "river", "name": id, "frame_wkt": wall_crs(id, f"t {id}"), **more}  # fmt: skip

    def condition(number: int, place: str, u: float, v: float, on: str | None) -> dict[str, Any]:
        shape = shapely.Polygon([(u, v), (u + 0.3, v), (u + 0.4, v + 0.2), (u, v + 0.25)])
        return {
            "id": f"C-{number:03d}", "surface": place, "term": "crack" if number % 5 == 0 else "scaling",
            "note": 'quoted " < & é', "observed_on": on, "area_m2": shape.area, "geometry": shape,
        }  # fmt: skip

    with project.edit(who="ann", what="set up") as edit:
        edit.insert("elevations", [{"id": "river", "name": "River front"}])
        edit.insert(
            "surfaces",
            [
                surface("front", world=world(RIVER)),
                surface("turret", kind="cylinder", radius_m=2.0, world=world(TURRET)),
                surface("yard.a"),
            ],
        )
        front = [condition(n, "front", 0.5 * n, 0.1 * n, "2025-03-01") for n in range(1, 31)]
        round_ = [condition(n, "turret", 0.2 * (n - 40), 1.0, None) for n in range(31, 41)]
        inner = [condition(n, "yard.a", 1.0, 1.0, "2026-03-01") for n in range(41, 46)]
        edit.insert("conditions", front + round_ + inner)
        edit.insert(
            "wall_stones",
            [{"id": "S-1", "surface": "front", "geometry": shapely.box(0, 0, 1, 0.4)}],
        )


@pytest.fixture(scope="module", params=["geopackage", "postgis"])
def folder(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("features") / "loft"
    if request.param == "geopackage":
        made = Project.create(place, name="Loft")
    else:
        cluster: Cluster = request.getfixturevalue("cluster")
        address = read_address(f"{cluster.make_database('features')}#loft")
        made = Project.create_in(address, place, name="Loft")
    with made as project:
        _fill(project)
    return place


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[TestClient]:
    with TestClient(make_app(folder), base_url=BASE) as client:
        yield client


def _all(client: TestClient, address: str) -> list[dict[str, Any]]:
    """Every feature, by the links from leaf to leaf."""
    found: list[dict[str, Any]] = []
    while address:
        told = client.get(address)
        assert told.status_code == 200, told.text
        leaf = told.json()
        assert leaf["numberReturned"] == len(leaf["features"])
        found += leaf["features"]
        links = [one["href"] for one in leaf["links"] if one["rel"] == "next"]
        address = links[0] if links else ""
    return found


def test_a_client_finds_its_way_from_the_landing_page(client: TestClient) -> None:
    links = {one["rel"]: one["href"] for one in client.get("/ogc").json()["links"]}
    assert {"self", "service-desc", "conformance", "data"} <= set(links)
    assert all(urlsplit(href).netloc == "127.0.0.1:8471" for href in links.values())
    conforms = client.get(links["conformance"]).json()["conformsTo"]
    assert "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/core" in conforms
    told = client.get(links["service-desc"])
    assert told.headers["content-type"].startswith("application/vnd.oai.openapi+json;version=3.0")
    collections = {c["id"]: c for c in client.get(links["data"]).json()["collections"]}
    assert set(collections) == {
        f"{table}{of}"
        for table in ("conditions", "wall_stones", "repairs")
        for of in ("", ".front", ".turret", ".yard.a")
    }
    for id, one in collections.items():
        assert f"/collections/{id}/items" in told.json()["paths"]
        assert one["storageCrs"] in one["crs"]
        assert one["crs"][0] == CRS84H
        assert client.get(f"/ogc/collections/{id}").json() == one
        assert client.get(f"/ogc/collections/{id}/items").json()["numberMatched"] >= 0
    assert "yard.a" in collections["conditions"]["description"]


def test_leaves_give_every_feature_once_and_each_alone_is_the_same(client: TestClient) -> None:
    found = _all(client, "/ogc/collections/conditions/items?limit=7")
    assert [f["id"] for f in found] == [f"C-{n:03d}" for n in range(1, 46)]
    alone = client.get("/ogc/collections/conditions/items/C-007").json()
    assert alone["geometry"] == found[6]["geometry"]
    assert alone["properties"]["note"] == 'quoted " < & é'
    assert {f["properties"]["surface"] for f in found if f["geometry"] is None} == {"yard.a"}
    cracks = _all(client, "/ogc/collections/conditions/items?term=crack&limit=4")
    assert len(cracks) == sum(f["properties"]["term"] == "crack" for f in found) == 9


def test_places_are_where_proj_and_the_frame_put_them(client: TestClient, folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        rows = project.read("conditions").set_index("id")
    to_degrees = pyproj.Transformer.from_crs("EPSG:25832", "OGC:CRS84", always_xy=True)
    for feature in _all(client, "/ogc/collections/conditions/items"):
        outline = rows.loc[feature["id"]]
        if outline["surface"] == "yard.a":
            continue
        u, v = np.asarray(outline["geometry"].exterior.coords).T
        if outline["surface"] == "front":
            east, north = 500_000 + 0.8 * u, 5_650_000 + 0.6 * u
        else:  # the axis of the turret stands 2 m to the north of its origin
            east, north = 500_030 + 2 * np.sin(u / 2), 5_650_032 - 2 * np.cos(u / 2)
        lon, lat = to_degrees.transform(east, north)
        told = np.array(feature["geometry"]["coordinates"][0])
        assert np.abs(told - np.column_stack([lon, lat, 100 + v])).max() < 2e-6
        assert np.abs(told[:, :2] - np.column_stack([lon, lat])).max() < 2e-9  # 0.2 mm


@pytest.mark.parametrize("system", ["", UTM])
def test_a_box_takes_in_what_stands_in_it(client: TestClient, system: str) -> None:
    found = _all(client, f"/ogc/collections/conditions/items?crs={system or CRS84H}")
    for first, last in ((3, 9), (12, 12), (31, 36)):
        some = np.concatenate([f["geometry"]["coordinates"][0] for f in found[first - 1 : last]])
        # a hair's breadth inside, so that rounding decides nothing
        edge = 1e-8 if not system else 1e-3
        box = [*(some.min(axis=0)[:2] + edge), *(some.max(axis=0)[:2] - edge)]
        wanted = [
            f["id"]
            for f in found
            if f["geometry"]
            and shapely.box(*box).intersects(
                shapely.LineString(np.array(f["geometry"]["coordinates"][0])[:, :2])
            )
        ]
        asked = f"bbox={','.join(map(repr, map(float, box)))}" + (
            f"&bbox-crs={system}" if system else ""
        )
        told = client.get(f"/ogc/collections/conditions/items?limit=2&{asked}").json()
        assert told["numberMatched"] == len(wanted) >= 1
        assert [f["id"] for f in _all(client, f"/ogc/collections/conditions/items?limit=2&{asked}")] == wanted  # fmt: skip
    world = client.get("/ogc/collections/conditions/items?bbox=-180,-90,180,90").json()
    assert world["numberMatched"] == 40, "what has no place is in no box"
    assert client.get("/ogc/collections/conditions/items?bbox=0,0,1,1").json()["numberMatched"] == 0
    low = client.get("/ogc/collections/conditions/items?bbox=-180,-90,0,180,90,100.5").json()
    assert low["numberMatched"] == 5, "those whose outline begins within 0.5 m of the origin"
    wall = f"{BASE}/ogc/crs/yard.a"
    for box, count in (("0,0,1.1,1.1", 5), ("0,0,0.9,0.9", 0)):
        address = f"/ogc/collections/conditions.yard.a/items?bbox={box}&bbox-crs={wall}&crs={wall}"
        told = client.get(address)
        assert told.json()["numberMatched"] == count
        assert told.headers["content-crs"] == f"<{wall}>"


def test_time_keeps_what_has_no_day(client: TestClient) -> None:
    for asked, count in (
        ("2025-03-01", 40),
        ("2026-01-01/..", 15),
        ("../2025-02-28", 10),
        ("2025-03-01T23:30:00Z/2026-03-01T00:00:00Z", 45),
    ):
        told = client.get(f"/ogc/collections/conditions/items?datetime={asked}").json()
        assert told["numberMatched"] == count, asked
    stones = client.get("/ogc/collections/wall_stones/items?datetime=1900-01-01").json()
    assert stones["numberMatched"] == 1, "a stone of a wall has no time"


@pytest.mark.parametrize(
    "asked",
    [
        "bbox=1,2,3", "bbox=a,b,c,d", "bbox=nan,0,1,1", "bbox=0,9,1,1", "bbox=1e400,0,1,1", "limit=0", "limit=-1", "limit=٣", "limit=1e3",
        "limit=5&limit=6", "offset=99999999999999999999", "offset=-5", "crs=http://www.opengis.net/def/crs/EPSG/0/4326", "crs='",
        "bbox-crs=file:///etc/passwd", "datetime=yesterday", "datetime=2026-02-30", "datetime=2026/2025", "datetime=..", "datetime=a/b/c",
        "colour=red", "term=" + "x" * 500, "cc=1;DROP TABLE conditions", "cc=99999999999999999999", "observed_on=soon", "cause_settled=1",
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_as_a_problem(client: TestClient, asked: str) -> None:
    told = client.get(f"/ogc/collections/conditions/items?{asked}")
    assert told.status_code == 400, told.text
    assert told.headers["content-type"].startswith("application/problem+json")
    assert told.json()["status"] == 400
    assert told.json()["title"]
    assert told.json()["detail"]


def test_hostile_names_find_nothing_and_break_nothing(client: TestClient) -> None:
    for path in (
        "settings/items", "edit_log", "conditions.front' OR 1=1/items", "..%2f..%2fproject.gpkg/items", "conditions/items/%00",
        "conditions.turret/items/C-001", "conditions/items/C-001'--",
    ):  # fmt: skip
        told = client.get(f"/ogc/collections/{path}")
        assert told.status_code in (400, 404), (path, told.text)
    for asked in ("term=' OR '1'='1", "note=%00", "surface=%27%3B"):
        told = client.get(f"/ogc/collections/conditions/items?{asked}")
        assert told.status_code == 400 or told.json()["numberMatched"] == 0
    assert client.post("/ogc/collections/conditions/items", json={}).status_code == 405


_GDAL = """
import json, sys, pyogrio, shapely
from pyogrio.raw import read
source, layers = "OAPIF:" + sys.argv[1], json.loads(sys.argv[2])
found = {"layers": [str(name) for name, _ in pyogrio.list_layers(source)]}
for name in layers:
    meta, _, shapes, values = read(source, layer=name, PAGE_SIZE=20)
    outlines = shapely.from_wkb(shapes)
    ids = values[list(meta["fields"]).index("id")]
    found[name] = {"crs": meta["crs"], "areas": {i: o.area for i, o in zip(ids, outlines) if o}, "count": len(ids),
                   "lengths": {i: sum(sum((a - b) ** 2 for a, b in zip(p, q)) ** 0.5 for p, q in zip(o.exterior.coords, o.exterior.coords[1:]))
                               for i, o in zip(ids, outlines) if o}}
print(json.dumps(found))
"""


@pytest.mark.parametrize("folder", ["postgis"], indirect=True)
def test_gdal_reads_the_same_with_the_link_of_a_reviewer_and_nothing_without(folder: Path) -> None:
    """GDAL's OAPIF driver follows the leaves; areas and lengths are those that shapely finds in the rows themselves."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    secret = "a long enough secret"
    app = make_app(folder, host="0.0.0.0", secret=secret)
    with TestClient(app, base_url=BASE) as team:
        token = team.post("/enter", json={"secret": secret, "name": "A. Mason"}).json()["token"]
        link = team.post("/api/reviewer-links", json={"name": "GIS"}).json()
        key = link["address"].split("key=")[1]
        for header, status in (
            (f"Bearer {key}", 200),
            (f"Bearer {token}", 200),
            (f"Bearer {secret}", 401),
            ("Basic !", 401),
            ("", 401),
        ):
            fresh = TestClient(
                app, base_url=BASE, headers={"authorization": header} if header else {}
            )
            assert fresh.get("/ogc/collections").status_code == status, header
            if header == f"Bearer {key}":
                assert fresh.get("/api/project").status_code == 401, (
                    "the link itself opens /ogc alone"
                )
    server = uvicorn.Server(uvicorn.Config(make_app(folder, host="0.0.0.0", secret=secret), port=port, log_level="error"))  # fmt: skip
    running = threading.Thread(target=server.run)
    running.start()
    while not server.started:
        time.sleep(0.02)
    layers = ["conditions", "conditions.front", "conditions.yard.a", "wall_stones"]

    def read(password: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", _GDAL, f"http://127.0.0.1:{port}/ogc", json.dumps(layers)],
            capture_output=True, text=True, timeout=60, check=False,
            env={"GDAL_HTTP_USERPWD": f"gis:{password}", "GDAL_HTTP_AUTH": "BASIC", "PATH": "/usr/bin:/bin"},
        )  # fmt: skip

    try:
        done = read(key)
        assert done.returncode == 0, done.stderr
        found = json.loads(done.stdout)
    finally:
        server.should_exit = True
        running.join()
    with Project.open(folder, read_only=True) as project:
        rows = project.read("conditions")
    assert len(found["layers"]) == 12
    assert found["conditions"]["count"] == len(rows) == 45
    assert found["conditions"]["crs"] == "EPSG:25832"
    for surface in ("front", "yard.a"):
        told = found[f"conditions.{surface}"]
        mine = rows[rows["surface"] == surface].set_index("id")["geometry"]
        assert not told["crs"], "no system that GDAL could mistake"
        assert told["count"] == len(mine)
        assert told["areas"].keys() == set(mine.index)
        assert all(math.isclose(a, mine[i].area, abs_tol=1e-6) for i, a in told["areas"].items())
    front = rows[rows["surface"] == "front"].set_index("id")["geometry"]
    for id, outline in front.items():  # in the world an upright wall keeps its lengths
        assert math.isclose(found["conditions"]["lengths"][id], outline.length, abs_tol=1e-4)
