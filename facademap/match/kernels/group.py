"""The inner loops of the pricing: which group of pieces one face can yield, in slabs, for the most profit.

Plain Python on arrays, compiled as it stands (see ``compiled.py``).
"""

from __future__ import annotations

import numpy as np

from facademap.match.kernels.box import box_sets
from facademap.match.kernels.saw import side_by_side
from facademap.match.kernels.values import (
    Answer,
    Bids,
    Blanks,
    FaceOffer,
    Floats,
    Ints,
    Known,
    Scratch,
    Sets,
)

__all__ = [
    "LEAST_FOR_BOXES",
    "MOST_IN_GROUP",
    "MOST_STEPS",
    "UNDECIDED",
    "best_group",
    "can_cut",
    "learn",
    "least_fault",
    "may_join",
    "of_every_set",
    "put",
    "reach_of",
]

#: Largest group whose sharing-out to slabs is looked at, and the steps of that.
MOST_IN_GROUP = 18
MOST_STEPS = 5_000_000
UNDECIDED = 1000
#: Effort that the rectangles of all parts of a group may take at least.
LEAST_FOR_BOXES = 50_000


def of_every_set(
    group: Ints,
    face: FaceOffer,
    parts: Sets,
    area: Floats,
    thick: Floats,
    first: Ints,
    last: Ints,
) -> None:
    """Of every set of a group: least area, thickness in the front slab and in others, first and last slab."""
    kerf, free, needs, slabs_of = face.bench.kerf, face.slabs.free, face.needs, face.slabs_of
    wide, high, kept = parts.wide, parts.high, parts.kept
    for mask in range(1, area.shape[0]):
        k = 0
        while (mask >> k) & 1 == 0:
            k += 1
        rest = mask & (mask - 1)
        for c in range(2):
            thick[mask, c] = max(thick[rest, c], needs[c, group[k]])
        if rest == 0 and not free:
            area[mask] = np.inf if kept[mask] > 0 else 0.0
            for size in range(kept[mask]):
                area[mask] = min(area[mask], (wide[mask, size] + kerf) * (high[mask, size] + kerf))
        else:
            area[mask] = area[rest] + area[mask ^ rest]
        first[mask] = max(first[rest], slabs_of[0, group[k]])
        last[mask] = min(last[rest], slabs_of[1, group[k]])


def can_cut(group: Ints, face: FaceOffer, most_queries: int, spent: Ints, slot: Ints) -> int:
    """Whether a group of pieces can be sawn from one face of a block, in slabs: 1 yes, 0 no, 2 not decided.

    ``group`` are pieces of the face; ``slot`` takes the slab of every one.
    """
    n = group.shape[0]
    slabs, bench, box, kerf = face.slabs, face.bench, face.bench.box, face.bench.kerf
    depth = slabs.depth + 0.01
    depth_kerf = slabs.depth_kerf
    n_levels = face.depths.shape[0]
    most = slabs.most
    if n > MOST_IN_GROUP:
        return 2
    sets = 1 << n
    spent[0] += sets >> 3
    deepest = Blanks(face.starts[n_levels - 1], face.rows)
    parts = box_sets(group, deepest, box, kerf, max(LEAST_FOR_BOXES, 4 * most_queries), spent)
    if parts.kept[0] < 0:
        return 2
    possible = np.ones(sets, np.int8)
    if not slabs.free:  # free cuts may win what straight ones cannot
        for mask in range(1, sets):
            possible[mask] = 1 if parts.kept[mask] > 0 else 0
    whole_area = (box.x1 - box.x0 + 0.02 + kerf) * (box.y1 - box.y0 + 0.02 + kerf)
    area = np.zeros(sets)
    thick = np.full((sets, 2), slabs.least)
    first = np.zeros(sets, np.int64)
    last = np.full(sets, most, np.int64)
    of_every_set(group, face, parts, area, thick, first, last)
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
                    and need + (count - 1 - c) * slabs.least <= depth
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
                                    bench,
                                    Blanks(face.starts[level], face.rows),
                                    parts,
                                    most_queries,
                                    spent,
                                )
                                if answer == 0 and slabs.free and mask & (mask - 1) != 0:
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
                        behind = face.depths[memo[mask]]
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
    at: int,
    enough: float,
    value: float,
    bids: Bids,
    room: Floats,
    scratch: Scratch,
    nodes: int,
) -> float:
    """What a group can be worth at most when pieces from ``at`` on are added; ``enough`` or more ends the sum early."""
    profits, order, weights, nested, twin = bids
    used, left, blocked, counted = scratch.used, scratch.left, scratch.blocked, scratch.counted
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


def put(piece: int, sign: int, bids: Bids, known: Known, scratch: Scratch) -> None:
    """Add a piece to the group (sign 1) or take it out (-1): its room, and what it excludes."""
    order, weights, clash = bids.order, bids.weights, known.clash
    used, blocked = scratch.used, scratch.blocked
    scratch.inside[piece] = 1 if sign > 0 else 0
    for r in range(weights.shape[0]):
        used[r] += sign * weights[r, piece]
    for k in range(order.shape[0]):
        if clash[piece, order[k]] != 0:
            blocked[order[k]] += sign


