"""Conditions of the consents under which the work is done: what each asks, of which work, and by what it was met."""

from __future__ import annotations

from facademap.tables.column_shapes import BOX
from facademap.tables.contract import Column, Table
from facademap.tables.shapes import NAMES
from facademap.tables.survey import ID
from facademap.tables.trials import TRIAL_KINDS

__all__ = ["CONSENTS", "CONSENT_POINTS"]

#: What waits until a condition is met.
CONSENT_POINTS = ("work begins", "work is accepted", "nothing")

CONSENTS = Table(
    name="consents",
    title="Consent conditions",
    meaning="One condition of a consent a row: what it asks, which work waits for it, and the evidence that it was met.",
    columns=(
        ID,
        Column(name="reference", kind="text", nullable=False, meaning="Reference of the consent."),
        Column(name="clause", kind="text", meaning="Number of the condition in the consent."),
        Column(name="text", kind="text", nullable=False, meaning="What it asks, in its own words."),
        Column(name="given_by", kind="text", meaning="Who gave the consent."),
        Column(name="given_on", kind="date", meaning="When it was given."),
        Column(
            name="before",
            kind="text",
            default="work begins",
            choices=CONSENT_POINTS,
            meaning="What waits until it is met.",
        ),
        Column(
            name="treatments",
            kind="json",
            shape=NAMES,
            default=[],
            meaning="Treatments that it is about; all where none is named.",
        ),
        Column(
            name="repairs",
            kind="json",
            shape=NAMES,
            default=[],
            refers="repairs",
            many=True,
            meaning="Repairs that it is about; all of its treatments where none is named.",
        ),
        Column(
            name="surfaces",
            kind="json",
            shape=NAMES,
            default=[],
            refers="surfaces",
            many=True,
            meaning="Surfaces that it is about; all where none is named. Repairs that it names count wherever they are.",
        ),
        Column(
            name="area_m",
            kind="json",
            shape=BOX,
            unit="m",
            meaning="Part of its one surface that it is about: left, bottom, right, top; all of it where none is given. What reaches into it counts.",
        ),
        Column(
            name="wants_trial",
            kind="text",
            choices=TRIAL_KINDS,
            meaning="Kind of trial, sample or mock-up that must prove it; anything may where none is named.",
        ),
        Column(name="met", kind="bool", default=False, meaning="Whether it is met."),
        Column(name="met_by", kind="text", meaning="Who ticked it."),
        Column(name="met_on", kind="date", meaning="When it was met."),
        Column(
            name="evidence_file",
            kind="text",
            meaning="File that proves it, in the folder evidence of the project.",
        ),
        Column(name="evidence_sha256", kind="text", meaning="Checksum of that file."),
        Column(
            name="evidence_photo", kind="text", refers="photos", meaning="Photo that proves it."
        ),
        Column(
            name="evidence_trial",
            kind="text",
            refers="trials",
            meaning="Approved trial, sample or mock-up that proves it.",
        ),
        Column(name="note", kind="text", meaning="Remarks."),
    ),
)
