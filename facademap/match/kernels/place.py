"""The inner loops of the placing: where a blank may lie on a face.

Plain Python on arrays, written so that numba compiles them as they stand (see ``compiled.py``); both
ways give the same numbers. All positions are those of the lower-left corner of a blank's bounding box.

How it works. A blank is a set of convex parts; a face with its flaws at one depth is a set of line
segments. A part meets a segment just where its position lies inside the Minkowski sum of the segment
and the mirrored part, a convex polygon. The free positions are what is left outside all of these;
their boundary, a bag of line segments, is worked out once for a blank on a face and then answers
"leftmost position inside this window" exactly. Parts are made smaller by ``EASE_MM`` on every side
so that a blank which fits exactly is found; that is less than the tolerance of a plan.

References
----------
Minkowski sums and the free space of a translating polygon: de Berg, Cheong, van Kreveld & Overmars,
Computational Geometry (3rd edition, 2008), chapter 13 (from memory).
"""

from __future__ import annotations

import math

import numpy as np

from facademap.match.kernels.values import (
    Blanks,
    Box,
    Face,
    Floats,
    Ints,
    Outline,
    Shapes,
)

__all__ = [
    "ANY",
    "EASE_MM",
    "PLACE",
    "RIGHT",
    "SLACK",
    "TOP",
    "clear_at",
    "first_place",
    "free_edges",
    "hulls_of",
    "lowest",
    "one",
    "point_on_face",
]

EASE_MM = 0.003
SLACK = 1e-7
ANY, RIGHT, TOP, PLACE = 0, 1, 2, 3


def point_on_face(segments: Floats, ring_end: int, x: float, y: float) -> bool:
    """Whether a point lies on the face and on no flaw (winding numbers; flaws run counter-clockwise)."""
    around = 0
    flaws = 0
    for s in range(segments.shape[0]):
        ay = segments[s, 1]
        by = segments[s, 3]
        turn = 0
        if ay <= y:
            if by > y:
                cross = (segments[s, 2] - segments[s, 0]) * (y - ay) - (x - segments[s, 0]) * (
                    by - ay
                )
                if cross > 0.0:
                    turn = 1
        elif by <= y:
            cross = (segments[s, 2] - segments[s, 0]) * (y - ay) - (x - segments[s, 0]) * (by - ay)
            if cross < 0.0:
                turn = -1
        if s < ring_end:
            around += turn
        else:
            flaws += turn
    return around != 0 and flaws == 0


def clear_at(blank: Outline, face: Face, x: float, y: float) -> bool:
    """Whether all parts of a blank at (x, y) lie on the face and off every flaw."""
    parts, planes, first, last = blank
    segments, ring_end = face
    for p in range(first, last):
        x_low = parts[p, 0] + x
        y_low = parts[p, 1] + y
        x_high = parts[p, 2] + x
        y_high = parts[p, 3] + y
        begin = int(parts[p, 6])
        end = int(parts[p, 7])
        for s in range(segments.shape[0]):
            ax = segments[s, 0]
            ay = segments[s, 1]
            bx = segments[s, 2]
            by = segments[s, 3]
            if ax <= x_low and bx <= x_low:
                continue
            if ay <= y_low and by <= y_low:
                continue
            if ax >= x_high and bx >= x_high:
                continue
            if ay >= y_high and by >= y_high:
                continue
            t_in = 0.0
            t_out = 1.0
            for k in range(begin, end):
                inside = planes[k, 2] - planes[k, 0] * (ax - x) - planes[k, 1] * (ay - y)
                rate = planes[k, 0] * (bx - ax) + planes[k, 1] * (by - ay)
                if rate > 0.0:
                    t_out = min(t_out, inside / rate)
                elif rate < 0.0:
                    t_in = max(t_in, inside / rate)
                elif inside <= 0.0:
                    t_out = -1.0
                if t_in >= t_out:
                    break
            if t_in < t_out - 1e-12:
                return False
        if not point_on_face(segments, ring_end, parts[p, 4] + x, parts[p, 5] + y):
            return False
    return True


