"""Can these blanks all be sawn from this face, in which slabs and where? The exact answer, remembered."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from facademap.match.candidates import need_mm
from facademap.match.freecut import lay_freely
from facademap.match.freespace import FreeSpace
from facademap.match.kernels.place import ANY, PLACE
from facademap.match.kernels.saw import MOST_TOGETHER
from facademap.match.kernels.values import Bench, Blanks, Box
from facademap.match.problem import TOLERANCE_MM

__all__ = ["Layout", "Layouts", "Piece", "Verdict"]

Verdict: TypeAlias = Literal["yes", "no", "unknown"]
Floats: TypeAlias = npt.NDArray[np.float64]
Ints: TypeAlias = npt.NDArray[np.int64]
#: Most blanks on one slab without compiled code.
MOST_INTERPRETED = 8
#: Ways of sharing pieces out to slabs that are tried before giving up.
MOST_GROUPINGS = 300
#: A repair by number, and whether it must come from the slab that carries the face.
Piece: TypeAlias = tuple[int, bool]
_Places: TypeAlias = tuple[tuple[int, float, float, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Blanks placed on one face of one block: (repair, slab, x, y, turn) each, and the slabs they need."""

    block: int
    face: int
    places: tuple[tuple[int, int, float, float, int], ...]
    thickness_mm: tuple[float, ...]


