"""One job in a process of its own; reads an order from stdin, writes lines of JSON to stdout."""

from __future__ import annotations

import contextlib
import json
import os
import sys
import threading
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeAlias

from facademap.errors import FacademapError, InputError
from facademap.limits import VARIABLE, limits_now, lower_of, read_limits, set_limits
from facademap.web.answers import as_plain

__all__ = ["main"]

LONGEST_MATCH_S = 600.0
MOST_TEXT = 200
_Progress: TypeAlias = Callable[..., None]


def _tell(**message: Any) -> None:
    sys.__stdout__.write(json.dumps(as_plain(message)) + "\n")  # type: ignore[union-attr]
    sys.__stdout__.flush()  # type: ignore[union-attr]


def _number(
    options: Mapping[str, Any], name: str, default: float, least: float, most: float
) -> float:
    value = options.get(name, default)
    if not isinstance(value, (int, float)) or isinstance(value, bool) or not least <= value <= most:
        raise InputError(f"{name} is {value!r}", f"Give {least:g} to {most:g}.")
    return float(value)


def _text(options: Mapping[str, Any], name: str) -> str:
    value = options.get(name)
    if not isinstance(value, str) or not 0 < len(value) <= MOST_TEXT:
        raise InputError(f"{name} is no text", f"Send 1 to {MOST_TEXT} letters.")
    return value


def _extents(value: Any) -> dict[str, Any]:
    """Surface to left, bottom, right and top in metres."""
    from facademap.wall.grid import Extent

    if value is None:
        return {}
    if not isinstance(value, dict):
        raise InputError("extents are no object", "Send surface and four numbers.")
    found = {}
    for surface, box in value.items():
        if (
            not isinstance(box, list)
            or len(box) != 4
            or any(isinstance(x, bool) or not isinstance(x, int | float) for x in box)
        ):
            raise InputError(
                f"the extent of {str(surface)[:40]} is not four numbers", "Send u0, v0, u1, v1."
            )
        u0, v0, u1, v1 = (float(x) for x in box)
        found[str(surface)] = Extent(u0_m=u0, v0_m=v0, u1_m=u1, v1_m=v1)
    return found


def _run(order: dict[str, Any]) -> Any:
    folder, options, who = Path(order["folder"]), order["options"], order["who"]
    last = 0.0

    def progress(fraction: float, *_: Any) -> None:
        nonlocal last
        if time.monotonic() - last > 0.15:
            last = time.monotonic()
            _tell(fraction=fraction)

    return _KINDS[order["kind"]](folder, options, who, progress)


def _plan(folder: Path, options: Mapping[str, Any], who: str, progress: _Progress) -> Any:
    from facademap.tasks.plan.plan import plan_project

    return plan_project(folder, who=who, progress=progress)


def _match(folder: Path, options: Mapping[str, Any], who: str, progress: _Progress) -> Any:
    from facademap.tasks.match.match import match_project

    limit = _number(options, "time_limit_s", 20.0, 1.0, LONGEST_MATCH_S)
    return match_project(
        folder,
        time_limit_s=limit,
        again=options.get("again") is True,
        donors=options.get("donors") is True,
        who=who,
        progress=progress,
    )


def _rectify(folder: Path, options: Mapping[str, Any], who: str, progress: _Progress) -> Any:
    from facademap.tasks.survey.elevations import make_elevations

    return make_elevations(
        folder,
        gsd_mm=_number(options, "gsd_mm", 2.0, 0.05, 100.0),
        extents=_extents(options.get("extents")),
        look=options.get("look") is True,
        who=who,
        progress=progress,
    )


def _tape(folder: Path, options: Mapping[str, Any], who: str, progress: _Progress) -> Any:
    from facademap.tasks.survey.tape_points import place_points

    return place_points(
        folder, options.get("measures") or (), surface=_text(options, "surface"), who=who
    )


def _outlines(folder: Path, options: Mapping[str, Any], who: str, progress: _Progress) -> Any:
    from facademap.tasks.desk.outlines import read_outlines

    return read_outlines(folder, options, who=who)


