# mypy: disable-error-code="no-untyped-def"
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

from facademap.match.kernels_place import first_place

__all__ = ["insert", "rebuild"]


def insert(
    pair,
    at,
    policy,
    deep,
    slab_count,
    thick,
    free,
    free_count,
    place,
    pair_rows,
    pair_needs,
    pair_slabs,
    face_real,
    level_first,
    level_depths,
    choices,
    edges,
    parts,
    planes,
    segments,
):
    """Lay one more blank on a half-filled face; the slab, or -1 where there is no room.

    Parameters
    ----------
    pair : int
        Row of the repair on this face in the ``pair_*`` tables.
    at : int
        Which of the faces being filled.
    policy : int
        Bit 0: lowest instead of leftmost place; bits 1 and 2: how the rest is cut up.
    deep : float
        Depth of the face.
    slab_count, thick, free, free_count : ndarray
        State of the faces being filled: slabs, their thickness, free rectangles of every slab.
    place : ndarray, shape (3,)
        Takes x, y and the row of ``choices``.
    """
    face = int(face_real[at, 0])
    kerf = face_real[at, 1]
    depth_kerf = face_real[at, 2]
    least = face_real[at, 3]
    most = int(face_real[at, 4])
    spot = np.empty(2)
    used = depth_kerf * max(0, slab_count[at] - 1)
    for c in range(slab_count[at]):
        used += thick[at, c]
    first_slab = pair_slabs[pair, 0]
    last_slab = min(pair_slabs[pair, 1], most - 1)
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
            begin = pair_rows[pair, row, 0]
            end = pair_rows[pair, row, 1]
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
                    if choices[choice, 2] > wide + 1e-6 or choices[choice, 3] > high + 1e-6:
                        continue
                    if first_place(
                        axis,
                        choice,
                        free[at, c, f, 0],
                        free[at, c, f, 2],
                        free[at, c, f, 1],
                        free[at, c, f, 3],
                        choices,
                        edges,
                        parts,
                        planes,
                        segments,
                        spot,
                    ):
                        hit = f
                        tightest = wide * high
                        place[0] = spot[0]
                        place[1] = spot[1]
                        place[2] = choice
                        break
            if hit >= 0 and free_count[at, c] + 4 <= free.shape[2]:
                x = place[0]
                y = place[1]
                w = choices[int(place[2]), 2]
                h = choices[int(place[2]), 3]
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