class Layouts:
    """Answers for sets of blanks on faces. What holds a set holds every part of it.

    Parameters
    ----------
    space : FreeSpace
    most_queries : int
        Effort for one set on one slab before the answer is "unknown".
    """

    def __init__(self, space: FreeSpace, *, most_queries: int = 20_000) -> None:
        self.space = space
        self.problem = space.problem
        self.most_queries = most_queries
        self.work = 0
        self.unknown = 0
        self._flat: dict[
            tuple[int, int, tuple[int, ...], tuple[int, ...]], tuple[Verdict, _Places]
        ] = {}
        self._effort: dict[tuple[int, int, tuple[int, ...], tuple[int, ...]], int] = {}
        self._found: dict[tuple[int, int, tuple[Piece, ...]], tuple[Verdict, Layout | None]] = {}

    def fits_alone(self, repair: int, block: int, face: int) -> bool:
        """Whether one blank fits a face with nothing else on it."""
        here, params = self.problem.blocks[block].faces[face], self.problem.params
        thick = max(params.min_slab_mm, need_mm(self.problem.repairs[repair], here, params, slab=0))
        if (
            self.slabs_of((repair, False))[0] == 0
            and thick <= here.depth_mm
            and self.space.fits(repair, block, face, self.space.reaching(block, face, 0.0, thick))
        ):
            return True  # from the front slab, which is the quick answer and the usual one
        return self.find(block, face, ((repair, False),))[0] == "yes"

    def find(
        self, block: int, face: int, pieces: tuple[Piece, ...]
    ) -> tuple[Verdict, Layout | None]:
        """Whether all the pieces can be sawn from the face, and how.

        Parameters
        ----------
        block, face : int
            Numbers of the block and of its face.
        pieces : tuple of (repair, must come from slab 0)
            Sorted.

        Returns
        -------
        verdict, layout
            ``"yes"`` with a layout, ``"no"`` when it is proved that there is none, else ``"unknown"``.
        """
        key = (block, face, pieces)
        if key not in self._found:
            self._found[key] = self._search(block, face, pieces)
            if self._found[key][0] == "unknown":
                self.unknown += 1
        return self._found[key]

    def settle(
        self, block: int, face: int, pieces: tuple[Piece, ...], slots: list[int]
    ) -> Layout | None:
        """Lay out pieces whose slabs are known already; remembered as for :meth:`find`."""
        key = (block, face, pieces)
        if key not in self._found or self._found[key][0] == "unknown":
            groups: list[list[int]] = [[] for _ in range(max(slots) + 1)]
            for (i, _), slot in zip(pieces, slots, strict=True):
                groups[slot].append(i)
            answer, layout = self._try_groups(block, face, groups)
            if answer == "yes":
                self._found[key] = (answer, layout)
        return self._found[key][1] if key in self._found else None

    def _search(
        self, block: int, face: int, pieces: tuple[Piece, ...]
    ) -> tuple[Verdict, Layout | None]:
        here, params = self.problem.blocks[block].faces[face], self.problem.params
        most = min(
            params.max_slabs,
            int(
                (here.depth_mm + params.depth_kerf_mm + TOLERANCE_MM)
                // max(params.min_slab_mm + params.depth_kerf_mm, 1e-6)
            ),
        )
        verdict: Verdict = "no"
        tried = 0
        for count in range(1, most + 1):
            for groups in self._groupings(pieces, block, face, count):
                tried += 1
                if tried > MOST_GROUPINGS:
                    return "unknown", None
                answer, layout = self._try_groups(block, face, groups)
                if answer == "yes":
                    return "yes", layout
                if answer == "unknown":
                    verdict = "unknown"
        return verdict, None

    def slabs_of(self, piece: Piece) -> tuple[int, int]:
        """First and last slab that a piece may come from."""
        repair = self.problem.repairs[piece[0]]
        lock = repair.lock
        if lock is not None and lock.slab is not None:
            return (
                (lock.slab, lock.slab)
                if not (piece[1] or repair.weathered == "required") or not lock.slab
                else (1, 0)
            )
        return (
            (0, 0)
            if piece[1] or repair.weathered == "required"
            else (0, self.problem.params.max_slabs - 1)
        )

    def _groupings(
        self, pieces: tuple[Piece, ...], block: int, face: int, count: int
    ) -> Iterator[list[list[int]]]:
        """All ways to share the pieces out to ``count`` slabs, the last one not empty, thickness permitting."""
        params, here = self.problem.params, self.problem.blocks[block].faces[face]
        repairs = self.problem.repairs
        groups: list[list[int]] = [[] for _ in range(count)]
        thick = [params.min_slab_mm] * count
        room = here.depth_mm - params.depth_kerf_mm * (count - 1) + TOLERANCE_MM

        def share(n: int) -> Iterator[list[list[int]]]:
            if n == len(pieces):
                if groups[-1]:
                    yield groups
                return
            low, high = self.slabs_of(pieces[n])
            for slab in range(low, min(high, count - 1) + 1):
                before = thick[slab]
                thick[slab] = max(before, need_mm(repairs[pieces[n][0]], here, params, slab=slab))
                if sum(thick) <= room:
                    groups[slab].append(pieces[n][0])
                    yield from share(n + 1)
                    groups[slab].pop()
                thick[slab] = before

        yield from share(0)

    def _try_groups(
        self, block: int, face: int, groups: list[list[int]]
    ) -> tuple[Verdict, Layout | None]:
        """Try one sharing-out; a slab may be thicker than needed so that the next starts behind a flaw."""
        params, here = self.problem.params, self.problem.blocks[block].faces[face]
        repairs = self.problem.repairs
        least = [
            max([params.min_slab_mm, *(need_mm(repairs[i], here, params, slab=k) for i in group)])
            for k, group in enumerate(groups)
        ]
        kerf = params.depth_kerf_mm
        behind = sorted({f.depth_mm for f in here.flaws if f.depth_mm is not None})
        verdict: Verdict = "no"

        def go(k: int, start: float) -> Iterator[tuple[list[float], list[_Places]]]:
            nonlocal verdict
            last = k == len(groups) - 1
            following = 0.0 if last else sum(least[k + 1 :]) + kerf * (len(groups) - 1 - k)
            ends = [start + least[k]]
            if not last:
                ends += [d - kerf for d in behind if d - kerf > ends[0]]
            for end in ends:
                if end + following > here.depth_mm + TOLERANCE_MM:
                    break
                level = self.space.reaching(block, face, start, end - start)
                answer, places = (
                    self.flat(block, face, level, tuple(sorted(groups[k])))
                    if groups[k]
                    else ("yes", ())
                )
                if answer != "yes":
                    if answer == "unknown":
                        verdict = "unknown"
                    continue
                if last:
                    yield [end - start], [places]
                    return
                for thick, more in go(k + 1, end + kerf):
                    yield [end - start, *thick], [places, *more]
                    return

        for thickness, slabs in go(0, 0.0):
            placed = tuple(
                sorted((i, k, x, y, t) for k, places in enumerate(slabs) for i, x, y, t in places)
            )
            return "yes", Layout(
                block=block, face=face, places=placed, thickness_mm=tuple(thickness)
            )
        return verdict, None

    def flat(
        self, block: int, face: int, level: tuple[int, ...], repairs: tuple[int, ...]
    ) -> tuple[Verdict, _Places]:
        """Whether blanks fit side by side on one slab whose obstacles are the flaws of ``level``."""
        key = (block, face, level, repairs)
        if key not in self._flat or (
            self._flat[key][0] == "unknown" and self._effort.get(key, 0) < self.most_queries
        ):
            self._flat[key] = self._lay(block, face, level, repairs)
            if self._flat[key][0] == "unknown":
                self._effort[key] = self.most_queries
        return self._flat[key]

    def _lay(
        self, block: int, face: int, level: tuple[int, ...], repairs: tuple[int, ...]
    ) -> tuple[Verdict, _Places]:
        rows = [self.space.choices(i, block, face, level) for i in repairs]
        if any(len(r) == 0 for r in rows):
            return "no", ()
        space, kerf = self.space, float(self.problem.params.kerf_mm)
        starts = np.cumsum([0, *(len(r) for r in rows)]).astype(np.int64)
        choices = np.concatenate(rows)
        places = np.zeros((len(rows), 3))
        box = Box(*space.box(block, face))
        bench, blanks = Bench(box, kerf, space.shapes), Blanks(starts, choices)

        def found() -> tuple[Verdict, _Places]:
            return "yes", tuple(
                (i, float(places[n, 0]), float(places[n, 1]), int(choices[int(places[n, 2]), 10]))
                for n, i in enumerate(repairs)
            )

        spent = np.array([0, self.most_queries, 0], dtype=np.int64)
        if len(rows) > 1:
            areas = sum((r[0, 2] + kerf) * (r[0, 3] + kerf) for r in rows)
            if self.problem.params.cut_mode == "guillotine" and areas > (
                box.x1 - box.x0 + kerf + 0.02
            ) * (box.y1 - box.y0 + kerf + 0.02):
                return "no", ()
            done = space.kernels.fill_some(bench, blanks, places, spent)
            self.work += int(spent[0])
            if done:
                return found()
            spent[0] = 0
        if len(rows) > (MOST_TOGETHER if space.compiled else MOST_INTERPRETED):
            return "unknown", ()
        free = self.problem.params.cut_mode == "free" and len(rows) > 1
        everything = (1 << len(rows)) - 1
        goal = PLACE if len(rows) == 1 else ANY
        sets = space.kernels.box_sets(np.arange(len(rows)), blanks, box, kerf, 1 << 40, spent)
        spent[0] = 0
        good = space.kernels.layout(goal, everything, bench, blanks, sets, places, spent)
        self.work += int(spent[0])
        if good == 0.0 and free:
            most = self.most_queries // 4 if len(rows) < 6 else self.most_queries // 20
            answer, laid = lay_freely(space, rows, kerf_mm=kerf, most_checks=most)
            self.work += most if answer is None else most // 4
            if answer:
                return "yes", tuple(
                    (i, x, y, int(rows[n][row, 10]))
                    for n, (i, (x, y, row)) in enumerate(zip(repairs, laid, strict=True))
                )
            return ("unknown" if answer is None else "no"), ()
        if good == 0.0:
            return ("unknown" if spent[2] else "no"), ()
        if len(rows) > 1:
            spent[:] = (0, 1 << 40, 0)
            space.kernels.layout(PLACE, everything, bench, blanks, sets, places, spent)
        return found()
