"""Variations of the contract: what changed, why, by how much, and who agreed to it."""

from __future__ import annotations

from facademap.tables.contract import Column, Table
from facademap.tables.repairs import TREATMENTS
from facademap.tables.survey import ID

__all__ = ["VARIATIONS", "VARIATION_MEASURES", "VARIATION_RESULTS"]

VARIATION_RESULTS = ("open", "agreed", "refused")
#: Figures of the bill by which a variation may be measured.
VARIATION_MEASURES = (
    "count",
    "area_net_m2",
    "length_m",
    "removed_area_m2",
    "removed_volume_m3",
    "cut_length_m",
    "rake_length_m",
    "pins",
    "drill_length_m",
    "mortar_l",
    "hours",
)

VARIATIONS = Table(
    name="variations",
    title="Variations",
    meaning="A change of the contract: what, why, by which quantity or amount, and who agreed to it.",
    columns=(
        ID,
        Column(name="what", kind="text", nullable=False, meaning="What is added or left out."),
        Column(name="reason", kind="text", nullable=False, meaning="Why."),
        Column(name="repair", kind="text", refers="repairs", meaning="Repair that it is about."),
        Column(
            name="elevation",
            kind="text",
            refers="elevations",
            meaning="Elevation that it is about, where it names no repair.",
        ),
        Column(
            name="treatment",
            kind="text",
            choices=TREATMENTS,
            meaning="Treatment whose rate it takes.",
        ),
        Column(
            name="measure",
            kind="text",
            choices=VARIATION_MEASURES,
            meaning="Figure of the bill that its quantity is of.",
        ),
        Column(
            name="quantity",
            kind="float",
            minimum=-1e9,
            maximum=1e9,
            meaning="How much more, in the unit of its measure; less than nothing for an omission.",
        ),
        Column(
            name="rate",
            kind="float",
            minimum=0,
            maximum=1e12,
            meaning="Price of one unit of its measure; the rate of the office where it gives none.",
        ),
        Column(
            name="amount",
            kind="float",
            minimum=-1e12,
            maximum=1e12,
            meaning="A fixed amount, in place of quantity and rate.",
        ),
        Column(name="currency", kind="text", meaning="Currency of rate or amount."),
        Column(name="raised_on", kind="date", meaning="When it was raised."),
        Column(
            name="result",
            kind="text",
            default="open",
            choices=VARIATION_RESULTS,
            meaning="Whether it counts.",
        ),
        Column(name="agreed_by", kind="text", meaning="Who decided."),
        Column(name="agreed_on", kind="date", meaning="When it was decided."),
        Column(name="note", kind="text", meaning="Remarks; a refusal says why."),
    ),
)
