"""Which sets of boxes straight cuts can win from one rectangle: the quick proof that a set is impossible.

Plain Python on arrays, compiled as it stands (see ``compiled.py``). A face lies inside its bounding
rectangle, so what cannot be sawn from that cannot be sawn from the face, wherever its flaws are. In a
plain rectangle a set of boxes is described by the sizes of the smallest rectangles that hold it: those of
a set follow from those of its two parts beside a cut.

References
----------
Combining the sizes of slicing arrangements: Stockmeyer (1983), Optimal orientations of cells in slicing
floorplan designs, Information and Control 57 (from memory).
"""

from __future__ import annotations

import numpy as np

from facademap.match.kernels.values import Blanks, Box, Ints, Sets

__all__ = ["MOST_SIZES", "above", "beside", "box_sets", "flattest", "keep_size", "narrowest"]

#: Sizes kept for one set; with more, two neighbours become one that is smaller than both, which never excludes.
MOST_SIZES = 16


def keep_size(sets: Sets, mask: int, w: float, h: float) -> None:
    """Keep the size (w, h) of a set unless one at hand is no larger; sizes stay sorted by width."""
    wide, high, count = sets.wide, sets.high, sets.kept
    n = count[mask]
    if n == wide.shape[1]:  # full: make one of the two neighbours that lose least by it
        best = 0
        least = np.inf
        for k in range(n - 1):
            lost = (wide[mask, k + 1] - wide[mask, k]) * (high[mask, k] - high[mask, k + 1])
            if lost < least:
                least = lost
                best = k
        n -= 1
        high[mask, best] = high[mask, best + 1]
        for k in range(best + 1, n):
            wide[mask, k] = wide[mask, k + 1]
            high[mask, k] = high[mask, k + 1]
        count[mask] = n
    at = 0
    while at < n and wide[mask, at] <= w:
        if high[mask, at] <= h:
            return
        if wide[mask, at] == w:
            break
        at += 1
    end = at
    while end < n and high[mask, end] >= h:
        end += 1
    if end == at:
        for k in range(n, at, -1):
            wide[mask, k] = wide[mask, k - 1]
            high[mask, k] = high[mask, k - 1]
        count[mask] = n + 1
    elif end > at + 1:
        gap = end - at - 1
        for k in range(end, n):
            wide[mask, k - gap] = wide[mask, k]
            high[mask, k - gap] = high[mask, k]
        count[mask] = n - gap
    wide[mask, at] = w
    high[mask, at] = h


def narrowest(sets: Sets, mask: int, most_high: float) -> float:
    """Width of the narrowest rectangle no higher than that which holds a set; infinite for none."""
    wide, high = sets.wide, sets.high
    for k in range(sets.kept[mask]):
        if high[mask, k] <= most_high:
            width: float = wide[mask, k]
            return width
    return np.inf


def flattest(sets: Sets, mask: int, most_wide: float) -> float:
    """Height of the lowest rectangle no wider than that which holds a set; infinite for none."""
    wide, high = sets.wide, sets.high
    for k in range(sets.kept[mask] - 1, -1, -1):
        if wide[mask, k] <= most_wide:
            height: float = high[mask, k]
            return height
    return np.inf


def beside(sets: Sets, mask: int, a: int, b: int, kerf: float, full_w: float) -> None:
    """Keep the sizes of two sets beside each other: for every size of a the narrowest of b that is no higher."""
    wide, high, count = sets.wide, sets.high, sets.kept
    k = 0
    for i in range(count[a]):
        while k > 0 and high[b, k - 1] <= high[a, i]:
            k -= 1
        while k < count[b] and high[b, k] > high[a, i]:
            k += 1
        if k < count[b]:
            w = wide[a, i] + wide[b, k] + kerf
            if w <= full_w:
                keep_size(sets, mask, w, high[a, i])


def above(sets: Sets, mask: int, a: int, b: int, kerf: float, full_h: float) -> None:
    """Keep the sizes of two sets above each other: for every size of a the lowest of b that is no wider."""
    wide, high, count = sets.wide, sets.high, sets.kept
    k = -1
    for i in range(count[a]):
        while k + 1 < count[b] and wide[b, k + 1] <= wide[a, i]:
            k += 1
        if k >= 0:
            h = high[a, i] + high[b, k] + kerf
            if h <= full_h:
                keep_size(sets, mask, wide[a, i], h)


def box_sets(group: Ints, blanks: Blanks, box: Box, kerf: float, most: int, spent: Ints) -> Sets:
    """The smallest rectangles from which straight cuts win each set of blanks.

    Sets that do not fit the bounding rectangle of the face have none: they are impossible on the face.

    Parameters
    ----------
    group : ndarray of int
        Pieces of the face; sets of them are bit masks.
    blanks : Blanks
        Choices of every piece at the level with the fewest flaws.
    box : Box
        The rectangle.
    kerf : float
        Width of a cut.
    most : int
        Most effort, in queries.
    spent : ndarray of int
        Grows by the effort.

    Returns
    -------
    Sets
        Of shape (2 ** n, MOST_SIZES); every true size is at least as large as one of them in both directions.
        The first count is -1 where the effort did not suffice; the sizes then mean nothing.
    """
    starts, rows = blanks
    n = group.shape[0]
    full_w = box.x1 - box.x0 + 0.02
    full_h = box.y1 - box.y0 + 0.02
    wide = np.empty((1 << n, MOST_SIZES))
    high = np.empty((1 << n, MOST_SIZES))
    count = np.zeros(1 << n, np.int64)
    sets = Sets(np.arange(1 << n), wide, high, count)
    area = np.zeros(1 << n)
    done = 0
    for mask in range(1, 1 << n):
        if done > most:
            count[0] = -1
            break
        low = mask & -mask
        if mask == low:
            k = 0
            while (mask >> k) & 1 == 0:
                k += 1
            least = np.inf
            for row in range(starts[group[k]], starts[group[k] + 1]):
                w = rows[row, 2]
                h = rows[row, 3]
                least = min(least, (w + kerf) * (h + kerf))
                if w <= full_w and h <= full_h:
                    keep_size(sets, mask, w, h)
            area[mask] = least
            continue
        area[mask] = area[low] + area[mask ^ low]
        if area[mask] > (full_w + kerf) * (full_h + kerf):
            continue
        whole = True
        for k in range(n):
            if (mask >> k) & 1 and count[mask ^ (1 << k)] == 0:
                whole = False
                break
        if not whole:
            continue
        rest = mask ^ low
        sub = rest
        splits = 0
        while sub > 0:  # the part with the lowest blank, and the part without
            sub = (sub - 1) & rest
            splits += 1
            one = sub | low
            two = mask ^ one
            for swap in range(2):
                a = two if swap else one
                b = one if swap else two
                beside(sets, mask, a, b, kerf, full_w)
                above(sets, mask, a, b, kerf, full_h)
        done += splits
    spent[0] += done
    return sets
