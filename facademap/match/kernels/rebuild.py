"""The inner loop of the improvement: a few blocks emptied and filled again, many thousand times.

Plain Python on arrays, compiled as it stands (see ``compiled.py``). Every state that it keeps can be cut
by construction: pieces go one after the other into free rectangles that straight cuts leave.

References
----------
Ruin and recreate: Schrimpf, Schneider, Stamm-Wilbrandt & Dueck (2000), Record breaking optimization
results using the ruin and recreate principle, Journal of Computational Physics 159 (from memory).
"""

from __future__ import annotations

import math

import numpy as np

from facademap.match.kernels.place import first_place
from facademap.match.kernels.values import Box, Filling, Flags, Floats, Ints, PlanState, Yard

__all__ = [
    "by_liking",
    "choose_faces",
    "cut_up",
    "insert",
    "keep",
    "lift",
    "other_face_filled",
    "rebuild",
]


def cut_up(
    at: int,
    c: int,
    hit: int,
    policy: int,
    kerf: float,
    filling: Filling,
    rows: Floats,
    place: Floats,
) -> None:
    """Put the free rectangles around a blank that was laid in the place of the one that it was laid in."""
    free, free_count = filling.free, filling.free_count
    x = place[0]
    y = place[1]
    w = rows[int(place[2]), 2]
    h = rows[int(place[2]), 3]
    f_x0 = free[at, c, hit, 0]
    f_y0 = free[at, c, hit, 1]
    f_x1 = free[at, c, hit, 2]
    f_y1 = free[at, c, hit, 3]
    left = x - kerf - f_x0
    right = f_x1 - x - w - kerf
    below = y - kerf - f_y0
    above = f_y1 - y - h - kerf
    upright = (policy >> 1) == 1
    if (policy >> 1) == 0:
        upright = max(left, right) * (f_y1 - f_y0) > max(below, above) * (f_x1 - f_x0)
    n = free_count[at, c] - 1
    for k in range(4):
        free[at, c, hit, k] = free[at, c, n, k]
    for k in range(4):
        room = left if k == 0 else right if k == 1 else below if k == 2 else above
        if room <= 1.0:
            continue
        if k < 2:
            free[at, c, n, 0] = f_x0 if k == 0 else x + w + kerf
            free[at, c, n, 2] = x - kerf if k == 0 else f_x1
            free[at, c, n, 1] = f_y0 if upright else y
            free[at, c, n, 3] = f_y1 if upright else y + h
        else:
            free[at, c, n, 0] = x if upright else f_x0
            free[at, c, n, 2] = x + w if upright else f_x1
            free[at, c, n, 1] = f_y0 if k == 2 else y + h + kerf
            free[at, c, n, 3] = y - kerf if k == 2 else f_y1
        n += 1
    free_count[at, c] = n


def insert(pair: int, at: int, policy: int, filling: Filling, yard: Yard, place: Floats) -> int:
    """Lay one more blank on a half-filled face; the slab, or -1 where there is no room.

    Parameters
    ----------
    pair : int
        Row of the repair on this face in the ``pair_*`` tables.
    at : int
        Which of the faces being filled.
    policy : int
        Bit 0: lowest instead of leftmost place; bits 1 and 2: how the rest is cut up.
    filling : Filling
        State of the faces being filled.
    yard : Yard
        What the pairs are.
    place : ndarray, shape (3,)
        Takes x, y and the row of choices.
    """
    face_real, slab_count, thick = filling.faces, filling.slabs, filling.thick
    free, free_count, rows, shapes = filling.free, filling.free_count, yard.rows, yard.shapes
    level_first, level_depths, pair_needs = yard.level_first, yard.level_depths, yard.pair_needs
    deep = face_real[at, 9]
    face = int(face_real[at, 0])
    kerf = face_real[at, 1]
    depth_kerf = face_real[at, 2]
    least = face_real[at, 3]
    most = int(face_real[at, 4])
    spot = np.empty(2)
    used = depth_kerf * max(0, slab_count[at] - 1)
    for c in range(slab_count[at]):
        used += thick[at, c]
    first_slab = yard.pair_slabs[pair, 0]
    last_slab = min(yard.pair_slabs[pair, 1], most - 1)
    start = 0.0
    axis = policy & 1
    for c in range(last_slab + 1):
        need = max(least, pair_needs[pair, 0 if c == 0 else 1])
        new = c >= slab_count[at]
        if new:
            if used + need + (depth_kerf if c > 0 else 0.0) > deep + 0.01:
                return -1
        elif used + max(0.0, need - thick[at, c]) > deep + 0.01:
            start += thick[at, c] + depth_kerf
            continue
        if c >= first_slab:
            level = level_first[face]
            while level + 1 < level_first[face + 1] and level_depths[level + 1] <= start:
                level += 1
            row = level - level_first[face]
            begin = yard.pair_rows[pair, row, 0]
            end = yard.pair_rows[pair, row, 1]
            if new:
                free[at, c, 0, 0] = face_real[at, 5]
                free[at, c, 0, 1] = face_real[at, 6]
                free[at, c, 0, 2] = face_real[at, 7]
                free[at, c, 0, 3] = face_real[at, 8]
                free_count[at, c] = 1
            hit = -1
            tightest = math.inf
            for f in range(free_count[at, c]):
                wide = free[at, c, f, 2] - free[at, c, f, 0]
                high = free[at, c, f, 3] - free[at, c, f, 1]
                if wide * high >= tightest:
                    continue
                for choice in range(begin, end):
                    if rows[choice, 2] > wide + 1e-6 or rows[choice, 3] > high + 1e-6:
                        continue
                    if first_place(
                        axis,
                        choice,
                        Box(
                            free[at, c, f, 0],
                            free[at, c, f, 1],
                            free[at, c, f, 2],
                            free[at, c, f, 3],
                        ),
                        rows,
                        shapes,
                        spot,
                    ):
                        hit = f
                        tightest = wide * high
                        place[0] = spot[0]
                        place[1] = spot[1]
                        place[2] = choice
                        break
            if hit >= 0 and free_count[at, c] + 4 <= free.shape[2]:
                cut_up(at, c, hit, policy, kerf, filling, rows, place)
                if new:
                    slab_count[at] = c + 1
                    thick[at, c] = need
                else:
                    thick[at, c] = max(thick[at, c], need)
                return c
        if new:
            return -1
        start += thick[at, c] + depth_kerf
    return -1


