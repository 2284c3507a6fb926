"""Speed of the survey desk: edits, tiles, many surveyors, kills, and frames in a real browser.

Run ``python benchmarks/web_desk.py [--polygons 20000] [--large 100000] [--kills 50] [--only NAME ...]``; prints one line a
figure with its bar. Times are medians of the runs named; beside them stands the processor time, which other work on the
machine lengthens far less, and the last line says how busy the machine was. The browser draws in software. ``--demo FOLDER``
also opens a project that ``facademap demo`` has made.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import os
import random
import statistics
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "e2e"))
import desk_sample
import shapely
import shapely.affinity
from desk_browser import Server, browser, open_desk

from facademap.store.project import Project
from facademap.tasks.plan.plan import plan_project

SQUARE = {"type": "Polygon", "coordinates": [[[1, 1], [1.1, 1], [1.1, 1.1], [1, 1.1], [1, 1]]]}


def report(name: str, value: float, unit: str, bar: str, cpu_ms: float | None = None) -> None:
    spent = "" if cpu_ms is None else f"  ({cpu_ms:.0f} ms of processor)"
    print(f"{name:<66} {value:9.1f} {unit:<5} bar {bar}{spent}", flush=True)


def family(pid: int) -> set[int]:
    """A process and all that it started, by number."""
    parents: dict[int, int] = {}
    for state in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            parents[int(state.parent.name)] = int(state.read_text().rsplit(")", 1)[1].split()[1])
    found = {pid}
    while more := {p for p, parent in parents.items() if parent in found} - found:
        found |= more
    return found


def processor_ms(pids: set[int]) -> float:
    """Processor time that processes have taken so far."""
    ticks = 0
    for pid in pids:
        with contextlib.suppress(OSError):
            parts = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
            ticks += int(parts[11]) + int(parts[12])
    return 1000.0 * ticks / os.sysconf("SC_CLK_TCK")


def draw_once(link: http.client.HTTPConnection) -> str:
    body = json.dumps(
        {
            "key": uuid.uuid4().hex,
            "who": "bench",
            "what": "draw",
            "changes": [
                {
                    "op": "insert",
                    "table": "conditions",
                    "id": "new:1",
                    "values": {"surface": "landward", "term": "alga", "geometry": SQUARE},
                }
            ],
        }
    )
    link.request("POST", "/api/edits", body, {"content-type": "application/json"})
    answer = link.getresponse()
    told = json.loads(answer.read())
    return str(told["ids"]["new:1"])


def p95(values: list[float]) -> float:
    return sorted(values)[int(len(values) * 0.95)]


def edits(server: Server, *, n: int = 200) -> None:
    link = http.client.HTTPConnection("127.0.0.1", server.port)
    report_times(server, "one edit, sent, stored durably, answered", [lambda: draw_once(link)] * n)


def report_times(server: Server, name: str, acts: list[Callable[[], object]]) -> None:
    """Median and 95 % of what the server does, with its processor time for one."""
    assert server.process is not None
    times = []
    before = processor_ms({server.process.pid})
    for act in acts:
        begun = time.perf_counter()
        act()
        times.append((time.perf_counter() - begun) * 1000)
    report(
        f"{name} (median)",
        statistics.median(times),
        "ms",
        "< 20",
        (processor_ms({server.process.pid}) - before) / len(acts),
    )
    report(f"{name} (95 %)", p95(times), "ms", "< 20")


def cut_outs(home: Path, *, n: int = 100) -> None:
    """Move a cut-out, from which its joints and its piece follow."""
    folder = home / "bench-cut-outs"
    if not folder.exists():
        desk_sample.make_project(folder, many=400, blocks=0, picture=False)
        plan_project(folder)
    server = Server(folder).start()
    try:
        link = http.client.HTTPConnection("127.0.0.1", server.port)
        with Project.open(folder, read_only=True) as project:
            frame = project.read("repairs", where={"treatment": "inset"})
            name, shape = str(frame["id"].iloc[0]), frame.geometry.iloc[0]
            seen = [project.row("repairs", name)["rev"]]

        def move() -> None:
            aside = shapely.affinity.translate(shape, 0.001 * (len(seen) % 2), 0)
            body = {
                "key": uuid.uuid4().hex,
                "who": "bench",
                "what": "move",
                "changes": [
                    {
                        "op": "update",
                        "table": "repairs",
                        "id": name,
                        "rev": seen[-1],
                        "values": {"geometry": json.loads(shapely.to_geojson(aside))},
                    }
                ],
            }
            link.request(
                "POST", "/api/edits", json.dumps(body), {"content-type": "application/json"}
            )
            told = json.loads(link.getresponse().read())
            seen.append(next(r["rev"] for r in told["rows"] if r["id"] == name))

        move()
        report_times(server, "one edit of a cut-out, with its piece", [move] * n)
    finally:
        server.kill()


def surveyors(server: Server, *, people: int = 20, each: int = 15) -> None:
    times: list[float] = []

    def work(number: int) -> None:
        link = http.client.HTTPConnection("127.0.0.1", server.port)
        time.sleep(0.05 * number)
        for _ in range(each):
            begun = time.perf_counter()
            draw_once(link)
            times.append((time.perf_counter() - begun) * 1000)
            time.sleep(1.0)

    with ThreadPoolExecutor(people) as pool:
        list(pool.map(work, range(people)))
    report(f"{people} surveyors, an edit a second each (95 %)", p95(times), "ms", "< 100")


def tiles(server: Server) -> None:
    about = json.loads(_get(server, "/api/pictures"))["surfaces"]["landward"]
    wide, high = -(-about["width_px"] // 512), -(-about["height_px"] // 512)
    asked = [
        f"/tiles/surface/0/{x}/{y}?id=landward&v={about['version']}"
        for x in range(wide)
        for y in range(high)
    ]
    begun = time.perf_counter()
    for address in asked:
        _get(server, address)
    report("tiles cut for the first time", len(asked) / (time.perf_counter() - begun), "/s", "-")

    def some(number: int) -> None:
        link = http.client.HTTPConnection("127.0.0.1", server.port)
        for k in range(100):
            link.request("GET", asked[(number * 7 + k) % len(asked)])
            link.getresponse().read()

    begun = time.perf_counter()
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(some, range(4)))
    report("tiles again, four at a time", 400 / (time.perf_counter() - begun), "/s", ">= 200")


def _get(server: Server, address: str) -> bytes:
    link = http.client.HTTPConnection("127.0.0.1", server.port)
    link.request("GET", address)
    return link.getresponse().read()


FRAMES = """async ([dx, n]) => {
  const map = document.querySelector('.wall .map'); const box = map.getBoundingClientRect();
  const send = (type, x, y) => map.querySelector('.ol-viewport').dispatchEvent(new PointerEvent(type, {clientX: x, clientY: y, pointerId: 1, isPrimary: true, button: 0, buttons: type === 'pointerup' ? 0 : 1, bubbles: true, pointerType: 'mouse'}));
  const times = []; let x = box.left + box.width / 2; const y = box.top + box.height / 2;
  send('pointerdown', x, y);
  for (let i = 0; i < n; i += 1) {
    x += i % 20 < 10 ? dx : -dx;
    const begun = performance.now();
    document.dispatchEvent(new PointerEvent('pointermove', {clientX: x, clientY: y, pointerId: 1, isPrimary: true, buttons: 1, bubbles: true, pointerType: 'mouse'}));
    await new Promise((r) => requestAnimationFrame(r)); await new Promise((r) => { const c = new MessageChannel(); c.port1.onmessage = r; c.port2.postMessage(0); });
    times.push(performance.now() - begun);
  }
  document.dispatchEvent(new PointerEvent('pointerup', {clientX: x, clientY: y, pointerId: 1, isPrimary: true, bubbles: true, pointerType: 'mouse'}));
  return times;
}"""


@contextlib.contextmanager
def main_thread(page: Any) -> Iterator[list[tuple[float, float]]]:
    """Tasks of the page's main thread while the block runs, filled at its end: how long each took and its processor time, ms."""
    session = page.context.new_cdp_session(page)
    events: list[dict[str, Any]] = []
    ended: list[Any] = []
    session.on("Tracing.dataCollected", lambda told: events.extend(told["value"]))
    session.on("Tracing.tracingComplete", lambda told: ended.append(told))
    session.send(
        "Tracing.start",
        {"transferMode": "ReportEvents", "traceConfig": {"includedCategories": ["toplevel"]}},
    )
    tasks: list[tuple[float, float]] = []
    yield tasks
    session.send("Tracing.end")
    while not ended:
        page.wait_for_timeout(20)
    session.detach()
    named = {(e["pid"], e["tid"]): e["args"]["name"] for e in events if e["name"] == "thread_name"}
    found: dict[tuple[int, int], list[tuple[float, float]]] = {}
    for e in events:
        place = (e["pid"], e["tid"])
        if named.get(place) == "CrRendererMain" and e["name"].endswith("RunTask") and "tdur" in e:
            found.setdefault(place, []).append((e["dur"] / 1000, e["tdur"] / 1000))
    # the busiest renderer is that of the page
    tasks.extend(max(found.values(), key=lambda times: sum(t for _, t in times), default=[]))


