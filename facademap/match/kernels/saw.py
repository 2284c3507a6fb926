"""The inner loops of the sawing: whether several blanks can be parted by straight cuts, end to end.

Plain Python on arrays, compiled as it stands (see ``compiled.py``).
"""

from __future__ import annotations

import math

import numpy as np

from facademap.match.kernels.box import flattest, narrowest
from facademap.match.kernels.place import ANY, PLACE, RIGHT, SLACK, TOP, first_place, one
from facademap.match.kernels.values import Bench, Blanks, Box, Flags, Floats, Ints, Sets

__all__ = [
    "MOST_TOGETHER",
    "fill",
    "fill_some",
    "layout",
    "pairs_apart",
    "parts_from",
    "side_by_side",
]

BISECT_MM = 0.0005
#: Most blanks on one slab that the exact layout looks at.
MOST_TOGETHER = 11
ENTER, SPLIT, FIRST, SECOND, PLACED, LAST, STRIP, STRIPPED, TRY, TRIED, TRIED_BOTH = range(11)


def layout(
    goal: int,
    mask: int,
    bench: Bench,
    blanks: Blanks,
    sets: Sets,
    places: Floats,
    spent: Ints,
) -> float:
    """Can the blanks of ``mask`` be sawn out of a box by straight cuts, end to end, any number of stages?

    Parameters
    ----------
    goal : int
        ``ANY``: 1.0 for yes, 0.0 for no. ``RIGHT`` (``TOP``): the smallest right (top) end of a box
        that holds them, infinite for none, to within half a micrometre above. ``PLACE``: as ``ANY``,
        and writes x, y and choice to ``places``.
    mask : int
        Bits of the blanks.
    bench : Bench
        The box and the width of a cut in mm.
    blanks : Blanks
        Their choices.
    sets : Sets
        Smallest rectangles of every set of them (:func:`facademap.match.kernels.box.box_sets`).
    spent : ndarray of int, shape (3,)
        Queries made, most queries allowed, 1 when that was not enough.

    Notes
    -----
    A cut parts the blanks into two groups. The first group takes the smallest strip that holds it; the
    second must do with the rest. Strips across the other direction are found by bisection, which is
    right because more room never hurts. The recursion is written out with its own stack, since numba
    cannot keep recursive functions in its cache; that makes it long.
    """
    kerf, shapes, numbers = bench.kerf, bench.shapes, sets.numbers
    n_items = blanks.starts.shape[0] - 1
    whole = np.zeros((40, 7), np.int64)  # goal, mask, part, across, stage, state, deeper
    real = np.zeros((40, 10))  # x0, x1, y0, y1, least, best, low, high, trial, cut
    whole[0, 0] = goal
    whole[0, 1] = mask
    real[0, 0] = bench.box.x0
    real[0, 1] = bench.box.x1
    real[0, 2] = bench.box.y0
    real[0, 3] = bench.box.y1
    top = 0
    answer = 0.0
    while top >= 0:
        frame = whole[top]
        box = real[top]
        aim = frame[0]
        group = frame[1]
        state = frame[5]
        measuring = aim in (RIGHT, TOP)
        done = False
        if state == ENTER:
            bad = math.inf if measuring else 0.0
            if group & (group - 1) == 0:
                item = 0
                while (group >> item) & 1 == 0:
                    item += 1
                answer = one(
                    aim,
                    item,
                    Box(box[0], box[2], box[1], box[3]),
                    blanks,
                    shapes,
                    places,
                    spent,
                )
                top -= 1
                continue
            if spent[0] >= spent[1]:
                spent[2] = 1
                answer = bad
                top -= 1
                continue
            least = -math.inf
            set_of = numbers[group]
            if aim == TOP:
                least = box[2] + flattest(sets, set_of, box[1] - box[0] + 0.01) - 0.01
                fits = least <= box[3]
            else:
                least = box[0] + narrowest(sets, set_of, box[3] - box[2] + 0.01) - 0.01
                fits = least <= box[1]
            for item in range(n_items):
                if (group >> item) & 1 and fits:
                    single = one(
                        TOP if aim == TOP else RIGHT,
                        item,
                        Box(box[0], box[2], box[1], box[3]),
                        blanks,
                        shapes,
                        places,
                        spent,
                    )
                    if single == math.inf:
                        fits = False
                        break
                    least = max(least, single)
            if not fits:
                answer = bad
                top -= 1
                continue
            box[4] = least
            box[5] = bad
            frame[2] = 0
            frame[3] = 0
            state = SPLIT
        limit = box[1] if aim == RIGHT else box[3]
        # what the call below needs: goal, blanks, box, and the state to come back to
        call = -1
        call_mask = 0
        c_x0 = box[0]
        c_x1 = box[1]
        c_y0 = box[2]
        c_y1 = box[3]
        back = SPLIT
        while call < 0 and not done:
            part = frame[2]
            rest = group ^ part
            if state == SPLIT:
                if spent[2] == 1 or (measuring and box[5] <= box[4] + SLACK):
                    answer = box[5]
                    done = True
                    break
                part = (part - group) & group
                if part == group:
                    frame[2] = 0
                    frame[3] += 1
                    if frame[3] == 2:
                        answer = box[5]
                        done = True
                    continue
                frame[2] = part
                rest = group ^ part
                # can both parts lie beside (above) each other in a plain rectangle?
                if frame[3] == 0:
                    end = box[1] if not measuring or aim == TOP else min(limit, box[5])
                    room = box[3] - box[2] + 0.01
                    if (
                        box[0]
                        + narrowest(sets, numbers[part], room)
                        + kerf
                        + narrowest(sets, numbers[rest], room)
                        > end + 0.01
                    ):
                        continue
                else:
                    end = box[3] if not measuring or aim == RIGHT else min(limit, box[5])
                    room = box[1] - box[0] + 0.01
                    if (
                        box[2]
                        + flattest(sets, numbers[part], room)
                        + kerf
                        + flattest(sets, numbers[rest], room)
                        > end + 0.01
                    ):
                        continue
                if not measuring:
                    call = RIGHT if frame[3] == 0 else TOP
                    call_mask = part
                    back = FIRST
                elif (frame[3] == 0) == (aim == RIGHT):
                    call = aim
                    call_mask = part
                    if aim == RIGHT:
                        c_x1 = min(limit, box[5])
                    else:
                        c_y1 = min(limit, box[5])
                    back = STRIP
                else:
                    box[6] = box[4]
                    box[7] = min(limit, box[5])
                    box[8] = box[7] if box[5] == math.inf else box[7] - BISECT_MM
                    frame[4] = 0
                    state = TRY
            elif state == FIRST:
                if answer == math.inf:
                    state = SPLIT
                    continue
                box[9] = answer
                call = ANY
                call_mask = rest
                if frame[3] == 0:
                    c_x0 = answer + kerf
                else:
                    c_y0 = answer + kerf
                back = SECOND
            elif state == SECOND:
                if answer == 0.0:
                    state = SPLIT
                elif aim == ANY:
                    answer = 1.0
                    done = True
                else:
                    call = PLACE
                    call_mask = part
                    if frame[3] == 0:
                        c_x1 = box[9]
                    else:
                        c_y1 = box[9]
                    back = PLACED
            elif state == PLACED:
                call = PLACE
                call_mask = rest
                if frame[3] == 0:
                    c_x0 = box[9] + kerf
                else:
                    c_y0 = box[9] + kerf
                back = LAST
            elif state == LAST:
                answer = 1.0
                done = True
            elif state == STRIP:
                if answer == math.inf:
                    state = SPLIT
                    continue
                call = aim
                call_mask = rest
                if aim == RIGHT:
                    c_x0 = answer + kerf
                    c_x1 = min(limit, box[5])
                else:
                    c_y0 = answer + kerf
                    c_y1 = min(limit, box[5])
                back = STRIPPED
            elif state == STRIPPED:
                box[5] = min(box[5], answer)
                state = SPLIT
            elif state == TRY:
                if frame[4] == 1:
                    box[8] = box[6]
                elif frame[4] == 2:
                    if box[7] - box[6] <= BISECT_MM:
                        state = SPLIT
                        continue
                    box[8] = 0.5 * (box[6] + box[7])
                if box[8] < box[6]:
                    state = SPLIT
                    continue
                call = TOP if aim == RIGHT else RIGHT
                call_mask = part
                if aim == RIGHT:
                    c_x1 = box[8]
                else:
                    c_y1 = box[8]
                back = TRIED
            else:
                good = False
                if state == TRIED:
                    if answer < math.inf:
                        call = ANY
                        call_mask = rest
                        if aim == RIGHT:
                            c_x1 = box[8]
                            c_y0 = answer + kerf
                        else:
                            c_y1 = box[8]
                            c_x0 = answer + kerf
                        back = TRIED_BOTH
                        continue
                else:
                    good = answer > 0.0
                state = TRY
                if good:
                    box[5] = box[8]
                    box[7] = box[8]
                    if frame[4] == 1:
                        state = SPLIT
                elif frame[4] == 0:
                    state = SPLIT
                elif frame[4] == 2:
                    box[6] = box[8]
                if frame[4] < 2:
                    frame[4] += 1
        if done:
            top -= 1
            continue
        frame[5] = back
        top += 1
        whole[top, 0] = call
        whole[top, 1] = call_mask
        whole[top, 5] = ENTER
        real[top, 0] = c_x0
        real[top, 1] = c_x1
        real[top, 2] = c_y0
        real[top, 3] = c_y1
    return answer


