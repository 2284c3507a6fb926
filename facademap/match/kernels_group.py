# mypy: disable-error-code="no-untyped-def"
"""The inner loops of the pricing: which group of pieces one face can yield, in slabs, for the most profit.

Plain Python on arrays, compiled as it stands (see ``compiled.py``).
"""

from __future__ import annotations

import numpy as np

from facademap.match.kernels_box import box_sets
from facademap.match.kernels_saw import side_by_side

__all__ = [
    "LEAST_FOR_BOXES",
    "MOST_IN_GROUP",
    "MOST_STEPS",
    "UNDECIDED",
    "best_group",
    "can_cut",
    "reach_of",
]

#: Largest group whose sharing-out to slabs is looked at, and the steps of that.
MOST_IN_GROUP = 18
MOST_STEPS = 5_000_000
UNDECIDED = 1000
#: Effort that the rectangles of all parts of a group may take at least.
LEAST_FOR_BOXES = 50_000


def can_cut(
    group,
    level_starts,
    level_depths,
    choices,
    needs,
    slabs_of,
    sizes,
    box,
    edges,
    parts,
    planes,
    segments,
    most_queries,
    spent,
    slot,
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
    if n > MOST_IN_GROUP:
        return 2
    sets = 1 << n
    spent[0] += sets >> 3
    wide, high, found = box_sets(
        group,
        n_levels - 1,
        level_starts,
        choices,
        sizes[4],
        box,
        max(LEAST_FOR_BOXES, 4 * most_queries),
        spent,
    )
    if found[0] < 0:
        return 2
    possible = np.ones(sets, np.int8)
    if sizes[5] == 0.0:  # free cuts may win what straight ones cannot
        for mask in range(1, sets):
            possible[mask] = 1 if found[mask] > 0 else 0
    # of every set: thickness in the front slab and in others, first and last slab it may come from, least area
    area = np.zeros(sets)
    whole_area = (box[2] - box[0] + 0.02 + sizes[4]) * (box[3] - box[1] + 0.02 + sizes[4])
    thick = np.full((sets, 2), sizes[2])
    first = np.zeros(sets, np.int64)
    last = np.full(sets, most, np.int64)
    for mask in range(1, sets):
        k = 0
        while (mask >> k) & 1 == 0:
            k += 1
        rest = mask & (mask - 1)
        for c in range(2):
            thick[mask, c] = max(thick[rest, c], needs[c, group[k]])
        if rest == 0 and sizes[5] == 0.0:
            area[mask] = np.inf if found[mask] > 0 else 0.0
            for size in range(found[mask]):
                area[mask] = min(
                    area[mask], (wide[mask, size] + sizes[4]) * (high[mask, size] + sizes[4])
                )
        else:
            area[mask] = area[rest] + area[mask ^ rest]
        first[mask] = max(first[rest], slabs_of[0, group[k]])
        last[mask] = min(last[rest], slabs_of[1, group[k]])
    memo = np.full(sets, -1, np.int64)
    masks = np.zeros(most + 1, np.int64)
    lefts = np.zeros(most + 1, np.int64)
    used = np.zeros(most + 1)
    undecided = False
    limit = spent[0] + 4 * most_queries
    steps = 0
    for count in range(1, most + 1):
        c = 0
        lefts[0] = sets - 1
        masks[0] = sets - 1
        used[0] = depth_kerf * (count - 1)
        while c >= 0:
            steps += 1
            if steps & 31 == 0:
                spent[0] += 1
            if spent[0] > limit or steps > MOST_STEPS:
                return 2
            mask = masks[c]
            good = mask >= 0
            if good:
                need = used[c] + thick[mask, 0 if c == 0 else 1]
                good = (
                    possible[mask] == 1
                    and (mask > 0 or c == 0 < count - 1)
                    and first[mask] <= c <= last[mask]
                    and need + (count - 1 - c) * sizes[2] <= depth
                    and (c < count - 1 or mask == lefts[c])
                    and area[lefts[c] ^ mask] <= (count - 1 - c) * whole_area
                )
            if good and c < count - 1:
                lefts[c + 1] = lefts[c] ^ mask
                masks[c + 1] = lefts[c + 1]
                used[c + 1] = need
                c += 1
                continue
            if good:
                start = 0.0
                for c in range(count):
                    mask = masks[c]
                    if mask != 0:
                        if memo[mask] < 0:
                            answer = 0
                            at = 0
                            for level in range(n_levels):
                                answer = side_by_side(
                                    group,
                                    mask,
                                    level,
                                    level_starts,
                                    choices,
                                    sizes[4],
                                    box,
                                    wide,
                                    high,
                                    found,
                                    edges,
                                    parts,
                                    planes,
                                    segments,
                                    most_queries,
                                    spent,
                                )
                                if answer == 0 and sizes[5] > 0.0 and mask & (mask - 1) != 0:
                                    answer = 2  # not by straight cuts, but perhaps by free ones
                                if answer != 0:
                                    break
                                at += 1
                            memo[mask] = at if answer != 2 else UNDECIDED
                            if at == n_levels:
                                possible[mask] = 0
                        if memo[mask] == UNDECIDED:
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
                    start += thick[mask, 0 if c == 0 else 1]
                    if start > depth:
                        good = False
                        break
                    start += depth_kerf
                if good:
                    for k in range(n):
                        for s in range(count):
                            if (masks[s] >> k) & 1:
                                slot[k] = s
                    return 1
                c = count - 1
            # the next set for this slab, or back to the slab before
            while c >= 0 and (masks[c] <= 0 or c == count - 1):
                c -= 1
            if c >= 0:
                masks[c] = (masks[c] - 1) & lefts[c]
    return 2 if undecided else 0


def reach_of(
    at,
    enough,
    value,
    profits,
    order,
    weights,
    room,
    nested,
    used,
    twin,
    blocked,
    counted,
    nodes,
    left,
):
    """What a group can be worth at most when pieces from ``at`` on are added; ``enough`` or more ends the sum early."""
    for r in range(nested):
        left[r] = room[r] - used[r]
    for k in range(at, order.shape[0]):
        piece = order[k]
        if profits[piece] <= 0.0:
            break
        if blocked[piece] > 0 or (twin[piece] >= 0 and counted[twin[piece]] == nodes):
            continue
        weight = weights[0, piece]
        part = 1.0
        for r in range(nested):
            if weights[r, piece] > 0.0 and left[r] < part * weight:
                part = max(0.0, left[r] / weight)
        if part <= 0.0:
            continue
        counted[piece] = nodes
        value += part * profits[piece]
        if value > enough:
            return value
        for r in range(nested):
            if weights[r, piece] > 0.0:
                left[r] -= part * weight
        if left[0] <= 1e-9:
            break
    return value


def best_group(
    profits,
    order,
    weights,
    rooms,
    nested,
    twin,
    clash,
    bads,
    bad_sizes,
    heads,
    links,
    level_starts,
    level_depths,
    choices,
    needs,
    slabs_of,
    sizes,
    box,
    edges,
    parts,
    planes,
    segments,
    floor,
    most_nodes,
    most_queries,
    group,
    spent,
    sure,
    listed,
):
    """The most profitable group of pieces that one face can yield.

    Parameters
    ----------
    profits : ndarray, shape (n,)
    order : ndarray of int
        The pieces worth looking at, by falling profit for the room they take in row 0 of ``weights``.
    weights, rooms : ndarray, shapes (r, n) and (s, r)
        Necessary conditions: the group's weights must stay within every room of one way at least of slabbing
        the block (a row of ``rooms``).
    nested : int
        So many rows from the first on hold the same weight for a piece or none, each row part of the one before.
    twin : ndarray of int, shape (n,)
        The same repair as another piece of the face, or -1.
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
        Queries made, most queries allowed (beyond these nothing more is decided), groups listed.
    sure : ndarray of int, shape (n + 1,)
        Takes size and pieces of the best group met that can be cut for sure.
    listed : ndarray of int, shape (k, MOST_IN_GROUP + 1)
        With rows, every group worth more than ``floor`` is written to one: size (negative where the
        group is not decided), then the pieces. Where they do not suffice the result is not proved.

    Returns
    -------
    float
        The worth of the group, or ``floor`` where there is none.

    Notes
    -----
    Depth-first search, one way of slabbing after the other. Filling the nested rows in the order of what
    pieces pay for their room is the best filling by parts of pieces (a polymatroid), so what it earns
    bounds every group. A group that would be the best so far is laid out exactly; where that fails, the
    smallest impossible part of it is remembered and cuts off every group that holds it, now and later.
    """
    m = order.shape[0]
    rows = rooms.shape[1]
    widest = bads.shape[1]
    chosen = np.empty(m + 1, np.int64)
    inside = np.zeros(profits.shape[0], np.int8)
    counted = np.zeros(profits.shape[0], np.int64)
    blocked = np.zeros(profits.shape[0], np.int64)
    slot = np.zeros(m + 1, np.int64)
    trial = np.empty(1, np.int64)
    verified = 0
    used = np.zeros(rows)
    left = np.zeros(rows)
    best = floor
    best_sure = floor
    value = 0.0
    n = 0
    at = 0
    nodes = 0
    group[0] = 0
    group[2] = 1
    sure[0] = 0
    ceilings = np.zeros(rooms.shape[0])
    for way in range(rooms.shape[0]):
        nodes += 1
        ceilings[way] = reach_of(
            0,
            np.inf,
            0.0,
            profits,
            order,
            weights,
            rooms[way],
            nested,
            used,
            twin,
            blocked,
            counted,
            nodes,
            left,
        )
    ways = np.argsort(-ceilings)
    turn = 0
    room = rooms[ways[0]]
    while True:
        go_back = at >= m
        if not go_back:
            nodes += 1
            if nodes > most_nodes:
                group[2] = 0
                best = max(best, ceilings[ways[turn]])
                break
            go_back = (
                reach_of(
                    at,
                    best + 1e-9,
                    value,
                    profits,
                    order,
                    weights,
                    room,
                    nested,
                    used,
                    twin,
                    blocked,
                    counted,
                    nodes,
                    left,
                )
                <= best + 1e-9
            )
        if go_back:
            if n == 0:
                turn += 1
                if turn == ways.shape[0] or ceilings[ways[turn]] <= best + 1e-9:
                    break
                room = rooms[ways[turn]]
                at = 0
                verified = 0
                continue
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
                answer = can_cut(
                    trial,
                    level_starts,
                    level_depths,
                    choices,
                    needs,
                    slabs_of,
                    sizes,
                    box,
                    edges,
                    parts,
                    planes,
                    segments,
                    most_queries,
                    spent,
                    slot,
                )
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
                    if (
                        spent[0] <= spent[1]
                        and can_cut(
                            fewer,
                            level_starts,
                            level_depths,
                            choices,
                            needs,
                            slabs_of,
                            sizes,
                            box,
                            edges,
                            parts,
                            planes,
                            segments,
                            most_queries,
                            spent,
                            slot,
                        )
                        == 0
                    ):
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
            elif listed.shape[0] > 0:
                verified = n + 1
                known = False  # a group that another way allows was listed there
                for way in range(turn):
                    inner = True
                    for r in range(rows):
                        if used[r] + weights[r, piece] > rooms[ways[way], r] + 1e-6:
                            inner = False
                            break
                    known |= inner
                if not known:
                    if spent[2] >= listed.shape[0] or n + 1 >= listed.shape[1]:
                        group[2] = 0
                        break
                    listed[spent[2], 0] = n + 1 if answer == 1 else -n - 1
                    for k in range(n + 1):
                        listed[spent[2], 1 + k] = trial[k]
                    spent[2] += 1
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