def busy_ms(tasks: list[tuple[float, float]]) -> float:
    """Processor time of all tasks together."""
    return sum(spent for _, spent in tasks)


def longest(tasks: list[tuple[float, float]]) -> tuple[float, float]:
    """Longest task, and the processor time of that which took most of it."""
    return max((took for took, _ in tasks), default=0.0), max(
        (spent for _, spent in tasks), default=0.0
    )


OPENING = """(() => {
  window.times = {};
  const look = () => {
    const { loaded, drawn } = document.documentElement.dataset;
    if (loaded && !times.loaded) times.loaded = performance.now();
    if (loaded && drawn) times.ready ??= performance.now();
  };
  new MutationObserver(look).observe(document, { attributes: true, subtree: true, attributeFilter: ['data-loaded', 'data-drawn'] });
})()"""


def opening(server: Server, *, name: str, times: int = 7) -> None:
    """From an empty browser to everything loaded and drawn; the first start of the server packs the tables."""
    assert server.process is not None
    begun = time.perf_counter()
    _get(server, "/api/packed/conditions")
    report(
        f"{name}: packed for the first time, after the start",
        (time.perf_counter() - begun) * 1000,
        "ms",
        "-",
    )
    with browser() as running:
        taken: list[tuple[float, ...]] = []
        for _ in range(times):
            context = running.new_context(
                viewport={"width": 1280, "height": 800}, reduced_motion="reduce"
            )
            context.add_init_script(
                "localStorage.setItem('facademap desk', JSON.stringify({who: 'bench', tourSeen: true}))"
            )
            context.add_init_script(OPENING)
            page = context.new_page()
            session = context.new_cdp_session(page)
            session.send("Performance.enable", {"timeDomain": "threadTicks"})
            involved = family(os.getpid()) | family(server.process.pid)
            before, at_server = processor_ms(involved), processor_ms({server.process.pid})
            page.goto(server.address)
            page.wait_for_selector("html[data-loaded][data-drawn]", timeout=60_000)
            metrics = {
                m["name"]: m["value"] for m in session.send("Performance.getMetrics")["metrics"]
            }
            spent = processor_ms(involved | family(os.getpid())) - before
            at_server = processor_ms({server.process.pid}) - at_server
            told = page.evaluate("times")
            wall = page.evaluate("performance.getEntriesByName('wall')[0].startTime")
            taken.append(
                (
                    wall,
                    told["loaded"],
                    told["ready"],
                    spent,
                    metrics["TaskDuration"] * 1000,
                    at_server,
                )
            )
            context.close()
        wall, loaded, ready, spent, main, at_server = (
            statistics.median(column) for column in zip(*taken, strict=True)
        )
        report(f"{name}: first useful picture, the wall itself", wall, "ms", "< 1500")
        report(
            f"{name}: all tables there, ready for work", loaded, "ms", "< 2000 (100,000)", at_server
        )
        report(
            f"{name}: every outline drawn, whole wall in view",
            ready,
            "ms",
            "< 2000 (100,000)",
            spent,
        )
        report(
            f"{name}: all tasks of the page's main thread until then", main, "ms", "< 1500", main
        )


