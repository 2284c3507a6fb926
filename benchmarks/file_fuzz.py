"""Spoilt files for every command that takes one: none may end in a trace of the program or a fault in disguise.

Run ``python benchmarks/file_fuzz.py [--count 10000] [--first 0] [--show 20]``; ends with 1 when a bar is missed. Bars: no
trace and no fault in disguise, no case above 10 s of processor time or 1 GB, no project changed by what was refused. The
cases run in processes of some hundreds, so that one that ends its process is found and the others go on.
"""

from __future__ import annotations

import argparse
import collections
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "e2e"))

CHUNK = 300


def main() -> None:
    """Run them all, print what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--show", type=int, default=20)
    parser.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.here:
        _judge_here(given.first, given.count)
        return
    began, at, end = time.monotonic(), given.first, given.first + given.count
    found: collections.Counter[str] = collections.Counter()
    codes: collections.Counter[str] = collections.Counter()
    examples: dict[str, str] = {}
    slowest = largest = 0.0
    while at < end:
        last = at - 1
        for told in _answers(at, min(CHUNK, end - at)):
            last = told["number"]
            codes[str(told["code"])] += 1
            slowest, largest = max(slowest, told["seconds"]), max(largest, told["peak_mb"])
            for fault in told["faults"]:
                found[_key(fault)] += 1
                if _key(fault) not in examples:
                    examples[_key(fault)] = f"{fault}\n    {told['asked']}"
                    print(f"new: {examples[_key(fault)]}", flush=True)
        if last < min(at + CHUNK, end) - 1:  # the process ended within the next case
            last += 1
            found["ended its process"] += 1
            examples.setdefault("ended its process", f"case {last}")
            print(f"new: ended its process: case {last}", flush=True)
        at = last + 1
    print(f"{given.count} files in {time.monotonic() - began:.0f} s: {dict(sorted(codes.items()))}")
    print(
        f"slowest {slowest:.2f} s of processor time (bar 10); most memory {largest:.0f} MB (bar 1000)"
    )
    print(f"{sum(found.values())} faults of {len(found)} kinds (bar 0)")
    for key, times in found.most_common(given.show):
        print(f"{times:6d}  {examples[key]}")
    sys.exit(1 if found else 0)


def _key(fault: str) -> str:
    from mutated_files import settle

    return settle(fault)


def _answers(first: int, count: int) -> Iterator[dict[str, Any]]:
    """What a process of its own says of some cases, as far as it came."""
    words = [sys.executable, __file__, "--here", "--first", str(first), "--count", str(count)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as running:
        assert running.stdout is not None
        for line in running.stdout:
            if line[:1] == b"{":
                yield json.loads(line)


def _judge_here(first: int, count: int) -> None:
    import warnings

    from mutated_files import Files

    warnings.simplefilter("ignore")
    with tempfile.TemporaryDirectory() as place:
        files = Files(Path(place) / "fuzz")
        for number in range(first, first + count):
            verdict = files.judge(number)
            told = {
                "number": number,
                "asked": verdict.asked,
                "code": verdict.code,
                "seconds": verdict.seconds,
                "peak_mb": verdict.peak_mb,
                "faults": verdict.faults,
            }
            print(json.dumps(told), flush=True)


if __name__ == "__main__":
    main()