def hulls_of(
    blank: Outline, corners: Floats, face: Face, window: Box, hull: Floats, size: Ints, box: Floats
) -> int:
    """The convex polygons that a blank's position must stay out of, those that reach the window; how many.

    One for each part of the blank and segment of the face. ``hull`` takes the corners and the outward normal
    of the edge that begins there, ``size`` the number of corners, ``box`` the box of each.
    """
    parts, _, first, last = blank
    segments = face.segments
    w_x0, w_y0, w_x1, w_y1 = window
    px = np.empty(8)
    py = np.empty(8)
    chain = np.empty(18, np.int64)
    n_hulls = 0
    for p in range(first, last):
        n_corners = int(parts[p, 8])
        for s in range(segments.shape[0]):
            n = 0
            for c in range(n_corners):
                for e in range(2):
                    qx = segments[s, 2 * e] - corners[p, 2 * c]
                    qy = segments[s, 2 * e + 1] - corners[p, 2 * c + 1]
                    j = n
                    while j > 0 and (px[j - 1] > qx or (px[j - 1] == qx and py[j - 1] > qy)):
                        px[j] = px[j - 1]
                        py[j] = py[j - 1]
                        j -= 1
                    px[j] = qx
                    py[j] = qy
                    n += 1
            if px[n - 1] <= w_x0 or px[0] >= w_x1:
                continue
            y_low = py[0]
            y_high = py[0]
            for c in range(1, n):
                y_low = min(y_low, py[c])
                y_high = max(y_high, py[c])
            if y_high <= w_y0 or y_low >= w_y1:
                continue
            k = 0
            for c in range(n):
                while (
                    k >= 2
                    and (px[chain[k - 1]] - px[chain[k - 2]]) * (py[c] - py[chain[k - 2]])
                    - (py[chain[k - 1]] - py[chain[k - 2]]) * (px[c] - px[chain[k - 2]])
                    <= 1e-9
                ):
                    k -= 1
                chain[k] = c
                k += 1
            lower = k + 1
            for c in range(n - 2, -1, -1):
                while (
                    k >= lower
                    and (px[chain[k - 1]] - px[chain[k - 2]]) * (py[c] - py[chain[k - 2]])
                    - (py[chain[k - 1]] - py[chain[k - 2]]) * (px[c] - px[chain[k - 2]])
                    <= 1e-9
                ):
                    k -= 1
                chain[k] = c
                k += 1
            for c in range(k):
                hull[n_hulls, c, 0] = px[chain[c]]
                hull[n_hulls, c, 1] = py[chain[c]]
            for c in range(k - 1):
                ex = hull[n_hulls, c + 1, 0] - hull[n_hulls, c, 0]
                ey = hull[n_hulls, c + 1, 1] - hull[n_hulls, c, 1]
                length = math.sqrt(ex * ex + ey * ey)
                hull[n_hulls, c, 2] = ey / length
                hull[n_hulls, c, 3] = -ex / length
            size[n_hulls] = k - 1
            box[n_hulls, 0] = px[0]
            box[n_hulls, 1] = y_low
            box[n_hulls, 2] = px[n - 1]
            box[n_hulls, 3] = y_high
            n_hulls += 1
    return n_hulls


