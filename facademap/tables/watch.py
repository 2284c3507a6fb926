"""Tables of what is watched over the years: gauges, their readings, and looks at what was repaired or left."""

from __future__ import annotations

from facademap.tables.contract import Column, Table
from facademap.tables.survey import ID, SURFACE

__all__ = ["FINDINGS", "GAUGES", "GAUGE_KINDS", "GAUGE_READINGS", "LOOKED_AT", "LOOKS"]

GAUGE_KINDS = ("crack", "tell-tale", "plumb line", "tilt", "level", "other")
FINDINGS = ("sound", "as before", "worse", "failed", "not reached")
#: Tables whose rows are looked at.
LOOKED_AT = ("conditions", "repairs", "surfaces")

GAUGES = Table(
    name="gauges",
    title="Monitoring points",
    meaning="A crack gauge, tell-tale or plumb line on the wall, with the limits that its readings are held against.",
    geometry="point",
    geometry_nullable=True,
    columns=(
        ID,
        SURFACE,
        Column(
            name="kind", kind="text", choices=GAUGE_KINDS, default="crack", meaning="What is read."
        ),
        Column(
            name="condition", kind="text", refers="conditions", meaning="Condition that it watches."
        ),
        Column(
            name="limit_m",
            kind="float",
            unit="m",
            minimum=0,
            maximum=1,
            meaning="Change since the first reading that is too much; the engineer of the wall sets it.",
        ),
        Column(
            name="rate_m_a_year",
            kind="float",
            unit="m/a",
            minimum=0,
            maximum=1,
            meaning="Movement in a year that is too much; the engineer of the wall sets it.",
        ),
        Column(
            name="reading_m",
            kind="float",
            unit="m",
            minimum=0,
            maximum=0.1,
            meaning="Standard deviation of one reading.",
        ),
        Column(
            name="every_months",
            kind="int",
            minimum=1,
            maximum=120,
            meaning="Months between readings.",
        ),
        Column(name="note", kind="text", meaning="Remarks."),
    ),
)

GAUGE_READINGS = Table(
    name="gauge_readings",
    title="Readings of monitoring points",
    meaning="What a monitoring point showed on a day.",
    columns=(
        ID,
        Column(
            name="gauge", kind="text", nullable=False, refers="gauges", meaning="Monitoring point."
        ),
        Column(name="read_on", kind="date", nullable=False, meaning="Day of the reading."),
        Column(
            name="value_m",
            kind="float",
            unit="m",
            nullable=False,
            minimum=-100,
            maximum=100,
            meaning="What it showed.",
        ),
        Column(
            name="temperature_degc",
            kind="float",
            unit="degree Celsius",
            minimum=-60,
            maximum=80,
            meaning="Warmth that was read along.",
        ),
        Column(name="by", kind="text", meaning="Who read it."),
        Column(name="note", kind="text", meaning="Remarks."),
    ),
)

LOOKS = Table(
    name="looks",
    title="Looks",
    meaning="A look at a condition, a repair or a whole surface that was made, and what it showed.",
    columns=(
        ID,
        Column(
            name="about_table",
            kind="text",
            nullable=False,
            choices=LOOKED_AT,
            meaning="What kind of thing was looked at.",
        ),
        Column(name="about", kind="text", nullable=False, meaning="Its number."),
        Column(name="looked_on", kind="date", nullable=False, meaning="Day of the look."),
        Column(name="by", kind="text", meaning="Who looked."),
        Column(
            name="finding",
            kind="text",
            nullable=False,
            choices=FINDINGS,
            meaning="What it came to.",
        ),
        Column(
            name="hollow_share",
            kind="float",
            unit="share",
            minimum=0,
            maximum=1,
            meaning="Share of a repair that sounds hollow.",
        ),
        Column(
            name="open_joint_m",
            kind="float",
            unit="m",
            minimum=0,
            maximum=100,
            meaning="Length of joint that is open or cracked.",
        ),
        Column(
            name="colour_difference",
            kind="float",
            unit="CIEDE2000",
            minimum=0,
            maximum=200,
            meaning="Colour of the repair against the stone beside it, both dry, measured alike.",
        ),
        Column(name="photo", kind="text", refers="photos", meaning="Photo of the look."),
        Column(name="note", kind="text", meaning="Remarks."),
    ),
)