def fill(
    order: Ints,
    policy: int,
    bench: Bench,
    blanks: Blanks,
    free: Floats,
    places: Floats,
    must_all: bool,
) -> int:
    """Lay blanks one after the other, each in the tightest free rectangle that takes it; how many were laid.

    ``policy``: bit 0 slides left or down first, bits 1 and 2 choose how the rest is cut up (0: so that
    the larger rectangle stays whole, 1: upright cuts first, 2: level cuts first). ``free`` is scratch,
    shape (n, 4). ``places`` takes x, y, choice; choice -1 where a blank found no room. With ``must_all``
    the first blank without room ends it.
    """
    kerf, shapes = bench.kerf, bench.shapes
    starts, rows = blanks
    place = np.empty(2)
    best = np.empty(2)
    axis = policy & 1
    cutting = policy >> 1
    free[0, 0] = bench.box.x0
    free[0, 1] = bench.box.y0
    free[0, 2] = bench.box.x1
    free[0, 3] = bench.box.y1
    n_free = 1
    laid = 0
    for o in range(order.shape[0]):
        item = order[o]
        places[item, 2] = -1.0
        at = -1
        at_choice = -1
        tightest = math.inf
        for f in range(n_free):
            area = (free[f, 2] - free[f, 0]) * (free[f, 3] - free[f, 1])
            if area >= tightest:
                continue
            for choice in range(starts[item], starts[item + 1]):
                if first_place(
                    axis,
                    choice,
                    Box(free[f, 0], free[f, 1], free[f, 2], free[f, 3]),
                    rows,
                    shapes,
                    place,
                ):
                    at = f
                    at_choice = choice
                    best[0] = place[0]
                    best[1] = place[1]
                    tightest = area
                    break
        if at < 0:
            if must_all:
                return laid
            continue
        laid += 1
        x = best[0]
        y = best[1]
        w = rows[at_choice, 2]
        h = rows[at_choice, 3]
        places[item, 0] = x
        places[item, 1] = y
        places[item, 2] = at_choice
        f_x0 = free[at, 0]
        f_y0 = free[at, 1]
        f_x1 = free[at, 2]
        f_y1 = free[at, 3]
        left = x - kerf - f_x0
        right = f_x1 - x - w - kerf
        below = y - kerf - f_y0
        above = f_y1 - y - h - kerf
        upright = cutting == 1
        if cutting == 0 or cutting == 3:
            upright = max(left, right) * (f_y1 - f_y0) > max(below, above) * (f_x1 - f_x0)
        n_free -= 1
        for k in range(4):
            free[at, k] = free[n_free, k]
        if n_free + 4 > free.shape[0]:
            return laid
        for k in range(4):
            room = left if k == 0 else right if k == 1 else below if k == 2 else above
            if room <= 1.0:
                continue
            if k < 2:
                free[n_free, 0] = f_x0 if k == 0 else x + w + kerf
                free[n_free, 2] = x - kerf if k == 0 else f_x1
                free[n_free, 1] = f_y0 if upright else y
                free[n_free, 3] = f_y1 if upright else y + h
            else:
                free[n_free, 0] = x if upright else f_x0
                free[n_free, 2] = x + w if upright else f_x1
                free[n_free, 1] = f_y0 if k == 2 else y + h + kerf
                free[n_free, 3] = y - kerf if k == 2 else f_y1
            n_free += 1
    return laid