def pages(server: Server, *, polygons: int) -> None:
    """Frames and dragging."""
    with browser() as running:
        page, _ = open_desk(running, server)

        def frames(name: str, step: int, bar: str) -> None:
            involved = family(os.getpid())
            before = processor_ms(involved)
            took = page.evaluate(FRAMES, [step, 60])
            report(
                name,
                statistics.median(took),
                "ms",
                bar,
                (processor_ms(involved) - before) / len(took),
            )

        page.wait_for_timeout(1500)
        frames(f"{polygons} polygons: pan, whole wall in view, a frame", 6, "< 50")
        for _ in range(3):
            page.keyboard.press("+")
            page.wait_for_timeout(500)
        frames(f"{polygons} polygons: pan, three steps nearer, a frame", 9, "< 33")
        for _ in range(2):
            page.keyboard.press("+")
            page.wait_for_timeout(500)
        frames(f"{polygons} polygons: pan, five steps nearer, a frame", 12, "< 33")
        _drag_a_corner(page, polygons=polygons)
        _choose_by_box(page, polygons=polygons)
        page.context.close()


def _drag_a_corner(page: Any, *, polygons: int) -> None:
    box = page.locator(".wall .map").first.bounding_box()
    x, y = box["x"] + box["width"] * 0.55, box["y"] + box["height"] * 0.45
    page.keyboard.press("p")
    for dx, dy in ((0, 0), (90, 0), (90, 70), (0, 70)):
        page.mouse.click(x + dx, y + dy)
        page.wait_for_timeout(120)
    page.keyboard.press("Enter")
    page.wait_for_timeout(200)
    page.keyboard.press("Enter")  # the term that is offered
    page.wait_for_timeout(600)
    page.keyboard.press("e")
    page.wait_for_timeout(2500)
    with main_thread(page) as moving:
        page.mouse.move(x + 90, y + 70)
        page.mouse.down()
        begun = time.perf_counter()
        for step in range(40):
            page.mouse.move(x + 90 + step * 2, y + 70 + (step % 7))
        spent = (time.perf_counter() - begun) * 1000 / 40
    with main_thread(page) as letting_go:
        page.mouse.up()
        page.wait_for_timeout(1500)
    name = f"{polygons} polygons: drag a corner with snapping"
    report(f"{name}, a move", spent, "ms", "-", busy_ms(moving) / 40)
    for part, tasks in (
        ("longest task while it moves", moving),
        ("longest task when it is let go", letting_go),
    ):
        took, processor = longest(tasks)
        report(f"{name}, {part}", took, "ms", "<= 50", processor)