def free_edges(blank: Outline, corners: Floats, face: Face, window: Box, out: Floats) -> int:
    """Boundary of the free positions of a blank inside ``window``.

    ``corners`` holds up to four corners of every part (x, y pairs; the count in column 8 of ``parts``).
    Writes segments to ``out`` and returns how many; -1 as soon as ``out`` is too small.
    """
    w_x0, w_y0, w_x1, w_y1 = window
    if w_x0 > w_x1 or w_y0 > w_y1:
        return 0
    parts, _, first, last = blank
    segments, ring_end = face
    n_most = segments.shape[0] * (last - first)
    hull = np.empty((n_most, 9, 4))
    size = np.zeros(n_most, np.int64)
    box = np.empty((n_most, 4))
    n_hulls = hulls_of(blank, corners, face, window, hull, size, box)
    starts = np.empty(n_hulls + 1)
    ends = np.empty(n_hulls + 1)
    count = 0
    for a in range(n_hulls):
        for c in range(size[a]):
            ax = hull[a, c, 0]
            ay = hull[a, c, 1]
            dx = hull[a, c + 1, 0] - ax
            dy = hull[a, c + 1, 1] - ay
            t_in = 0.0
            t_out = 1.0
            for k in range(4):
                if k == 0:
                    inside = ax - w_x0
                    rate = -dx
                elif k == 1:
                    inside = w_x1 - ax
                    rate = dx
                elif k == 2:
                    inside = ay - w_y0
                    rate = -dy
                else:
                    inside = w_y1 - ay
                    rate = dy
                if rate > 0.0:
                    t_out = min(t_out, inside / rate)
                elif rate < 0.0:
                    t_in = max(t_in, inside / rate)
                elif inside < 0.0:
                    t_out = -1.0
            if t_in > t_out:
                continue
            low_x = min(ax + t_in * dx, ax + t_out * dx)
            high_x = max(ax + t_in * dx, ax + t_out * dx)
            low_y = min(ay + t_in * dy, ay + t_out * dy)
            high_y = max(ay + t_in * dy, ay + t_out * dy)
            n = 0
            covered = False
            for b in range(n_hulls):
                if b == a or not (
                    box[b, 0] < high_x + SLACK
                    and box[b, 2] > low_x - SLACK
                    and box[b, 1] < high_y + SLACK
                    and box[b, 3] > low_y - SLACK
                ):
                    continue
                u_in = t_in
                u_out = t_out
                for e in range(size[b]):
                    nx = hull[b, e, 2]
                    ny = hull[b, e, 3]
                    inside = nx * (hull[b, e, 0] - ax) + ny * (hull[b, e, 1] - ay) - SLACK
                    rate = nx * dx + ny * dy
                    if rate > 1e-12:
                        if inside < u_out * rate:
                            u_out = inside / rate
                    elif rate < -1e-12:
                        if inside < u_in * rate:
                            u_in = inside / rate
                    elif inside <= 0.0:
                        u_out = -1.0
                    if u_in >= u_out:
                        break
                if u_in < u_out:
                    if u_in <= t_in and u_out >= t_out:
                        covered = True
                        break
                    j = n
                    while j > 0 and starts[j - 1] > u_in:
                        starts[j] = starts[j - 1]
                        ends[j] = ends[j - 1]
                        j -= 1
                    starts[j] = u_in
                    ends[j] = u_out
                    n += 1
            if covered:
                continue
            reached = t_in
            for b in range(n + 1):
                begin = starts[b] if b < n else t_out
                if begin > reached or n == 0:
                    middle = 0.5 * (reached + begin)
                    mx = ax + middle * dx
                    my = ay + middle * dy
                    good = True
                    for p in range(first, last):
                        if not point_on_face(
                            segments, ring_end, parts[p, 4] + mx, parts[p, 5] + my
                        ):
                            good = False
                            break
                    if good:
                        if count >= out.shape[0]:
                            return -1
                        out[count, 0] = ax + reached * dx
                        out[count, 1] = ay + reached * dy
                        out[count, 2] = ax + begin * dx
                        out[count, 3] = ay + begin * dy
                        count += 1
                if b < n:
                    reached = max(reached, ends[b])
                if reached > t_out:
                    break
    return count