def may_join(piece: int, bids: Bids, room: Floats, known: Known, scratch: Scratch) -> bool:
    """Whether a piece finds room beside the group and completes none that is known to be impossible."""
    weights, used, inside = bids.weights, scratch.used, scratch.inside
    bads, bad_sizes, links = known.bads, known.bad_sizes, known.links
    if scratch.blocked[piece] != 0:
        return False
    for r in range(room.shape[0]):
        if used[r] + weights[r, piece] > room[r] + 1e-6:
            return False
    widest = bads.shape[1]
    link = known.heads[piece]
    while link >= 0:
        bad = link // widest
        whole = True
        for k in range(bad_sizes[bad]):
            if bads[bad, k] != piece and inside[bads[bad, k]] == 0:
                whole = False
                break
        if whole:
            return False
        link = links[link]
    return True


def least_fault(trial: Ints, face: FaceOffer, most_queries: int, spent: Ints, slot: Ints) -> Ints:
    """The smallest part of an impossible group that is impossible too.

    The piece that came last is part of the fault, since without it there was none.
    """
    k = 0
    while k < trial.shape[0] - 1:
        fewer = np.empty(trial.shape[0] - 1, np.int64)
        for j in range(fewer.shape[0]):
            fewer[j] = trial[j] if j < k else trial[j + 1]
        if spent[0] <= spent[1] and can_cut(fewer, face, most_queries, spent, slot) == 0:
            trial = fewer
        else:
            k += 1
    return trial


def learn(trial: Ints, n: int, bids: Bids, known: Known, scratch: Scratch) -> None:
    """Remember an impossible group, beside the ``n`` pieces that are chosen."""
    clash, blocked, order = known.clash, scratch.blocked, bids.order
    if trial.shape[0] == 1:
        for j in range(bids.profits.shape[0]):
            clash[trial[0], j] = 1
            clash[j, trial[0]] = 1
        # the chosen pieces keep their counts of what they block
        for j in range(order.shape[0]):
            blocked[order[j]] = 0
        for q in range(n):
            for j in range(order.shape[0]):
                if clash[order[scratch.chosen[q]], order[j]] != 0:
                    blocked[order[j]] += 1
    elif trial.shape[0] == 2:
        a = trial[0]
        b = trial[1]
        if clash[a, b] == 0:
            clash[a, b] = 1
            clash[b, a] = 1
            if scratch.inside[a] == 1:
                blocked[b] += 1
            if scratch.inside[b] == 1:
                blocked[a] += 1
    elif trial.shape[0] <= known.bads.shape[1] and known.bad_sizes[-1] < known.bads.shape[0]:
        bad = known.bad_sizes[-1]
        known.bad_sizes[-1] += 1
        known.bad_sizes[bad] = trial.shape[0]
        for k in range(trial.shape[0]):
            known.bads[bad, k] = trial[k]
            known.links[bad * known.bads.shape[1] + k] = known.heads[trial[k]]
            known.heads[trial[k]] = bad * known.bads.shape[1] + k


def best_group(
    bids: Bids,
    rooms: Floats,
    known: Known,
    face: FaceOffer,
    floor: float,
    most_nodes: int,
    most_queries: int,
    out: Answer,
) -> float:
    """The most profitable group of pieces that one face can yield.

    Parameters
    ----------
    bids : Bids
        What pieces pay and take up.
    rooms : ndarray, shape (s, r)
        Necessary conditions: the group's weights must stay within every room of one way at least of slabbing
        the block (a row).
    known : Known
        Groups found impossible; grows.
    face : FaceOffer
        The face.
    floor : float
        Only groups worth more than this are of interest.
    most_nodes : int
        Effort; beyond it the result is marked as not proved.
    most_queries : int
        Effort for one layout.
    out : Answer
        Takes the group. Where ``listed`` has rows that do not suffice the result is not proved.

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
    profits, order, weights = bids.profits, bids.order, bids.weights
    group, spent, sure, listed = out
    m = order.shape[0]
    rows = rooms.shape[1]
    scratch = Scratch(
        np.zeros(rows),
        np.zeros(rows),
        np.zeros(profits.shape[0], np.int8),
        np.zeros(profits.shape[0], np.int64),
        np.zeros(profits.shape[0], np.int64),
        np.empty(m + 1, np.int64),
    )
    used, chosen = scratch.used, scratch.chosen
    slot = np.zeros(m + 1, np.int64)
    trial = np.empty(1, np.int64)
    verified = 0
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
        ceilings[way] = reach_of(0, np.inf, 0.0, bids, rooms[way], scratch, nodes)
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
            reach = reach_of(at, best + 1e-9, value, bids, room, scratch, nodes)
            go_back = reach <= best + 1e-9
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
            value -= profits[piece]
            put(piece, -1, bids, known, scratch)
            at += 1
            continue
        piece = order[at]
        good = may_join(piece, bids, room, known, scratch)
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
                answer = can_cut(trial, face, most_queries, spent, slot)
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
                good = False
                trial = least_fault(trial, face, most_queries, spent, slot)
                verified = length - 1
                while n >= length:
                    n -= 1
                    at = chosen[n]
                    value -= profits[order[at]]
                    put(order[at], -1, bids, known, scratch)
                learn(trial, n, bids, known, scratch)
            elif listed.shape[0] > 0:
                verified = n + 1
                before = False  # a group that another way allows was listed there
                for way in range(turn):
                    inner = True
                    for r in range(rows):
                        if used[r] + weights[r, piece] > rooms[ways[way], r] + 1e-6:
                            inner = False
                            break
                    before |= inner
                if not before:
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
            value += profits[piece]
            put(piece, 1, bids, known, scratch)
        at += 1
    group[1] = nodes
    return best