def choose_faces(i: int, yard: Yard, state: PlanState, open_face: Ints, target: Ints) -> int:
    """Pick the faces around a repair whose blocks are emptied, into ``target``; how many."""
    movable, block_of, user_first, users, options = (
        yard.movable,
        yard.block_of,
        yard.user_first,
        yard.users,
        yard.options,
    )
    face = state.face
    n_options = yard.option_first[i + 1] - yard.option_first[i]
    wanted = 1 + np.random.randint(4)
    n = 0
    if face[i] >= 0 and movable[face[i]] == 1:
        target[0] = face[i]
        n = 1
    for _t in range(3 * wanted):
        if n >= wanted:
            break
        at = int(n_options * np.random.random() ** 2.5)
        other = options[yard.option_first[i] + at]
        if np.random.random() < 0.3 and n > 0:
            host = target[np.random.randint(n)]
            n_users = user_first[host + 1] - user_first[host]
            who = users[user_first[host] + np.random.randint(n_users)]
            if face[who] >= 0:
                other = face[who]
        if movable[other] == 0:
            continue
        # a block is worked on one face: the other face gives way
        opened = open_face[block_of[other]]
        twin = False
        for k in range(n):
            if block_of[target[k]] == block_of[other]:
                twin = True
        if twin:
            continue
        if opened >= 0 and opened != other:
            if n + 2 > target.shape[0] or movable[opened] == 0:
                continue
            target[n] = opened
            n += 1
        target[n] = other
        n += 1
    return n


def lift(
    target: Ints, n: int, yard: Yard, state: PlanState, pool: Ints, in_pool: Flags
) -> tuple[int, float]:
    """Repairs that lie on the faces, or nowhere and could lie there, into ``pool``; how many, and their cost."""
    pair_of, pair_cost, user_first, users = (
        yard.pair_of,
        yard.pair_cost,
        yard.user_first,
        yard.users,
    )
    face = state.face
    n_pool = 0
    old = 0.0
    for k in range(n):
        here = target[k]
        some = False
        for u in range(user_first[here], user_first[here + 1]):
            who = users[u]
            if in_pool[who] == 0 and (face[who] == here or face[who] < 0):
                in_pool[who] = 1
                pool[n_pool] = who
                n_pool += 1
            if face[who] == here:
                some = True
                old += pair_cost[pair_of[here, who], 0 if state.slab[who] == 0 else 1]
        if some:
            old += yard.opening[here]
    for p in range(n_pool):
        if face[pool[p]] < 0:
            old += yard.penalty[pool[p]]
    return n_pool, old


def by_liking(
    who: int,
    target: Ints,
    n: int,
    yard: Yard,
    noise: float,
    filled: Ints,
    eager: Floats,
    score: Floats,
    rank: Ints,
) -> int:
    """The faces that may take a repair for less than leaving it out, best first, into ``rank``; how many."""
    pair_of, pair_cost, opening, penalty = yard.pair_of, yard.pair_cost, yard.opening, yard.penalty
    m = 0
    for k in range(n):
        pair = pair_of[target[k], who]
        if pair < 0:
            continue
        value = pair_cost[pair, 0] - noise * math.log(1.0 - np.random.random())
        if filled[k] == 0:
            value += opening[target[k]] * eager[k]
        if value >= penalty[who]:
            continue
        j = m
        while j > 0 and score[rank[j - 1]] > value:
            rank[j] = rank[j - 1]
            j -= 1
        rank[j] = k
        score[k] = value
        m += 1
    return m


def other_face_filled(k: int, target: Ints, n: int, filled: Ints, yard: Yard) -> bool:
    """Whether another face of the same block is being filled."""
    block_of = yard.block_of
    for other in range(n):
        if other != k and filled[other] > 0 and block_of[target[other]] == block_of[target[k]]:
            return True
    return False