def rebuild(
    turns,
    seed,
    heat,
    cooling,
    faces,
    free_faces,
    face_table,
    block_of,
    opening,
    pair_of,
    pair_cost,
    pair_rows,
    pair_needs,
    pair_slabs,
    volume,
    penalty,
    option_first,
    options,
    user_first,
    users,
    level_first,
    level_depths,
    choices,
    edges,
    parts,
    planes,
    segments,
    assign,
    slab,
    places,
    thick_of,
    slabs_of_face,
    open_face,
    best_assign,
    best_slab,
    best_places,
    best_thick,
    best_slabs,
    values,
):
    """Empty some blocks around a repair and fill them again, ``turns`` times, under simulated annealing.

    Parameters
    ----------
    turns, seed : int
        How often; start of the random numbers.
    heat, cooling : float
        Temperature at the start and its factor after every turn.
    faces : int
        Number of faces.
    free_faces : ndarray of int8
        1 where a face may be emptied.
    face_table : ndarray, shape (faces, 9)
        Number, kerf, depth kerf, least slab, most slabs, box; depth in column 9.
    block_of, opening : ndarray
        Block of a face, and what it costs to open it.
    pair_of : ndarray of int32, shape (faces, repairs)
        Row in the ``pair_*`` tables, -1 for none.
    option_first, options : ndarray of int
        Faces of every repair, by rising cost.
    user_first, users : ndarray of int
        Repairs of every face.
    assign, slab, places, thick_of, slabs_of_face, open_face : ndarray
        The state, changed in place: face of a repair (-1 none), its slab and place, slabs of the faces,
        face at which every block is opened (-1 none). ``best_*`` keeps the best state.
    values : ndarray, shape (2,)
        Cost of the state and of the best.
    """
    n_repairs = assign.shape[0]
    most_at = 6
    most_slabs = thick_of.shape[1]
    target = np.empty(most_at, np.int64)
    real = np.empty((most_at, 9))
    pool = np.empty(n_repairs, np.int64)
    keys = np.empty(n_repairs)
    in_pool = np.zeros(n_repairs, np.int8)
    count = np.zeros(most_at, np.int64)
    thick = np.zeros((most_at, most_slabs))
    free = np.empty((most_at, most_slabs, 120, 4))
    free_count = np.zeros((most_at, most_slabs), np.int64)
    new_face = np.empty(n_repairs, np.int64)
    new_slab = np.empty(n_repairs, np.int64)
    new_place = np.empty((n_repairs, 3))
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
        n_options = option_first[i + 1] - option_first[i]
        if n_options == 0:
            continue
        wanted = 1 + np.random.randint(4)
        n = 0
        if assign[i] >= 0 and free_faces[assign[i]] == 1:
            target[0] = assign[i]
            n = 1
        for _t in range(3 * wanted):
            if n >= wanted:
                break
            at = int(n_options * np.random.random() ** 2.5)
            other = options[option_first[i] + at]
            if np.random.random() < 0.3 and n > 0:
                host = target[np.random.randint(n)]
                who = users[
                    user_first[host] + np.random.randint(user_first[host + 1] - user_first[host])
                ]
                if assign[who] >= 0:
                    other = assign[who]
            if free_faces[other] == 0:
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
                if n + 2 > most_at or free_faces[opened] == 0:
                    continue
                target[n] = opened
                n += 1
            target[n] = other
            n += 1
        if n == 0:
            continue
        # what lies there, and what lies nowhere
        n_pool = 0
        old = 0.0
        for k in range(n):
            here = target[k]
            some = False
            for u in range(user_first[here], user_first[here + 1]):
                who = users[u]
                if in_pool[who] == 0 and (assign[who] == here or assign[who] < 0):
                    in_pool[who] = 1
                    pool[n_pool] = who
                    n_pool += 1
                if assign[who] == here:
                    some = True
                    pair = pair_of[here, who]
                    old += pair_cost[pair, 0 if slab[who] == 0 else 1]
            if some:
                old += opening[here]
            for c in range(9):
                real[k, c] = face_table[here, c]
            count[k] = 0
            filled[k] = 0
            eager[k] = np.random.random()
        by_area = 0.15 + 0.35 * np.random.random()
        for p in range(n_pool):
            who = pool[p]
            if assign[who] < 0:
                old += penalty[who]
            keys[p] = -volume[who] * math.exp(np.random.normal(0.0, by_area))
        order = np.argsort(keys[:n_pool])
        noise = 0.1 + 1.5 * np.random.random() ** 2
        policy = np.random.randint(6)
        new = 0.0
        lost = False
        for q in range(n_pool):
            who = pool[order[q]]
            in_pool[who] = 0
            new_face[who] = -1
            if lost:
                continue
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
            for r in range(m):
                k = rank[r]
                twin = False
                if filled[k] == 0:
                    for other in range(n):
                        if (
                            other != k
                            and filled[other] > 0
                            and block_of[target[other]] == block_of[target[k]]
                        ):
                            twin = True
                if twin:
                    continue
                pair = pair_of[target[k], who]
                queries += 1
                got = insert(
                    pair,
                    k,
                    policy,
                    face_table[target[k], 9],
                    count,
                    thick,
                    free,
                    free_count,
                    place,
                    pair_rows,
                    pair_needs,
                    pair_slabs,
                    real,
                    level_first,
                    level_depths,
                    choices,
                    edges,
                    parts,
                    planes,
                    segments,
                )
                if got >= 0:
                    if filled[k] == 0:
                        new += opening[target[k]]
                    filled[k] += 1
                    new_face[who] = target[k]
                    new_slab[who] = got
                    for c in range(3):
                        new_place[who, c] = place[c]
                    new += pair_cost[pair, 0 if got == 0 else 1]
                    break
            if new_face[who] < 0:
                new += penalty[who]
            if new - old > 12.0 * heat + 1e-9:
                lost = True
        if lost or new - old > -heat * math.log(1.0 - np.random.random()):
            continue
        for q in range(n_pool):
            who = pool[q]
            assign[who] = new_face[who]
            if new_face[who] >= 0:
                slab[who] = new_slab[who]
                for c in range(3):
                    places[who, c] = new_place[who, c]
        for k in range(n):
            slabs_of_face[target[k]] = count[k]
            for c in range(count[k]):
                thick_of[target[k], c] = thick[k, c]
            if open_face[block_of[target[k]]] == target[k]:
                open_face[block_of[target[k]]] = -1
        for k in range(n):
            if filled[k] > 0:
                open_face[block_of[target[k]]] = target[k]
        values[0] += new - old
        if values[0] < values[1] - 1e-9:
            values[1] = values[0]
            best_assign[:] = assign
            best_slab[:] = slab
            best_places[:] = places
            best_thick[:] = thick_of
            best_slabs[:] = slabs_of_face
    return queries
