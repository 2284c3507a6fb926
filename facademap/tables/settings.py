"""Table of the settings of one project."""

from __future__ import annotations

from facademap.tables.contract import Column, Table

__all__ = ["SETTINGS"]

SETTINGS = Table(
    name="settings",
    title="Settings",
    meaning="What holds for the whole project: name, profile, thresholds that differ from the defaults.",
    columns=(
        Column(name="id", kind="text", nullable=False, meaning="Name of the setting."),
        Column(name="value", kind="text", meaning="Its value, as JSON."),
    ),
)
