"""What the kernels take: arrays that belong together, by name.

A ``NamedTuple`` of arrays runs as plain Python and under numba alike; the arrays are shared, not copied,
and those that a kernel fills are named so. Lengths in mm, areas in mm².
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

__all__ = [
    "Answer",
    "Bench",
    "Bids",
    "Blanks",
    "Box",
    "Face",
    "FaceOffer",
    "Filling",
    "Known",
    "Outline",
    "PlanState",
    "Scratch",
    "Sets",
    "Shapes",
    "Slabs",
    "Yard",
]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.signedinteger[Any]]
Flags = npt.NDArray[np.int8]


class Box(NamedTuple):
    """A rectangle on a slab."""

    x0: float
    y0: float
    x1: float
    y1: float


class Outline(NamedTuple):
    """A blank, turned one way: its convex parts are rows ``first`` to ``last`` of ``parts``."""

    #: Box made smaller, a point inside, first and last row of ``planes``, number of corners, full box.
    parts: Floats
    #: Outward normals and offsets of the sides.
    planes: Floats
    first: int
    last: int


class Face(NamedTuple):
    """A face with its flaws at one depth: segments, of which those before ``ring_end`` are the face's own."""

    segments: Floats
    ring_end: int


class Shapes(NamedTuple):
    """All outlines and faces of a problem; rows of choices point into them."""

    edges: Floats
    parts: Floats
    planes: Floats
    segments: Floats


class Blanks(NamedTuple):
    """The ways to lay some blanks: rows ``starts[k]`` to ``starts[k + 1]`` of ``rows`` are those of blank k.

    A row is a blank, one way up, on one face at one depth: first and last edge of its free positions,
    width, height, first and last part, first and last segment, end of the face's ring among them, 1
    where the free positions have an inside, and the turn.
    """

    starts: Ints
    rows: Floats


class Bench(NamedTuple):
    """What is sawn: the box of a slab, the width of a cut, and the shapes."""

    box: Box
    kerf: float
    shapes: Shapes


class Sets(NamedTuple):
    """The smallest rectangles that hold each set of blanks; set m of them is number ``numbers[m]`` here.

    ``wide`` and ``high`` have a row a set, by rising width; ``kept`` says how many are meant.
    """

    numbers: Ints
    wide: Floats
    high: Floats
    kept: Ints


class Slabs(NamedTuple):
    """How a block may be slabbed behind a face, and whether cuts need not go from end to end."""

    depth: float
    depth_kerf: float
    least: float
    most: int
    free: bool


class FaceOffer(NamedTuple):
    """What one face can be asked for.

    ``starts[l]`` are the starts of the blanks' ``rows`` at level l; a slab is at a level when it starts at
    least as deep as ``depths[l]``, and deeper levels have fewer flaws. ``needs`` holds the thickness of
    every piece in the front slab and in others, ``slabs_of`` the first and last slab that it may come from.
    """

    starts: Ints
    depths: Floats
    rows: Floats
    needs: Floats
    slabs_of: Ints
    slabs: Slabs
    bench: Bench


class Bids(NamedTuple):
    """What pieces pay and take up.

    ``order`` lists the pieces worth looking at, by falling profit for the room they take in row 0 of
    ``weights``; the first ``nested`` rows hold the same weight for a piece or none, each row part of the one
    before. ``twin`` is the same repair as another piece of the face, or -1.
    """

    profits: Floats
    order: Ints
    weights: Floats
    nested: int
    twin: Ints


class Known(NamedTuple):
    """What was found impossible on a face; grows.

    ``clash`` marks pairs that exclude each other. ``bads`` are larger groups, ``bad_sizes`` their sizes
    (the last counts them), ``heads`` and ``links`` a chain through them for every piece.
    """

    clash: Flags
    bads: Ints
    bad_sizes: Ints
    heads: Ints
    links: Ints


class Answer(NamedTuple):
    """What the search for a group fills.

    ``group`` takes size, nodes, 1 where proved (2 where the group itself is not decided), then the pieces;
    ``spent`` queries made, most queries allowed, groups listed; ``sure`` size and pieces of the best group met
    that can be cut for sure; ``listed``, where it has rows, every group worth more than the floor: size
    (negative where it is not decided), then the pieces.
    """

    group: Ints
    spent: Ints
    sure: Ints
    listed: Ints


class Scratch(NamedTuple):
    """Room that a group has taken so far, and marks on the pieces."""

    used: Floats
    left: Floats
    inside: Flags
    blocked: Ints
    counted: Ints
    chosen: Ints


class Yard(NamedTuple):
    """What a plan may choose from: faces, and the pairs of a repair and a face that takes it.

    ``faces`` has number, kerf, depth kerf, least slab, most slabs, box (x0, y0, x1, y1) and depth; ``movable``
    is 1 where a face may be emptied. ``pair_of[face, repair]`` is the row in the ``pair_*`` arrays, -1 for
    none. ``options`` are the faces of every repair by rising cost, ``users`` the repairs of every face, each
    with the firsts beside it; ``level_first`` and ``level_depths`` are the depth levels of every face.
    """

    faces: Floats
    movable: Flags
    block_of: Ints
    opening: Floats
    pair_of: Ints
    pair_cost: Floats
    pair_rows: Ints
    pair_needs: Floats
    pair_slabs: Ints
    volume: Floats
    penalty: Floats
    option_first: Ints
    options: Ints
    user_first: Ints
    users: Ints
    level_first: Ints
    level_depths: Floats
    rows: Floats
    shapes: Shapes


class PlanState(NamedTuple):
    """A plan: face (-1 none), slab and place of every repair, thickness and number of slabs of every face."""

    face: Ints
    slab: Ints
    places: Floats
    thick: Floats
    slabs: Ints


class Filling(NamedTuple):
    """Faces being filled: rows of ``Yard.faces``, slabs, their thickness, free rectangles of every slab."""

    faces: Floats
    slabs: Ints
    thick: Floats
    free: Floats
    free_count: Ints
