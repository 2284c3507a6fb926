"""How the matching grows with the size of the yard: ``python benchmarks/match_growth.py PICTURE [SECONDS [SEEDS]]``.

Every problem is solved in a process of its own, with one thread, until it is proved best or has used its seconds of
processor; processor time, gap and peak memory are drawn against the number of repairs. The numbers stand beside the picture
in a text file of the same name.
"""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from match_instances import random_yard

from facademap.io.match_files import problem_from_json
from facademap.match import solve
from facademap.match.solver import load_compiled_code

SIZES = ((25, 20), (50, 40), (100, 75), (200, 150), (400, 300))
STOCKS = ("loose", "tight")
#: The eye cannot tell smaller gaps apart from none on a logarithmic scale.
LEAST_GAP_PERCENT = 1e-3


def measure(n: int, m: int, stock: str, seed: int, limit_s: float) -> dict[str, float]:
    """Solve one problem here and now."""
    problem = problem_from_json(random_yard(n, m, seed=seed, tight=stock == "tight"))
    load_compiled_code()
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    began = time.process_time()
    plan = solve(problem, time_limit_s=limit_s, threads=1, compiled=True, clock=time.process_time)
    assert plan.quality is not None
    return {
        "seconds": time.process_time() - began,
        "gap": 100 * plan.gap,
        "gap_fixed": 100 * plan.quality.gap_fixed_count,
        "proved": plan.status == "optimal",
        "placed_proved": plan.quality.placed_proved,
        "before_mb": before_mb,
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def _apart(*numbers: object) -> dict[str, float]:
    done = subprocess.run(
        [sys.executable, __file__, "--one", *map(str, numbers)],
        check=True,
        capture_output=True,
        text=True,
    )
    row: dict[str, float] = json.loads(done.stdout)
    return row


def draw(rows: dict[tuple[str, int], list[dict[str, float]]], limit_s: float, path: Path) -> None:
    """Three graphs side by side: medians joined, every problem a dot, those proved best filled."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    mpl.rcParams["svg.hashsalt"] = "match growth"
    sizes = sorted({n for _, n in rows})
    figure, axes = pyplot.subplots(1, 3, figsize=(12.5, 4.2), layout="constrained")
    graphs: list[tuple[str, Callable[[dict[str, float]], float]]] = [
        ("processor seconds", lambda row: row["seconds"]),
        ("gap, %", lambda row: max(LEAST_GAP_PERCENT, row["gap"])),
        ("peak memory, MB", lambda row: row["peak_mb"]),
    ]
    for axis, (title, value) in zip(axes, graphs, strict=True):
        for stock, colour, aside in (("loose", "#1f5fa8", 0.96), ("tight", "#b5482a", 1.04)):
            points = [
                (n * aside, value(row), bool(row["proved"]))
                for n in sizes
                for row in rows[stock, n]
            ]
            axis.plot(
                [n * aside for n in sizes],
                [statistics.median(value(row) for row in rows[stock, n]) for n in sizes],
                color=colour,
                linewidth=1.5,
                label=f"{stock} stock",
            )
            axis.scatter(
                [p[0] for p in points],
                [p[1] for p in points],
                s=26,
                edgecolors=colour,
                zorder=3,
                facecolors=[colour if p[2] else "white" for p in points],
            )
        axis.set_title(title, loc="left", fontsize=11)
        axis.set_xlabel("repairs (three quarters as many blocks)")
        axis.set_xscale("log")
        axis.set_yscale("linear" if title.startswith("peak") else "log")
        axis.xaxis.set_major_locator(FixedLocator(sizes))
        axis.xaxis.set_minor_locator(NullLocator())
        axis.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
        axis.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
        axis.grid(visible=True, which="major", color="#dddddd", linewidth=0.7)
        axis.spines[["top", "right"]].set_visible(False)
    axes[0].axhline(limit_s, color="#555555", linewidth=0.8, linestyle="--")
    axes[0].annotate(
        f"limit {limit_s:g} s",
        (sizes[0], limit_s),
        xytext=(0, 4),
        textcoords="offset points",
        fontsize=9,
        color="#555555",
    )
    axes[1].set_ylim(bottom=LEAST_GAP_PERCENT / 1.6)
    axes[1].yaxis.set_major_formatter(
        FuncFormatter(lambda v, _: f"{'≤ ' if v <= LEAST_GAP_PERCENT else ''}{v:g}")
    )
    axes[2].set_ylim(bottom=0)
    axes[0].legend(frameon=False, loc="lower right")
    figure.suptitle(
        "Matching: growth with the size of the yard (filled: proved best)",
        x=0.01,
        ha="left",
        fontsize=12,
    )
    figure.savefig(path, metadata={"Date": None} if path.suffix == ".svg" else None, dpi=110)


def main() -> None:
    """Measure, print, draw."""
    if sys.argv[1] == "--one":
        n, m, stock, seed, limit_s = sys.argv[2:]
        print(json.dumps(measure(int(n), int(m), stock, int(seed), float(limit_s))))
        return
    path = Path(sys.argv[1])
    limit_s = float(sys.argv[2]) if len(sys.argv) > 2 else 60.0
    seeds = int(sys.argv[3]) if len(sys.argv) > 3 else 3
    lines = [
        f"limit {limit_s:g} s of processor, one thread, seeds 0 to {seeds - 1}",
        "size     stock  seed  s       gap %     gap at this number placed %  proved  number proved  peak MB",
    ]
    print("\n".join(lines))
    rows: dict[tuple[str, int], list[dict[str, float]]] = {}
    for n, m in SIZES:
        for stock in STOCKS:
            for seed in range(seeds):
                row = _apart(n, m, stock, seed, limit_s)
                rows.setdefault((stock, n), []).append(row)
                lines.append(
                    f"{f'{n}x{m}':<8s} {stock}  {seed:<5d} {row['seconds']:<7.1f} {row['gap']:<9.4f} {row['gap_fixed']:<28.4f} "
                    f"{'yes' if row['proved'] else 'no':<7s} {'yes' if row['placed_proved'] else 'no':<14s} {row['peak_mb']:.0f}"
                )
                print(lines[-1], flush=True)
    path.with_suffix(".txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    draw(rows, limit_s, path)


if __name__ == "__main__":
    main()