def keep(
    target: Ints,
    n: int,
    pool: Ints,
    n_pool: int,
    yard: Yard,
    filling: Filling,
    filled: Ints,
    new: PlanState,
    state: PlanState,
    open_face: Ints,
) -> None:
    """Take what was laid anew into the state."""
    for q in range(n_pool):
        who = pool[q]
        state.face[who] = new.face[who]
        if new.face[who] >= 0:
            state.slab[who] = new.slab[who]
            for c in range(3):
                state.places[who, c] = new.places[who, c]
    for k in range(n):
        state.slabs[target[k]] = filling.slabs[k]
        for c in range(filling.slabs[k]):
            state.thick[target[k], c] = filling.thick[k, c]
        if open_face[yard.block_of[target[k]]] == target[k]:
            open_face[yard.block_of[target[k]]] = -1
    for k in range(n):
        if filled[k] > 0:
            open_face[yard.block_of[target[k]]] = target[k]


def rebuild(
    turns: int,
    seed: int,
    heat: float,
    cooling: float,
    yard: Yard,
    state: PlanState,
    open_face: Ints,
    best: PlanState,
    values: Floats,
) -> int:
    """Empty some blocks around a repair and fill them again, ``turns`` times, under simulated annealing.

    Parameters
    ----------
    turns, seed : int
        How often; start of the random numbers.
    heat, cooling : float
        Temperature at the start and its factor after every turn.
    yard : Yard
        What a plan may choose from.
    state, best : PlanState
        The state, changed in place, and the best one met.
    open_face : ndarray of int
        Face at which every block is opened (-1 none); changed in place.
    values : ndarray, shape (2,)
        Cost of the state and of the best.

    Returns
    -------
    int
        Queries made.
    """
    n_repairs = state.face.shape[0]
    most_at = 6
    most_slabs = state.thick.shape[1]
    target = np.empty(most_at, np.int64)
    pool = np.empty(n_repairs, np.int64)
    keys = np.empty(n_repairs)
    in_pool = np.zeros(n_repairs, np.int8)
    filling = Filling(
        np.empty((most_at, yard.faces.shape[1])),
        np.zeros(most_at, np.int64),
        np.zeros((most_at, most_slabs)),
        np.empty((most_at, most_slabs, 120, 4)),
        np.zeros((most_at, most_slabs), np.int64),
    )
    new = PlanState(
        np.empty(n_repairs, np.int64),
        np.empty(n_repairs, np.int64),
        np.empty((n_repairs, 3)),
        filling.thick,
        filling.slabs,
    )
    filled = np.empty(most_at, np.int64)
    score = np.empty(most_at)
    rank = np.empty(most_at, np.int64)
    eager = np.empty(most_at)
    place = np.empty(3)
    queries = 0
    np.random.seed(seed)
    for _turn in range(turns):
        heat *= cooling
        # the blocks around one repair
        i = np.random.randint(n_repairs)
        if yard.option_first[i + 1] == yard.option_first[i]:
            continue
        n = choose_faces(i, yard, state, open_face, target)
        if n == 0:
            continue
        # what lies there, and what lies nowhere
        n_pool, old = lift(target, n, yard, state, pool, in_pool)
        for k in range(n):
            filling.faces[k] = yard.faces[target[k]]
            filling.slabs[k] = 0
            filled[k] = 0
            eager[k] = np.random.random()
        by_area = 0.15 + 0.35 * np.random.random()
        for p in range(n_pool):
            keys[p] = -yard.volume[pool[p]] * math.exp(np.random.normal(0.0, by_area))
        order = np.argsort(keys[:n_pool])
        noise = 0.1 + 1.5 * np.random.random() ** 2
        policy = np.random.randint(6)
        cost = 0.0
        lost = False
        for q in range(n_pool):
            who = pool[order[q]]
            in_pool[who] = 0
            new.face[who] = -1
            if lost:
                continue
            m = by_liking(who, target, n, yard, noise, filled, eager, score, rank)
            for r in range(m):
                k = rank[r]
                if filled[k] == 0 and other_face_filled(k, target, n, filled, yard):
                    continue
                pair = yard.pair_of[target[k], who]
                queries += 1
                got = insert(pair, k, policy, filling, yard, place)
                if got >= 0:
                    if filled[k] == 0:
                        cost += yard.opening[target[k]]
                    filled[k] += 1
                    new.face[who] = target[k]
                    new.slab[who] = got
                    for c in range(3):
                        new.places[who, c] = place[c]
                    cost += yard.pair_cost[pair, 0 if got == 0 else 1]
                    break
            if new.face[who] < 0:
                cost += yard.penalty[who]
            if cost - old > 12.0 * heat + 1e-9:
                lost = True
        if lost or cost - old > -heat * math.log(1.0 - np.random.random()):
            continue
        keep(target, n, pool, n_pool, yard, filling, filled, new, state, open_face)
        values[0] += cost - old
        if values[0] < values[1] - 1e-9:
            values[1] = values[0]
            best.face[:] = state.face
            best.slab[:] = state.slab
            best.places[:] = state.places
            best.thick[:] = state.thick
            best.slabs[:] = state.slabs
    return queries
