"""Every command that takes a file, with one of its files spoilt, each case from one number.

The same number gives the same case. Used by the tests with few fixed numbers and by ``benchmarks/file_fuzz.py`` with as
many as asked for. No case may end in a trace of the program or a fault in disguise, take more than its time or memory, or
change a project by what it refuses.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import random
import re
import shutil
import signal
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import file_mutations
import file_samples

from facademap.cli.main import main

#: Faults of our own, told in one line.
DISGUISED = (
    "could not be worked out",
    "could not be looked through",
    "fault of its own",
    "Traceback",
    'File "/',
)
#: A process begins with about 250 MB of libraries: what a case may add stays below a gigabyte with them.
LONGEST_S, MOST_MB, HANGS_S = 10.0, 750, 180
#: Commands with compiled code; its compiling, once on a machine, is no time of a case.
_COMPILED = ("match", "solve", "explain", "relief")


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What came of one case."""

    asked: str
    code: int | None
    seconds: float
    peak_mb: float
    faults: tuple[str, ...] = ()
    said: str = field(default="", repr=False)


class _HangsError(BaseException):
    pass


class Files:
    """The samples in a place of their own, and the cases made from them."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.samples = file_samples.make_samples(place / "samples")
        self.projects = {name: place / "sound" / name for name in self.samples.projects}
        for name, made in self.samples.projects.items():
            shutil.copytree(made, self.projects[name])
        for call in self.samples.calls:
            if call.words[0] in _COMPILED:
                self._asked_soundly(call)

    def _asked_soundly(self, call: file_samples.Call) -> None:
        """Ask once with nothing spoilt, so that what has to be compiled is."""
        room = self.place / "room"
        shutil.rmtree(room, ignore_errors=True)
        room.mkdir()
        project = room / "project"
        if call.project:
            shutil.copytree(self.projects[call.project], project)
        names = {key: str(self.samples.files[key]) for key in call.files}
        run([w.format(**names, project=project, room=room) for w in call.words])

    def judge(self, number: int) -> Verdict:
        """Make one case, run it and look at what came of it."""
        rng = random.Random(number)
        call = self.samples.calls[number % len(self.samples.calls)]
        room = self.place / "room"
        shutil.rmtree(room, ignore_errors=True)
        room.mkdir()
        names = {}
        for key in call.files:
            names[key] = room / self.samples.files[key].name
            shutil.copyfile(self.samples.files[key], names[key])
        project = None
        if call.project:
            project = room / "project"
            shutil.copytree(self.projects[call.project], project)
        spoilt = rng.choice(call.spoil)
        target = project / "project.gpkg" if spoilt == "project" and project else names[spoilt]
        how = file_mutations.spoil(target, rng, others=list(self.samples.files.values()))
        words = [
            w.format(**{k: str(v) for k, v in names.items()}, project=project, room=room)
            for w in call.words
        ]
        asked = f"case {number}: {' '.join(call.words)[:90]}; {spoilt} {how}"
        before = everything(project) if project else {}
        with _peak() as peak:
            began = time.process_time()
            code, said = run(words)
            seconds = time.process_time() - began
        faults = list(faults_of(code, said, seconds, peak[0]))
        if project and code not in (0, 1):
            after = everything(project)
            if after != before:
                changed = sorted(k for k in {*before, *after} if before.get(k) != after.get(k))
                faults.append(
                    f"the project was changed by what was refused: {', '.join(changed[:3])}"
                )
        return Verdict(
            asked=asked,
            code=code,
            seconds=seconds,
            peak_mb=peak[0],
            faults=tuple(faults),
            said=said,
        )


def run(words: list[str]) -> tuple[int | None, str]:
    """Call the command line in this process; its exit code (none for a trace) and all it said."""
    out, err = io.StringIO(), io.StringIO()

    def hangs(*_: Any) -> None:
        raise _HangsError

    earlier = signal.signal(signal.SIGALRM, hangs)
    signal.alarm(HANGS_S)
    code: int | None = None
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main(words)
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 0
    except _HangsError:
        err.write(f"hangs for more than {HANGS_S} s")
    except BaseException as error:
        err.write(f"Traceback: {type(error).__name__}: {error}")
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, earlier)
    return code, out.getvalue() + err.getvalue()


def faults_of(code: int | None, said: str, seconds: float, peak_mb: float) -> Iterator[str]:
    """What is wrong with an answer of the command line."""
    if code not in (0, 1, 2):
        yield f"ended by {code}: {said[-200:]}"
    for word in DISGUISED:
        if word in said:
            at = said.index(word)
            yield f"{word}: {said[max(0, at - 60) : at + 160]}"
    if code == 2 and (said.count("error: ") != 1 or "; fix: " not in said):
        yield f"no single line of error and fix: {said[-200:]}"
    if seconds > LONGEST_S:
        yield f"took {seconds:.1f} s of processor time"
    if peak_mb > MOST_MB:
        yield f"took {peak_mb:.0f} MB"


def settle(fault: str) -> str:
    """A fault without its numbers and names, so that like ones count together."""
    return re.sub(r"[0-9]+|'[^']*'|\S*/\S*", "#", fault)[:150]


def everything(folder: Path) -> dict[str, str]:
    """Digest of every file of a project, but for the log that is folded in."""
    return {
        str(p.relative_to(folder)): hashlib.blake2b(p.read_bytes(), digest_size=12).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and not p.name.endswith(("-wal", "-shm"))
    }


def _status_kb(name: str) -> int:
    found = re.search(rf"{name}:\s+(\d+)", Path("/proc/self/status").read_text())
    return int(found[1]) if found else 0


@contextlib.contextmanager
def _peak() -> Iterator[list[float]]:
    """The most memory that the block added to what this process held before, MB."""
    found = [0.0]
    before = 0
    with contextlib.suppress(OSError):
        before = _status_kb("VmRSS")
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")
    yield found
    with contextlib.suppress(OSError):
        found[0] = (_status_kb("VmHWM") - before) / 1024
    if os.name != "posix":
        found[0] = 0.0