def pairs_apart(alone: Flags, bench: Bench, blanks: Blanks, clash: Flags) -> None:
    """Mark in ``clash`` (n, n) the pairs of blanks that no straight cut can part on one slab.

    Only pairs that are not yet marked and whose ``alone`` flag is 0 (they may need the same slab) are tried.
    """
    n = blanks.starts.shape[0] - 1
    for a in range(n):
        for b in range(a + 1, n):
            if clash[a, b] != 0 or alone[a, b] != 0:
                continue
            if not parts_from(a, b, bench, blanks) and not parts_from(b, a, bench, blanks):
                clash[a, b] = 1
                clash[b, a] = 1


def parts_from(first: int, second: int, bench: Bench, blanks: Blanks) -> bool:
    """Whether a straight cut beside or above the first blank leaves room for the second."""
    box = bench.box
    places = np.zeros((blanks.starts.shape[0] - 1, 3))
    spent = np.array([0, 1000000000, 0])
    cut = one(int(RIGHT), first, box, blanks, bench.shapes, places, spent)
    if cut < math.inf:
        rest = Box(cut + bench.kerf, box.y0, box.x1, box.y1)
        if one(int(ANY), second, rest, blanks, bench.shapes, places, spent) > 0.0:
            return True
    cut = one(int(TOP), first, box, blanks, bench.shapes, places, spent)
    if cut < math.inf:
        rest = Box(box.x0, cut + bench.kerf, box.x1, box.y1)
        if one(int(ANY), second, rest, blanks, bench.shapes, places, spent) > 0.0:
            return True
    return False


