"""Every table of a project and the contract its rows keep.

``TABLES`` holds them all by name, parents before children.
"""

from __future__ import annotations

from facademap.tables.conditions import ACTIVITIES, CONDITION_LAYERS, CONDITIONS
from facademap.tables.consents import CONSENT_POINTS, CONSENTS
from facademap.tables.contract import Column, Table, is_missing, text_of
from facademap.tables.matching import PLACEMENT_STATES, PLACEMENTS, PLANS, REVIEWS
from facademap.tables.orders import ORDER_STATES, ORDERS
from facademap.tables.repairs import (
    PIECE_BEDS,
    PIECED,
    PIECES,
    REPAIRS,
    STAGES,
    TREATMENTS,
    UNDECIDED,
    WORK_LOG,
)
from facademap.tables.salvage import ACCEPTANCES, BLOCK_STATES, BLOCKS, FACE_BEDS, FACES
from facademap.tables.settings import SETTINGS
from facademap.tables.survey import (
    BEDS_IN_WALL,
    CONTROL_POINTS,
    ELEVATIONS,
    OBSERVATIONS,
    OPENINGS,
    PHOTOS,
    STONE_KINDS,
    SURFACES,
    WALL_STONES,
)
from facademap.tables.trials import SOILINGS, TRIAL_KINDS, TRIAL_RESULTS, TRIALS
from facademap.tables.variations import VARIATION_MEASURES, VARIATION_RESULTS, VARIATIONS
from facademap.tables.watch import FINDINGS, GAUGE_KINDS, GAUGE_READINGS, GAUGES, LOOKED_AT, LOOKS

__all__ = [
    "ACCEPTANCES",
    "ACTIVITIES",
    "BEDS_IN_WALL",
    "BLOCKS",
    "BLOCK_STATES",
    "CONDITIONS",
    "CONDITION_LAYERS",
    "CONSENTS",
    "CONSENT_POINTS",
    "CONTROL_POINTS",
    "ELEVATIONS",
    "FACES",
    "FACE_BEDS",
    "FINDINGS",
    "GAUGES",
    "GAUGE_KINDS",
    "GAUGE_READINGS",
    "LOOKED_AT",
    "LOOKS",
    "OBSERVATIONS",
    "OPENINGS",
    "ORDERS",
    "ORDER_STATES",
    "PHOTOS",
    "PIECED",
    "PIECES",
    "PIECE_BEDS",
    "PLACEMENTS",
    "PLACEMENT_STATES",
    "PLANS",
    "REPAIRS",
    "REVIEWS",
    "SETTINGS",
    "SOILINGS",
    "STAGES",
    "STONE_KINDS",
    "SURFACES",
    "TABLES",
    "TREATMENTS",
    "TRIALS",
    "TRIAL_KINDS",
    "TRIAL_RESULTS",
    "UNDECIDED",
    "VARIATIONS",
    "VARIATION_MEASURES",
    "VARIATION_RESULTS",
    "WALL_STONES",
    "WORK_LOG",
    "Column",
    "Table",
    "is_missing",
    "text_of",
]

TABLES: dict[str, Table] = {
    t.name: t
    for t in (
        SETTINGS,
        ELEVATIONS,
        SURFACES,
        PHOTOS,
        CONTROL_POINTS,
        OBSERVATIONS,
        WALL_STONES,
        OPENINGS,
        CONDITIONS,
        REPAIRS,
        PIECES,
        BLOCKS,
        FACES,
        PLANS,
        PLACEMENTS,
        WORK_LOG,
        REVIEWS,
        TRIALS,
        VARIATIONS,
        CONSENTS,
        ORDERS,
        GAUGES,
        GAUGE_READINGS,
        LOOKS,
    )
}
