"""The whole job on the demo elevation, step by step as a user would do it."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from facademap.data_packages import data_folder
from facademap.errors import FileError
from facademap.io.whole_files import make_folder, write_whole
from facademap.tasks.issue.condition_map import make_condition_map
from facademap.tasks.issue.papers import make_papers
from facademap.tasks.match.match import match_project
from facademap.tasks.plan.appearance import measure_targets
from facademap.tasks.plan.plan import plan_project
from facademap.tasks.project.create_project import create_project, read_project_plan
from facademap.tasks.project.demo_relief import make_demo_reliefs
from facademap.tasks.survey.add_chart import add_chart
from facademap.tasks.survey.add_control import add_control
from facademap.tasks.survey.add_features import add_features
from facademap.tasks.survey.add_photos import add_photos
from facademap.tasks.survey.elevations import make_elevations
from facademap.tasks.yard.add_blocks import add_blocks

__all__ = ["demo_data", "run_demo"]

_Result = TypeVar("_Result")
GSD_MM = 2.0
MATCH_LIMIT_S = 10.0


def demo_data() -> Path:
    """The folder of the demo's photos, survey and blocks: in a checkout beside the package, else installed as ``facademap-demo``.

    Returns
    -------
    Path

    Raises
    ------
    FileError
        The data package is not installed.
    """
    found = data_folder("facademap_demo", in_tree="../demo_facade", holds="project.toml")
    if found is None:
        raise FileError(
            "the demo needs the photos and the survey of the package facademap-demo, which is not installed",
            'Install it with pip install "facademap[demo]", or run facademap from a checkout.',
        )
    return found


def run_demo(
    folder: str | Path,
    *,
    data: Path | None = None,
    step: Callable[[str, Callable[[Callable[[float], None]], Any]], Any] | None = None,
) -> dict[str, Any]:
    """Make a project from the demo's files and take it to condition map, quantities and cut tickets.

    Parameters
    ----------
    folder : path
        New project.
    data : path, optional
        Folder with the demo's files.
    step : callable, optional
        ``step(name, work)`` runs ``work(progress)`` and shows the progress.

    Returns
    -------
    dict
        The summary, which also stands in ``out/summary.json``.
    """
    folder, source = Path(folder), data or demo_data()
    seconds: dict[str, float] = {}

    def run(name: str, work: Callable[[Callable[[float], None]], _Result]) -> _Result:
        start = time.perf_counter()
        result: _Result = step(name, work) if step else work(lambda fraction: None)
        seconds[name] = round(time.perf_counter() - start, 3)
        return result

    run("new project", lambda p: create_project(folder, read_project_plan(source / "project.toml")))
    photos = sorted((source / "photos").glob("*.jpg"))
    run(
        "photos",
        lambda p: add_photos(folder, photos, camera_path=source / "camera.json", progress=p),
    )
    run(
        "control",
        lambda p: add_control(
            folder, source / "control_points.csv", observations_path=source / "observations.csv"
        ),
    )
    chart = json.loads((source / "chart.json").read_text(encoding="utf-8"))
    run(
        "colour chart",
        lambda p: add_chart(
            folder, chart["photo"], source / "chart_patches.csv", edition=chart["edition"]
        ),
    )
    survey = run("elevations", lambda p: make_elevations(folder, gsd_mm=GSD_MM, progress=p))

    def outlines(progress: Callable[[float], None]) -> dict[str, Any]:
        add_features(folder, "wall_stones", source / "wall_stones.geojson")
        add_features(folder, "openings", source / "openings.geojson")
        return add_features(folder, "conditions", next(source.glob("conditions.g*")))

    conditions = run("outlines", outlines)
    reliefs = run("relief", lambda p: make_demo_reliefs(folder))
    blocks = run(
        "blocks", lambda p: add_blocks(folder, source / "blocks" / "blocks.csv", progress=p)
    )
    plan = run("plan", lambda p: plan_project(folder, progress=p))
    run("appearance", lambda p: measure_targets(folder, progress=p))
    match = run("match", lambda p: match_project(folder, time_limit_s=MATCH_LIMIT_S, progress=p))
    run("map", lambda p: make_condition_map(folder, progress=p))
    run("papers", lambda p: make_papers(folder, progress=lambda share, what: p(share)))
    summary = {
        "photos": survey["photos"],
        "conditions": conditions["added"],
        "condition_area_m2": conditions["area_m2"],
        "reliefs": reliefs["surveys"],
        "repairs": plan["repairs"],
        "pieces": plan["pieces"],
        "blocks": blocks["added"],
        "matched": match["matched"],
        "unmatched": [{"repair": u["repair"], "reason": u["reason"]} for u in match["unmatched"]],
        "control_rmse_m": survey["control_rmse_m"],
        "check_rmse_m": survey["check_rmse_m"],
        "check_n": survey["check_n"],
        "mean_de00": match["mean_de00"],
        "gap": match["gap"],
        "status": match["status"],
        "removed_area_m2": plan["removed_area_m2"],
        "removed_volume_m3": plan["removed_volume_m3"],
        "seconds": seconds,
    }
    _write_json(folder / "out" / "plan.json", _plan_of(folder))
    _write_json(folder / "out" / "summary.json", summary)
    return summary


def _plan_of(folder: Path) -> dict[str, Any]:
    """Every placement and its place, and the proof of the plan, as plain values."""
    from facademap.store.project import Project

    with Project.open(folder, read_only=True) as project:
        plans = project.read("plans", where={"current": True}).to_dict("records")
        placements = project.read("placements").to_dict("records")
    if not plans:
        return {"plan": None, "placements": []}
    latest = plans[-1]
    return {
        "plan": latest["id"],
        "status": latest["status"],
        "objective": latest["objective"],
        "bound": latest["bound"],
        "gap": latest["gap"],
        "made_at": latest["made_at"],
        "solution": latest["solution"],
        "placements": [{k: None if v != v else v for k, v in p.items()} for p in placements],
    }


def _write_json(path: Path, values: Any) -> None:
    make_folder(path.parent)
    write_whole(path, json.dumps(values, ensure_ascii=False, indent=1, allow_nan=False))
