"""Treatments other than insets as designed jobs: figures, materials, steps, checks, and what holds each back."""

from __future__ import annotations

from facademap.treatment.carrying import BEARING, carrying_cautions, carrying_parts
from facademap.treatment.design import DESIGNS, Visit, design_jobs, visits_of
from facademap.treatment.job import Figure, Job, Place, Product
from facademap.treatment.poisons import poison_flags
from facademap.treatment.values import TreatmentValues, read_treatment_values

__all__ = [
    "BEARING",
    "DESIGNS",
    "Figure",
    "Job",
    "Place",
    "Product",
    "TreatmentValues",
    "Visit",
    "carrying_cautions",
    "carrying_parts",
    "design_jobs",
    "poison_flags",
    "read_treatment_values",
    "visits_of",
]
