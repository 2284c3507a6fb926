"""Stone asked for outside the yard: enquiries, samples and their tests, orders, deliveries."""

from __future__ import annotations

from facademap.tables.column_shapes import LAB, STONE_TESTS
from facademap.tables.contract import Column, Table
from facademap.tables.shapes import NAMES
from facademap.tables.survey import ID

__all__ = ["ORDERS", "ORDER_STATES"]

ORDER_STATES = ("asked", "sample here", "approved", "refused", "ordered", "delivered")

ORDERS = Table(
    name="orders",
    title="Stone asked for",
    meaning="One enquiry for stone at one quarry or yard: its sample, what was tested, whether it was approved, ordered, delivered.",
    columns=(
        ID,
        Column(
            name="stone_type",
            kind="text",
            nullable=False,
            meaning="Local name of the stone wanted.",
        ),
        Column(name="supplier", kind="text", nullable=False, meaning="Quarry or yard asked."),
        Column(
            name="pieces",
            kind="json",
            shape=NAMES,
            default=[],
            refers="pieces",
            many=True,
            meaning="Pieces that wait for it.",
        ),
        Column(
            name="state",
            kind="text",
            default="asked",
            choices=ORDER_STATES,
            meaning="Where it stands.",
        ),
        Column(name="asked_on", kind="date", meaning="When it was asked for."),
        Column(name="sample_on", kind="date", meaning="When the sample came."),
        Column(name="sample_photo", kind="text", refers="photos", meaning="Photo of the sample."),
        Column(
            name="lab_wanted", kind="json", shape=LAB, meaning="Colour wanted, CIELAB D50, dry."
        ),
        Column(
            name="lab_sample",
            kind="json",
            shape=LAB,
            meaning="Colour of the sample, CIELAB D50, dry.",
        ),
        Column(
            name="tests",
            kind="json",
            shape=STONE_TESTS,
            default=[],
            meaning="Tests of the sample: name, value with its unit in words, by, on, result.",
        ),
        Column(name="decided_by", kind="text", meaning="Who approved or refused the sample."),
        Column(name="decided_on", kind="date", meaning="When."),
        Column(name="finding", kind="text", meaning="What the sample showed; a refusal needs it."),
        Column(name="ordered_on", kind="date", meaning="When it was ordered."),
        Column(name="ordered_by", kind="text", meaning="Who ordered it."),
        Column(
            name="volume_m3",
            kind="float",
            unit="m3",
            minimum=0,
            maximum=10_000,
            meaning="Stone ordered, in block.",
        ),
        Column(name="price", kind="text", meaning="Price as quoted, with its currency."),
        Column(name="due_on", kind="date", meaning="When it is promised."),
        Column(name="delivered_on", kind="date", meaning="When it came."),
        Column(
            name="blocks",
            kind="json",
            shape=NAMES,
            default=[],
            refers="blocks",
            many=True,
            meaning="Blocks of the yard that came with it.",
        ),
        Column(name="note", kind="text", meaning="Remarks."),
    ),
)