def _control(folder: Path, options: Mapping[str, Any], who: str, progress: _Progress) -> Any:
    from facademap.tasks.desk.control_list import read_control_list

    return read_control_list(folder, options, who=who)


def _stones(folder: Path, options: Mapping[str, Any], who: str, progress: _Progress) -> Any:
    from facademap.tasks.survey.outline_wall import outline_surface

    return outline_surface(folder, surface=_text(options, "surface"), who=who, progress=progress)


def _damage(folder: Path, options: Mapping[str, Any], who: str, progress: _Progress) -> Any:
    from facademap.tasks.survey.propose_damage import propose_damage_on_surface

    return propose_damage_on_surface(
        folder, surface=_text(options, "surface"), who=who, progress=progress
    )


def _relief(folder: Path, options: Mapping[str, Any], who: str, progress: _Progress) -> Any:
    from facademap.tasks.survey.keep_relief import keep_relief

    return keep_relief(
        folder,
        surface=_text(options, "surface") if "surface" in options else None,
        cell_m=_number(options, "cell_mm", 5.0, 0.5, 1000.0) / 1000.0,
        survey=_text(options, "survey") if "survey" in options else "1",
        elevation=options.get("elevation") is True,
        replace=options.get("replace") is True,
        workers=_cores(),
        who=who,
        progress=progress,
    )


def _papers(folder: Path, options: Mapping[str, Any], who: str, progress: _Progress) -> Any:
    from facademap.tasks.issue.papers import make_papers

    only = options.get("only") or ()
    if not isinstance(only, (list, tuple)) or not all(isinstance(n, str) for n in only):
        raise InputError("only is no list of papers", "Send the names of papers.")
    again = options.get("again") is True
    result = make_papers(folder, only=list(only), again=again, progress=progress, who=who)
    if result.failed and not result.made and not result.unchanged:
        problem, remedy = next(iter(result.failed.values()))
        raise InputError(problem, remedy)
    return {
        "made": result.made,
        "unchanged": result.unchanged,
        "failed": result.failed,
        "warnings": result.warnings[:40],
    }


#: What each kind of work does; what it needs is loaded when it is asked for.
_KINDS: Mapping[str, Callable[[Path, Mapping[str, Any], str, _Progress], Any]] = {
    "plan": _plan,
    "match": _match,
    "rectify": _rectify,
    "tape": _tape,
    "outlines": _outlines,
    "control": _control,
    "stones": _stones,
    "damage": _damage,
    "relief": _relief,
    "papers": _papers,
}


def _cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _keep_to_cores(most: int) -> None:
    """Use no more cores than that, with all that is started from here; others are left to other work where the system lets choose."""
    if not hasattr(os, "sched_setaffinity"):
        return
    mine = sorted(os.sched_getaffinity(0))
    if most < len(mine):
        first = os.getpid() % len(mine)
        os.sched_setaffinity(0, [mine[(first + n) % len(mine)] for n in range(most)])


def main() -> None:
    """Read, run, tell."""
    # people who work at the desk go before
    os.nice(10)
    set_limits(read_limits([os.environ.get(VARIABLE, "")]))
    order = json.loads(sys.stdin.readline())
    set_limits(lower_of(limits_now(), read_limits([str(order.get("limits", ""))])))
    _keep_to_cores(limits_now().job_cores)
    threading.Thread(target=_end_with_the_server, daemon=True).start()
    try:
        result = _run(order)
    except FacademapError as error:
        _tell(error={"problem": error.problem, "remedy": error.remedy})
        sys.exit(2)
    except Exception as error:
        _tell(
            error={
                "problem": f"a fault of our own ({type(error).__name__}: {' '.join(str(error).split())[:200]}); nothing was stored",
                "remedy": "Run the same command at the terminal and send the maker what it says.",
            }
        )
        sys.exit(3)
    _tell(result=result)


def _end_with_the_server() -> None:
    """Wait for the server to go; whoever asked is not there any more, and a new server may begin the same work."""
    with contextlib.suppress(OSError, ValueError):
        # read without the lock of sys.stdin, which a job that ends would wait for
        while os.read(0, 1):
            pass
    os._exit(4)


if __name__ == "__main__":
    main()