def _choose_by_box(page: Any, *, polygons: int) -> None:
    """A box over the middle half of the wall: every outline within it is chosen."""
    page.evaluate("document.activeElement.blur()")
    for key in ("Escape", "Escape", "v", "0", "s"):
        page.keyboard.press(key)
        page.wait_for_timeout(400)
    page.wait_for_selector("html[data-drawn]", timeout=30_000)
    box = page.locator(".wall .map").first.bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.30, box["y"] + 4)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.75, box["y"] + box["height"] - 44, steps=4)
    with main_thread(page) as letting_go:
        page.mouse.up()
        page.wait_for_selector(".sheet .head h2")
        page.wait_for_timeout(60)
    many = int(page.locator(".sheet .head h2").inner_text().split()[0])
    took, processor = longest(letting_go)
    report(
        f"{polygons} polygons: a box chooses {many} of them, longest task",
        took,
        "ms",
        "< 100",
        processor,
    )


def kills(n: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = desk_sample.make_project(Path(name) / "kills", many=2, blocks=0, picture=False)
        server = Server(folder).start()
        told: list[str] = []
        for kill in range(n):
            stop = threading.Timer(0.01 + 0.011 * (kill % 9), server.kill)
            link, number = http.client.HTTPConnection("127.0.0.1", server.port), 0
            try:
                while True:
                    told.append(draw_once(link))
                    number += 1
                    if number == 2:
                        stop.start()
            except (OSError, http.client.HTTPException):
                pass
            stop.join()
            server.start()
        server.kill()
        with Project.open(folder) as project:
            stored, faults = set(project.read("conditions")["id"]), project.integrity()
        report(
            f"{n} kills in {len(told)} acknowledged edits: lost", len(set(told) - stored), "", "0"
        )
        report("faults in the file afterwards", len(faults), "", "0")


def huge_elevation(*, wide: int = 25_000, high: int = 20_000) -> None:
    """Tiles of a picture of 500 megapixel, cut for the first time, and the memory of the server that cuts them."""
    with tempfile.TemporaryDirectory() as name:
        folder = desk_sample.make_project(Path(name) / "huge", many=2, blocks=0, picture=False)
        desk_sample.give_picture(folder, wide=wide, high=high)
        server = Server(folder).start()
        try:
            assert server.process is not None
            about = json.loads(_get(server, "/api/pictures"))["surfaces"]["landward"]
            idle = peak_mb(server.process.pid)
            rng = random.Random(3)
            for level in (about["levels"] - 1, 5, 3, 1, 0):
                side = about["tile_px"] << level
                places = [(x, y) for x in range(-(-wide // side)) for y in range(-(-high // side))]
                asked = rng.sample(places, min(40, len(places)))
                begun, before = time.perf_counter(), processor_ms({server.process.pid})
                for x, y in asked:
                    _get(server, f"/tiles/surface/{level}/{x}/{y}?id=landward&v={about['version']}")
                spent = processor_ms({server.process.pid}) - before
                report(
                    f"{wide * high / 1e6:.0f} megapixel: tiles cut for the first time, level {level}",
                    len(asked) / (time.perf_counter() - begun),
                    "/s",
                    "-",
                    spent / len(asked),
                )
            report(
                f"{wide * high / 1e6:.0f} megapixel: memory of the server beyond its start",
                peak_mb(server.process.pid) - idle,
                "MB",
                "-",
            )
        finally:
            server.kill()


def peak_mb(pid: int) -> float:
    """Largest memory of a process so far."""
    text = Path(f"/proc/{pid}/status").read_text()
    return (
        float(next(line for line in text.splitlines() if line.startswith("VmHWM")).split()[1])
        / 1024
    )


PARTS = ("tiles", "edits", "cut-outs", "surveyors", "pages", "large", "huge", "kills")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--polygons", type=int, default=20_000)
    parser.add_argument("--large", type=int, default=100_000)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--only", nargs="*", choices=PARTS)
    parser.add_argument("--demo", type=Path, help="A project that the demo command has made.")
    parser.add_argument(
        "--keep", type=Path, help="Folder in which the projects are kept for another run."
    )
    asked = parser.parse_args()
    wanted = set(asked.only or PARTS)
    with tempfile.TemporaryDirectory() as name:
        home = asked.keep or Path(name)
        if wanted & {"tiles", "edits", "surveyors", "pages"}:
            with served(home, asked.polygons) as server:
                for part, work in (("tiles", tiles), ("edits", edits), ("surveyors", surveyors)):
                    if part in wanted:
                        work(server)
                if "pages" in wanted:
                    opening(server, name=f"{asked.polygons} polygons")
                    pages(server, polygons=asked.polygons)
        if "cut-outs" in wanted:
            cut_outs(home)
        if asked.demo:
            server = Server(asked.demo).start()
            opening(server, name="the demo")
            server.kill()
        if "large" in wanted:
            with served(home, asked.large) as server:
                edits(server)
                opening(server, name=f"{asked.large} polygons")
                pages(server, polygons=asked.large)
    if "huge" in wanted:
        huge_elevation()
    if "kills" in wanted:
        kills(asked.kills)
    print(
        f"load of the machine over the last 1, 5 and 15 minutes: {', '.join(f'{v:.1f}' for v in os.getloadavg())} on {os.cpu_count()} processors"
    )


@contextlib.contextmanager
def served(home: Path, polygons: int) -> Iterator[Server]:
    """The real server on the sample wall with so many polygons."""
    folder = home / f"bench-{polygons}"
    if not folder.exists():
        desk_sample.make_project(folder, many=polygons, blocks=0)
    server = Server(folder).start()
    try:
        yield server
    finally:
        server.kill()


if __name__ == "__main__":
    main()
