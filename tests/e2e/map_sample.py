"""A project for the pages of the condition map, and a browser without a network that opens them."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from playwright.sync_api import Page

from facademap.io.rasters import write_elevation
from facademap.store.project import Project
from facademap.wall.grid import Extent, PixelGrid
from facademap.wall.world import wall_crs

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
#: A text that breaks out where it is not told from markup.
HOSTILE = (
    '<img src=x onerror="window.hacked=1"></script><script>window.hacked=1</script>&quot;'
    "</title></head><body></body><script>window.hacked=1</script>"
    '<met<meta>a http-equiv=refresh content="0;url=data:text/html,gone">'
)


def map_project(folder: Path, *, hostile: str = "", picture: bool = True) -> Project:
    project = Project.create(folder, name=f"Sail loft {hostile}".strip())
    wkt = wall_crs("front", "test front")
    with project.edit(who="test", what="set up") as edit:
        edit.insert("elevations", [{"id": "river", "name": f"River front {hostile}"}])
        edit.insert(
            "surfaces",
            [
                {
                    "id": "front",
                    "elevation": "river",
                    "name": f"Main wall {hostile}",
                    "frame_wkt": wkt,
                    "control_rmse_m": 0.001,
                    "control_n": 12,
                    "check_rmse_m": 0.0014,
                    "check_n": 31,
                    "world": {"epsg": 25832, "matrix": [[1, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0]]},
                    **({"picture": "elevations/front.tif", "gsd_m": 0.004} if picture else {}),
                }
            ],
        )
        edit.insert(
            "wall_stones",
            [
                {
                    "id": f"S-{c}-{r}",
                    "surface": "front",
                    "course": r,
                    "number": c,
                    "geometry": shapely.box(c, r * 0.5, c + 0.99, r * 0.5 + 0.49),
                }
                for c in range(4)
                for r in range(4)
            ],
        )
        edit.insert(
            "openings", [{"id": "W-1", "surface": "front", "geometry": shapely.box(3, 1, 3.6, 1.6)}]
        )
        edit.insert(
            "conditions",
            [
                {
                    "id": "C-001",
                    "surface": "front",
                    "term": "scaling",
                    "family": "B",
                    "cc": 2,
                    "uc": 3,
                    "rc": 2,
                    "area_m2": 0.12,
                    "note": hostile or "by the stair",
                    "wall_stone": "S-0-1",
                    "survey": "1",
                    "geometry": shapely.box(0.2, 0.6, 0.5, 1.0),
                },
                {
                    "id": "C-002",
                    "surface": "front",
                    "term": "alga",
                    "family": "E",
                    "cc": 1,
                    "uc": 0,
                    "rc": 1,
                    "area_m2": 0.25,
                    "wall_stone": "S-2-2",
                    "survey": "2",
                    "photo": "gone.jpg",
                    "geometry": shapely.box(2, 1, 2.5, 1.5),
                },
                {
                    "id": "C-003",
                    "surface": "front",
                    "term": "crack",
                    "family": "A",
                    "cc": 2,
                    "uc": 1,
                    "rc": 2,
                    "survey": "2",
                    "length_m": 1.0,
                    "area_m2": 0,
                    "geometry": shapely.LineString([(1, 0.2), (2, 0.2)]),
                },
                {
                    "id": "C-004",
                    "surface": "front",
                    "term": "perforation",
                    "family": "C",
                    "area_m2": 0,
                    "geometry": shapely.Point(1.5, 1.8),
                },
            ],
        )
        edit.insert(
            "repairs",
            [
                {
                    "id": "R-001",
                    "surface": "front",
                    "treatment": "inset",
                    "conditions": ["C-001"],
                    "depth_m": 0.06,
                    "edges": [0.003] * 4,
                    "removed_area_m2": 0.15,
                    "removed_volume_m3": 0.009,
                    "cautions": ["Cut with water and wear a mask."],
                    "geometry": shapely.box(0.15, 0.55, 0.55, 1.02),
                    "pins": [
                        {
                            "u_m": 0.3,
                            "v_m": 0.8,
                            "rod_m": 0.006,
                            "hole_m": 0.009,
                            "embedment_m": 0.06,
                            "into_piece_m": 0.03,
                            "grade": "316",
                        }
                    ],
                }
            ],
        )
    if picture:
        grid = PixelGrid.over(Extent(u0_m=0, v0_m=0, u1_m=4, v1_m=2), gsd_m=0.004)
        rng = np.random.default_rng(1)
        windows = (
            (
                w,
                rng.integers(90, 190, (w.height, w.width, 3), dtype=np.uint8),
                np.full((w.height, w.width), 255, np.uint8),
            )
            for w in grid.windows(512)
        )
        write_elevation(project.place("elevations/front.tif"), grid, windows, crs_wkt=wkt)
    return project


def open_map(
    chromium: Any, path: str, *, width: int = 1280, wait: int = 10_000
) -> tuple[Page, list[str]]:
    context = chromium.new_context(
        viewport={"width": width, "height": 860}, offline=True, accept_downloads=True
    )
    page = context.new_page()
    trouble: list[str] = []
    page.on("pageerror", lambda error: trouble.append(f"error {error}"))
    page.on("console", lambda m: trouble.append(m.text) if m.type == "error" else None)
    page.on(
        "request",
        lambda r: (
            trouble.append(f"request {r.url}")
            if not r.url.startswith(("data:", "blob:", f"file://{path.split('#')[0]}"))
            else None
        ),
    )
    page.goto(f"file://{path}")
    page.wait_for_selector("html[data-ready=yes]", timeout=wait)
    return page, trouble