def fill_some(bench: Bench, blanks: Blanks, places: Floats, spent: Ints) -> bool:
    """Try some orders and ways of cutting with :func:`fill`; quick, and right when it succeeds."""
    starts, rows = blanks
    n = starts.shape[0] - 1
    free = np.empty((4 * n + 8, 4))
    order = np.empty(n, np.int64)
    size = np.empty(n)
    tries = 2 if n < 6 else 5 if n < 9 else 3 + 2 * n
    seed = 12345 + n
    for attempt in range(tries):
        for k in range(n):
            w = rows[starts[k], 2]
            h = rows[starts[k], 3]
            size[k] = w * h if attempt == 0 else h if attempt == 1 else w
            if attempt > 2:
                seed = (seed * 1103515245 + 12345) % 2147483648
                size[k] = w * h * (0.3 + seed / 2147483648.0)
            j = k
            while j > 0 and size[order[j - 1]] < size[k]:
                order[j] = order[j - 1]
                j -= 1
            order[j] = k
        for policy in range(6):
            spent[0] += n
            if fill(order, policy, bench, blanks, free, places, True) == n:
                return True
    return False


def side_by_side(
    group: Ints,
    mask: int,
    bench: Bench,
    blanks: Blanks,
    sets: Sets,
    most_queries: int,
    spent: Ints,
) -> int:
    """Whether the blanks of ``group`` picked by ``mask`` can be sawn from one slab: 1 yes, 0 no, 2 not decided."""
    starts, all_rows = blanks
    n = 0
    rows = 0
    for k in range(group.shape[0]):
        if (mask >> k) & 1:
            found = starts[group[k] + 1] - starts[group[k]]
            if found == 0:
                return 0
            n += 1
            rows += found
    own_starts = np.zeros(n + 1, np.int64)
    own = np.empty((rows, all_rows.shape[1]))
    numbers = np.zeros(1 << n, np.int64)
    n = 0
    rows = 0
    for k in range(group.shape[0]):
        if (mask >> k) & 1:
            for row in range(starts[group[k]], starts[group[k] + 1]):
                own[rows] = all_rows[row]
                rows += 1
            for some in range(1 << n):
                numbers[some | 1 << n] = numbers[some] | 1 << k
            n += 1
            own_starts[n] = rows
    if n == 1:
        return 1
    places = np.empty((n, 3))
    chosen = Blanks(own_starts, own)
    if fill_some(bench, chosen, places, spent):
        return 1
    if n > MOST_TOGETHER:
        return 2
    counter = np.zeros(3, np.int64)
    counter[1] = most_queries
    own_sets = Sets(numbers, sets.wide, sets.high, sets.kept)
    good = layout(int(ANY), (1 << n) - 1, bench, chosen, own_sets, places, counter)
    spent[0] += counter[0]
    if good > 0.0:
        return 1
    return 2 if counter[2] == 1 else 0
