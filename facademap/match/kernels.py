# mypy: disable-error-code="no-untyped-def"
"""The inner loops: where a blank may lie on a face, and whether several can be sawn apart.

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

__all__ = [
    "EASE_MM", "KERNELS", "best_group", "can_cut", "clear_at", "fill", "fill_some", "free_edges", "layout", "lowest",
    "pairs_apart", "point_on_face",
]

EASE_MM = 0.003
SLACK = 1e-7
BISECT_MM = 0.0005
ANY, RIGHT, TOP, PLACE = 0, 1, 2, 3
ENTER, SPLIT, FIRST, SECOND, PLACED, LAST, STRIP, STRIPPED, TRY, TRIED, TRIED_BOTH = range(11)


def point_on_face(segments, ring_end, x, y):
    """Whether a point lies on the face and on no flaw (winding numbers; flaws run counter-clockwise)."""
    face = 0
    flaws = 0
    for s in range(segments.shape[0]):
        ay = segments[s, 1]
        by = segments[s, 3]
        turn = 0
        if ay <= y:
            if by > y:
                cross = (segments[s, 2] - segments[s, 0]) * (y - ay) - (x - segments[s, 0]) * (by - ay)
                if cross > 0.0:
                    turn = 1
        elif by <= y:
            cross = (segments[s, 2] - segments[s, 0]) * (y - ay) - (x - segments[s, 0]) * (by - ay)
            if cross < 0.0:
                turn = -1
        if s < ring_end:
            face += turn
        else:
            flaws += turn
    return face != 0 and flaws == 0


def clear_at(parts, planes, first, last, segments, ring_end, x, y):
    """Whether parts ``first`` to ``last`` of a blank at (x, y) lie on the face and off every flaw."""
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


def free_edges(parts, planes, corners, first, last, segments, ring_end, window, out):
    """Boundary of the free positions of a blank inside ``window`` (x0, y0, x1, y1).

    ``corners`` holds up to four corners of every part (x, y pairs; the count in column 8 of ``parts``).
    Writes segments to ``out`` and returns how many; -1 when ``out`` is too small.
    """
    w_x0 = window[0]
    w_y0 = window[1]
    w_x1 = window[2]
    w_y1 = window[3]
    if w_x0 > w_x1 or w_y0 > w_y1:
        return 0
    n_most = segments.shape[0] * (last - first)
    hull = np.empty((n_most, 9, 2))
    size = np.zeros(n_most, np.int64)
    box = np.empty((n_most, 4))
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
                while k >= 2 and (px[chain[k - 1]] - px[chain[k - 2]]) * (py[c] - py[chain[k - 2]]) - (
                    py[chain[k - 1]] - py[chain[k - 2]]
                ) * (px[c] - px[chain[k - 2]]) <= 1e-9:
                    k -= 1
                chain[k] = c
                k += 1
            lower = k + 1
            for c in range(n - 2, -1, -1):
                while k >= lower and (px[chain[k - 1]] - px[chain[k - 2]]) * (py[c] - py[chain[k - 2]]) - (
                    py[chain[k - 1]] - py[chain[k - 2]]
                ) * (px[c] - px[chain[k - 2]]) <= 1e-9:
                    k -= 1
                chain[k] = c
                k += 1
            for c in range(k):
                hull[n_hulls, c, 0] = px[chain[c]]
                hull[n_hulls, c, 1] = py[chain[c]]
            size[n_hulls] = k - 1
            box[n_hulls, 0] = px[0]
            box[n_hulls, 1] = y_low
            box[n_hulls, 2] = px[n - 1]
            box[n_hulls, 3] = y_high
            n_hulls += 1
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
            for b in range(n_hulls):
                if b == a or not (
                    box[b, 0] < high_x + SLACK and box[b, 2] > low_x - SLACK
                    and box[b, 1] < high_y + SLACK and box[b, 3] > low_y - SLACK
                ):
                    continue
                u_in = t_in
                u_out = t_out
                for e in range(size[b]):
                    ex = hull[b, e + 1, 0] - hull[b, e, 0]
                    ey = hull[b, e + 1, 1] - hull[b, e, 1]
                    length = math.sqrt(ex * ex + ey * ey)
                    inside = (ex * (ay - hull[b, e, 1]) - ey * (ax - hull[b, e, 0])) / length - SLACK
                    rate = -(ex * dy - ey * dx) / length
                    if rate > 1e-12:
                        u_out = min(u_out, inside / rate)
                    elif rate < -1e-12:
                        u_in = max(u_in, inside / rate)
                    elif inside <= 0.0:
                        u_out = -1.0
                    if u_in >= u_out:
                        break
                if u_in < u_out:
                    j = n
                    while j > 0 and starts[j - 1] > u_in:
                        starts[j] = starts[j - 1]
                        ends[j] = ends[j - 1]
                        j -= 1
                    starts[j] = u_in
                    ends[j] = u_out
                    n += 1
            reached = t_in
            for b in range(n + 1):
                begin = starts[b] if b < n else t_out
                if begin > reached or n == 0:
                    middle = 0.5 * (reached + begin)
                    mx = ax + middle * dx
                    my = ay + middle * dy
                    good = True
                    for p in range(first, last):
                        if not point_on_face(segments, ring_end, parts[p, 4] + mx, parts[p, 5] + my):
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


def lowest(axis, edges, begin, end, x0, x1, y0, y1, place):
    """Smallest coordinate along ``axis`` (0: x, 1: y) of the boundary edges inside a window.

    The point goes to ``place``; returns False when no edge enters the window. Ties take the smaller
    other coordinate.
    """
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


def first_place(axis, choice, x0, x1, y0, y1, choices, edges, parts, planes, segments, place):
    """Leftmost (axis 0) or lowest (axis 1) position of one blank, turned one way, inside a box.

    A row of ``choices`` is a blank, one way up, on one face at one depth: first and last edge of its
    free positions, width, height, first and last part, first and last segment, end of the face's ring
    among them, 1 where the free positions have an inside.
    """
    w_x1 = x1 - choices[choice, 2] + SLACK
    w_y1 = y1 - choices[choice, 3] + SLACK
    if w_x1 < x0 or w_y1 < y0:
        return False
    begin = int(choices[choice, 0])
    end = int(choices[choice, 1])
    if begin == end:
        return False
    hit = lowest(axis, edges, begin, end, x0, w_x1, y0, w_y1, place)
    if choices[choice, 9] == 0.0 or (hit and (place[0] <= x0 + SLACK if axis == 0 else place[1] <= y0 + SLACK)):
        return hit
    first = int(choices[choice, 4])
    last = int(choices[choice, 5])
    obstacles = segments[int(choices[choice, 6]):int(choices[choice, 7])]
    ring_end = int(choices[choice, 8])
    if clear_at(parts, planes, first, last, obstacles, ring_end, x0, y0):
        place[0] = x0
        place[1] = y0
        return True
    if axis == 0:
        if clear_at(parts, planes, first, last, obstacles, ring_end, x0, w_y1):
            place[0] = x0
            place[1] = w_y1
            return True
    elif clear_at(parts, planes, first, last, obstacles, ring_end, w_x1, y0):
        place[0] = w_x1
        place[1] = y0
        return True
    return hit


def one(goal, item, x0, x1, y0, y1, starts, choices, edges, parts, planes, segments, places, spent):
    """The answer of :func:`layout` for a single blank, over the ways that it may be turned."""
    place = np.empty(2)
    best = math.inf
    spent[0] += 1
    for choice in range(starts[item], starts[item + 1]):
        axis = 1 if goal == TOP else 0
        if first_place(axis, choice, x0, x1, y0, y1, choices, edges, parts, planes, segments, place):
            if goal == PLACE:
                places[item, 0] = place[0]
                places[item, 1] = place[1]
                places[item, 2] = choice
            if goal in (ANY, PLACE):
                return 1.0
            reach = place[0] + choices[choice, 2] if goal == RIGHT else place[1] + choices[choice, 3]
            best = min(best, reach)
    if goal in (ANY, PLACE):
        return 0.0
    return best


def layout(goal, mask, x0, x1, y0, y1, kerf, starts, choices, areas, edges, parts, planes, segments, places, spent):
    """Can the blanks of ``mask`` be sawn out of a box by straight cuts, end to end, any number of stages?

    Parameters
    ----------
    goal : int
        ``ANY``: 1.0 for yes, 0.0 for no. ``RIGHT`` (``TOP``): the smallest right (top) end of a box
        that holds them, infinite for none, to within half a micrometre above. ``PLACE``: as ``ANY``,
        and writes x, y and choice to ``places``.
    mask : int
        Bits of the blanks.
    x0, x1, y0, y1, kerf : float
        The box and the width of a cut in mm.
    starts, choices, areas : ndarray
        First choice of every blank; the choices (see :func:`first_place`); area of its bounding box
        grown by one kerf.
    spent : ndarray of int, shape (3,)
        Queries made, most queries allowed, 1 when that was not enough.

    Notes
    -----
    A cut parts the blanks into two groups. The first group takes the smallest strip that holds it; the
    second must do with the rest. Strips across the other direction are found by bisection, which is
    right because more room never hurts. The recursion is written out with its own stack, since numba
    cannot keep recursive functions in its cache.
    """
    n_items = starts.shape[0] - 1
    whole = np.zeros((40, 7), np.int64)  # goal, mask, part, across, stage, state, deeper
    real = np.zeros((40, 10))  # x0, x1, y0, y1, least, best, low, high, trial, cut
    whole[0, 0] = goal
    whole[0, 1] = mask
    real[0, 0] = x0
    real[0, 1] = x1
    real[0, 2] = y0
    real[0, 3] = y1
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
                answer = one(aim, item, box[0], box[1], box[2], box[3], starts, choices, edges, parts, planes,
                             segments, places, spent)
                top -= 1
                continue
            if spent[0] >= spent[1]:
                spent[2] = 1
                answer = bad
                top -= 1
                continue
            area = 0.0
            least = -math.inf
            fits = True
            for item in range(n_items):
                if (group >> item) & 1:
                    area += areas[item]
                    single = one(TOP if aim == TOP else RIGHT, item, box[0], box[1], box[2], box[3], starts, choices,
                                 edges, parts, planes, segments, places, spent)
                    if single == math.inf:
                        fits = False
                        break
                    least = max(least, single)
            wide = box[1] - box[0] + kerf + 0.01
            high = box[3] - box[2] + kerf + 0.01
            if not fits or area > wide * high:
                answer = bad
                top -= 1
                continue
            if aim == RIGHT:
                least = max(least, box[0] + area / high - kerf - 0.01)
            elif aim == TOP:
                least = max(least, box[2] + area / wide - kerf - 0.01)
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
    order, policy, free, x0, x1, y0, y1, kerf, starts, choices, edges, parts, planes, segments, places, must_all
):
    """Lay blanks one after the other, each in the tightest free rectangle that takes it; how many were laid.

    ``policy``: bit 0 slides left or down first, bits 1 and 2 choose how the rest is cut up (0: so that
    the larger rectangle stays whole, 1: upright cuts first, 2: level cuts first). ``free`` is scratch,
    shape (n, 4). ``places`` takes x, y, choice; choice -1 where a blank found no room. With ``must_all``
    the first blank without room ends it.
    """
    place = np.empty(2)
    best = np.empty(2)
    axis = policy & 1
    cutting = policy >> 1
    free[0, 0] = x0
    free[0, 1] = y0
    free[0, 2] = x1
    free[0, 3] = y1
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
                if first_place(axis, choice, free[f, 0], free[f, 2], free[f, 1], free[f, 3], choices, edges, parts,
                               planes, segments, place):
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
        w = choices[at_choice, 2]
        h = choices[at_choice, 3]
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


def pairs_apart(alone, x0, x1, y0, y1, kerf, starts, choices, areas, edges, parts, planes, segments, clash):
    """Mark in ``clash`` (n, n) the pairs of blanks that no straight cut can part on one slab.

    Only pairs that are not yet marked and whose ``alone`` flag is 0 (they may need the same slab) are tried.
    """
    n = starts.shape[0] - 1
    places = np.zeros((n, 3))
    spent = np.array([0, 1000000000, 0])
    for a in range(n):
        for b in range(a + 1, n):
            if clash[a, b] != 0 or alone[a, b] != 0:
                continue
            good = False
            for swap in range(2):
                first = b if swap else a
                second = a if swap else b
                cut = one(RIGHT, first, x0, x1, y0, y1, starts, choices, edges, parts, planes, segments, places, spent)
                if cut < math.inf and one(ANY, second, cut + kerf, x1, y0, y1, starts, choices, edges, parts, planes,
                                          segments, places, spent) > 0.0:
                    good = True
                    break
                cut = one(TOP, first, x0, x1, y0, y1, starts, choices, edges, parts, planes, segments, places, spent)
                if cut < math.inf and one(ANY, second, x0, x1, cut + kerf, y1, starts, choices, edges, parts, planes,
                                          segments, places, spent) > 0.0:
                    good = True
                    break
            if not good:
                clash[a, b] = 1
                clash[b, a] = 1


def fill_some(starts, choices, kerf, box, edges, parts, planes, segments, places, spent):
    """Try some orders and ways of cutting with :func:`fill`; quick, and right when it succeeds."""
    n = starts.shape[0] - 1
    free = np.empty((4 * n + 8, 4))
    order = np.empty(n, np.int64)
    size = np.empty(n)
    tries = 2 if n < 6 else 5 if n < 9 else 3 + 2 * n
    seed = 12345 + n
    for attempt in range(tries):
        for k in range(n):
            w = choices[starts[k], 2]
            h = choices[starts[k], 3]
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
            if fill(order, policy, free, box[0], box[2], box[1], box[3], kerf, starts, choices, edges, parts, planes,
                    segments, places, True) == n:
                return True
    return False


def side_by_side(group, mask, level, starts, choices, kerf, box, edges, parts, planes, segments, most_queries, spent):
    """Whether the blanks of ``group`` picked by ``mask`` can be sawn from one slab: 1 yes, 0 no, 2 not decided."""
    n = 0
    rows = 0
    for k in range(group.shape[0]):
        if (mask >> k) & 1:
            count = starts[level, group[k] + 1] - starts[level, group[k]]
            if count == 0:
                return 0
            n += 1
            rows += count
    own_starts = np.zeros(n + 1, np.int64)
    own = np.empty((rows, choices.shape[1]))
    areas = np.empty(n)
    n = 0
    rows = 0
    total = 0.0
    for k in range(group.shape[0]):
        if (mask >> k) & 1:
            for row in range(starts[level, group[k]], starts[level, group[k] + 1]):
                own[rows] = choices[row]
                rows += 1
            areas[n] = (own[rows - 1, 2] + kerf) * (own[rows - 1, 3] + kerf)
            total += areas[n]
            n += 1
            own_starts[n] = rows
    if n == 1:
        return 1
    if total > (box[2] - box[0] + kerf + 0.02) * (box[3] - box[1] + kerf + 0.02):
        return 0
    places = np.empty((n, 3))
    if fill_some(own_starts, own, kerf, box, edges, parts, planes, segments, places, spent):
        return 1
    if n > 8:
        return 2
    counter = np.zeros(3, np.int64)
    counter[1] = most_queries
    good = layout(ANY, (1 << n) - 1, box[0], box[2], box[1], box[3], kerf, own_starts, own, areas, edges, parts, planes,
                  segments, places, counter)
    spent[0] += counter[0]
    if good > 0.0:
        return 1
    return 2 if counter[2] == 1 else 0


def can_cut(
    group, level_starts, level_depths, choices, needs, slabs_of, sizes, box, edges, parts, planes, segments,
    most_queries, spent, slot,
):
    """Whether a group of pieces can be sawn from one face of a block, in slabs: 1 yes, 0 no, 2 not decided.

    Parameters
    ----------
    group : ndarray of int
        Pieces of the face.
    level_starts, level_depths, choices : ndarray
        Choices of every piece at every level; a slab is at a level when it starts at least so deep.
        Deeper levels have fewer flaws.
    needs : ndarray, shape (2, n)
        Thickness in the front slab and in others.
    slabs_of : ndarray of int, shape (2, n)
        First and last slab that a piece may come from.
    sizes : ndarray
        Depth of the face, depth kerf, least slab, most slabs, kerf, 1 where cuts are free.
    slot : ndarray of int
        Takes the slab of every piece of the group.
    """
    n = group.shape[0]
    depth = sizes[0] + 0.01
    depth_kerf = sizes[1]
    n_levels = level_depths.shape[0]
    most = int(sizes[3])
    kerf = sizes[4]
    if n > 12:
        return 2
    memo = np.full(1 << n, -1, np.int64)
    thick = np.empty(most)
    masks = np.zeros(most, np.int64)
    undecided = False
    limit = spent[0] + 4 * most_queries
    for count in range(1, most + 1):
        ways = 1
        for _k in range(n):
            ways *= count
        if ways > 8192:
            undecided = True
            break
        for way in range(ways):
            if spent[0] > limit:
                return 2
            rest = way
            good = True
            for c in range(count):
                thick[c] = sizes[2]
                masks[c] = 0
            for k in range(n):
                c = rest % count
                rest //= count
                slot[k] = c
                if c < slabs_of[0, group[k]] or c > slabs_of[1, group[k]]:
                    good = False
                    break
                masks[c] |= 1 << k
                thick[c] = max(thick[c], needs[0 if c == 0 else 1, group[k]])
            if not good:
                continue
            used = depth_kerf * (count - 1)
            for c in range(count):
                used += thick[c]
                if c > 0 and masks[c] == 0:
                    good = False
            if not good or used > depth:
                continue
            start = 0.0
            for c in range(count):
                mask = masks[c]
                if mask != 0:
                    if memo[mask] < 0:
                        first = 0
                        answer = 0
                        for level in range(n_levels):
                            answer = side_by_side(group, mask, level, level_starts, choices, kerf, box, edges, parts,
                                                  planes, segments, most_queries, spent)
                            if answer == 0 and sizes[5] > 0.0 and mask & (mask - 1) != 0:
                                answer = 2  # not by straight cuts, but perhaps by free ones
                            if answer != 0:
                                break
                            first += 1
                        memo[mask] = first if answer != 2 else 1000
                    if memo[mask] == 1000:
                        undecided = True
                        good = False
                        break
                    if memo[mask] >= n_levels:
                        good = False
                        break
                    behind = level_depths[memo[mask]]
                    if c == 0 and behind > 0.0:
                        good = False
                        break
                    start = max(start, behind)
                start += thick[c]
                if start > depth:
                    good = False
                    break
                start += depth_kerf
            if good:
                return 1
    return 2 if undecided else 0


def best_group(
    profits, order, weights, room, clash, bads, bad_sizes, heads, links, level_starts, level_depths, choices, needs,
    slabs_of, sizes, box, edges, parts, planes, segments, floor, most_nodes, most_queries, group, spent, sure,
):
    """The most profitable group of pieces that one face can yield.

    Parameters
    ----------
    profits : ndarray, shape (n,)
    order : ndarray of int
        The pieces worth looking at, by falling profit for the room they take in row 0 of ``weights``.
    weights, room : ndarray, shapes (r, n) and (r,)
        Necessary conditions: the group's weights must stay within every room.
    clash : ndarray of int8, shape (n, n)
        Pairs that exclude each other.
    bads, bad_sizes, heads, links : ndarray of int
        Groups found impossible, added to as they are found, with a chain for every piece; the last of
        ``bad_sizes`` counts them.
    floor : float
        Only groups worth more than this are of interest.
    most_nodes : int
        Effort; beyond it the result is marked as not proved.
    group : ndarray of int, shape (n + 3,)
        Takes size, nodes, 1 where proved (2 where the group itself is not decided), then the pieces.
    spent : ndarray of int, shape (3,)
        Queries made, most queries allowed; beyond these nothing more is decided.
    sure : ndarray of int, shape (n + 1,)
        Takes size and pieces of the best group met that can be cut for sure.

    Returns
    -------
    float
        The worth of the group, or ``floor`` where there is none.

    Notes
    -----
    Depth-first search. A group that would be the best so far is laid out exactly; where that fails, the
    smallest impossible part of it is remembered and cuts off every group that holds it, now and later.
    """
    m = order.shape[0]
    rows = room.shape[0]
    widest = bads.shape[1]
    chosen = np.empty(m + 1, np.int64)
    inside = np.zeros(profits.shape[0], np.int8)
    blocked = np.zeros(profits.shape[0], np.int64)
    slot = np.zeros(m + 1, np.int64)
    trial = np.empty(1, np.int64)
    verified = 0
    used = np.zeros(rows)
    best = floor
    best_sure = floor
    value = 0.0
    n = 0
    at = 0
    nodes = 0
    group[0] = 0
    group[2] = 1
    sure[0] = 0
    while True:
        go_back = at >= m
        if not go_back:
            nodes += 1
            if nodes > most_nodes:
                group[2] = 0
                break
            reach = value
            left = room[0] - used[0]
            for k in range(at, m):
                piece = order[k]
                if blocked[piece] > 0:
                    continue
                weight = weights[0, piece]
                if weight >= left:
                    reach += profits[piece] * max(left, 0.0) / weight
                    break
                left -= weight
                reach += profits[piece]
            go_back = reach <= best + 1e-9
        if go_back:
            if n == 0:
                break
            n -= 1
            verified = min(verified, n)
            at = chosen[n]
            piece = order[at]
            inside[piece] = 0
            value -= profits[piece]
            for r in range(rows):
                used[r] -= weights[r, piece]
            for k in range(m):
                if clash[piece, order[k]] != 0:
                    blocked[order[k]] -= 1
            at += 1
            continue
        piece = order[at]
        good = blocked[piece] == 0
        if good:
            for r in range(rows):
                if used[r] + weights[r, piece] > room[r] + 1e-6:
                    good = False
                    break
        if good:
            link = heads[piece]
            while link >= 0:
                bad = link // widest
                whole = True
                for k in range(bad_sizes[bad]):
                    if bads[bad, k] != piece and inside[bads[bad, k]] == 0:
                        whole = False
                        break
                if whole:
                    good = False
                    break
                link = links[link]
        if good and value + profits[piece] > best + 1e-9:
            answer = 1
            length = verified
            while length < n + 1 and answer != 0:
                length += 1
                trial = np.empty(length, np.int64)
                for k in range(length):
                    trial[k] = order[chosen[k]] if k < n else piece
                if answer == 2 or spent[0] > spent[1]:
                    answer = 2
                    continue
                answer = can_cut(trial, level_starts, level_depths, choices, needs, slabs_of, sizes, box, edges, parts,
                                 planes, segments, most_queries, spent, slot)
                if answer == 1:
                    worth = 0.0
                    for k in range(length):
                        worth += profits[trial[k]]
                    if worth > best_sure:
                        best_sure = worth
                        sure[0] = length
                        for k in range(length):
                            sure[1 + k] = trial[k]
            if answer == 0:
                # the piece that came last is part of the fault, since without it there was none
                good = False
                k = 0
                while k < trial.shape[0] - 1:
                    fewer = np.empty(trial.shape[0] - 1, np.int64)
                    for j in range(fewer.shape[0]):
                        fewer[j] = trial[j] if j < k else trial[j + 1]
                    if spent[0] <= spent[1] and can_cut(fewer, level_starts, level_depths, choices, needs, slabs_of, sizes, box, edges, parts,
                               planes, segments, most_queries, spent, slot) == 0:
                        trial = fewer
                    else:
                        k += 1
                verified = length - 1
                while n >= length:
                    n -= 1
                    at = chosen[n]
                    back = order[at]
                    inside[back] = 0
                    value -= profits[back]
                    for r in range(rows):
                        used[r] -= weights[r, back]
                    for k in range(m):
                        if clash[back, order[k]] != 0:
                            blocked[order[k]] -= 1
                if trial.shape[0] == 1:
                    for j in range(profits.shape[0]):
                        clash[trial[0], j] = 1
                        clash[j, trial[0]] = 1
                    # the chosen pieces keep their counts of what they block
                    for j in range(m):
                        blocked[order[j]] = 0
                    for q in range(n):
                        for j in range(m):
                            if clash[order[chosen[q]], order[j]] != 0:
                                blocked[order[j]] += 1
                elif trial.shape[0] == 2:
                    a = trial[0]
                    b = trial[1]
                    if clash[a, b] == 0:
                        clash[a, b] = 1
                        clash[b, a] = 1
                        if inside[a] == 1:
                            blocked[b] += 1
                        if inside[b] == 1:
                            blocked[a] += 1
                elif trial.shape[0] <= widest and bad_sizes[-1] < bads.shape[0]:
                    bad = bad_sizes[-1]
                    bad_sizes[-1] += 1
                    bad_sizes[bad] = trial.shape[0]
                    for k in range(trial.shape[0]):
                        bads[bad, k] = trial[k]
                        links[bad * widest + k] = heads[trial[k]]
                        heads[trial[k]] = bad * widest + k
            else:
                verified = n + 1
                best = value + profits[piece]
                group[0] = n + 1
                group[2] = answer
                for k in range(n + 1):
                    group[3 + k] = trial[k]
        if good:
            chosen[n] = at
            n += 1
            inside[piece] = 1
            value += profits[piece]
            for r in range(rows):
                used[r] += weights[r, piece]
            for k in range(m):
                if clash[piece, order[k]] != 0:
                    blocked[order[k]] += 1
        at += 1
    group[1] = nodes
    return best


#: The functions to compile, in order.
KERNELS = (point_on_face, clear_at, free_edges, lowest, first_place, one, layout, fill, fill_some,
           pairs_apart, side_by_side, can_cut, best_group)