def lowest(axis: int, edges: Floats, begin: int, end: int, window: Box, place: Floats) -> bool:
    """Smallest coordinate along ``axis`` (0: x, 1: y) of the boundary edges inside a window.

    The point goes to ``place``; returns False when no edge enters the window. Ties take the smaller
    other coordinate.
    """
    x0, y0, x1, y1 = window
    best_u = math.inf
    best_v = math.inf
    for e in range(begin, end):
        ax = edges[e, 0]
        ay = edges[e, 1]
        dx = edges[e, 2] - ax
        dy = edges[e, 3] - ay
        if ax < x0 and ax + dx < x0:
            continue
        if ay < y0 and ay + dy < y0:
            continue
        if ax > x1 and ax + dx > x1:
            continue
        if ay > y1 and ay + dy > y1:
            continue
        t_in = 0.0
        t_out = 1.0
        if dx > 0.0:
            t_in = max(t_in, (x0 - ax) / dx)
            t_out = min(t_out, (x1 - ax) / dx)
        elif dx < 0.0:
            t_in = max(t_in, (x1 - ax) / dx)
            t_out = min(t_out, (x0 - ax) / dx)
        if dy > 0.0:
            t_in = max(t_in, (y0 - ay) / dy)
            t_out = min(t_out, (y1 - ay) / dy)
        elif dy < 0.0:
            t_in = max(t_in, (y1 - ay) / dy)
            t_out = min(t_out, (y0 - ay) / dy)
        if t_in > t_out:
            continue
        for k in range(2):
            t = t_in if k == 0 else t_out
            qx = ax + t * dx
            qy = ay + t * dy
            u = qx if axis == 0 else qy
            v = qy if axis == 0 else qx
            if u < best_u - 1e-9 or (u <= best_u + 1e-9 and v < best_v):
                best_u = min(u, best_u)
                best_v = v
    if best_u == math.inf:
        return False
    if axis == 0:
        place[0] = best_u
        place[1] = best_v
    else:
        place[0] = best_v
        place[1] = best_u
    return True


def first_place(
    axis: int, choice: int, box: Box, rows: Floats, shapes: Shapes, place: Floats
) -> bool:
    """Leftmost (axis 0) or lowest (axis 1) position of one blank, turned one way, inside a box.

    ``choice`` is a row of ``rows`` (:class:`Blanks`); ``place`` takes x and y.
    """
    x0, y0, x1, y1 = box
    w_x1 = x1 - rows[choice, 2] + SLACK
    w_y1 = y1 - rows[choice, 3] + SLACK
    if w_x1 < x0 or w_y1 < y0:
        return False
    begin = int(rows[choice, 0])
    end = int(rows[choice, 1])
    if begin == end:
        return False
    hit = lowest(axis, shapes.edges, begin, end, Box(x0, y0, w_x1, w_y1), place)
    if rows[choice, 9] == 0.0 or (
        hit and (place[0] <= x0 + SLACK if axis == 0 else place[1] <= y0 + SLACK)
    ):
        return hit
    blank = Outline(shapes.parts, shapes.planes, int(rows[choice, 4]), int(rows[choice, 5]))
    obstacles = shapes.segments[int(rows[choice, 6]) : int(rows[choice, 7])]
    face = Face(obstacles, int(rows[choice, 8]))
    for corner in range(2):  # the lower left one, then the other end of the side looked at
        x = w_x1 if corner == 1 and axis == 1 else x0
        y = w_y1 if corner == 1 and axis == 0 else y0
        if clear_at(blank, face, x, y):
            place[0] = x
            place[1] = y
            return True
    return hit


def one(
    goal: int,
    item: int,
    box: Box,
    blanks: Blanks,
    shapes: Shapes,
    places: Floats,
    spent: Ints,
) -> float:
    """The answer of :func:`layout` for a single blank, over the ways that it may be turned."""
    starts, rows = blanks
    place = np.empty(2)
    best = math.inf
    spent[0] += 1
    for choice in range(starts[item], starts[item + 1]):
        axis = 1 if goal == TOP else 0
        if first_place(axis, choice, box, rows, shapes, place):
            if goal == PLACE:
                places[item, 0] = place[0]
                places[item, 1] = place[1]
                places[item, 2] = choice
            if goal in (ANY, PLACE):
                return 1.0
            reach = place[0] + rows[choice, 2] if goal == RIGHT else place[1] + rows[choice, 3]
            best = min(best, reach)
    if goal in (ANY, PLACE):
        return 0.0
    return best
