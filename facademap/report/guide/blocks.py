"""What a guide is made of, before it is set as a page or as paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from facademap.report.page import Page

__all__ = ["Block", "Chapter", "Drawing", "Grid", "Heading", "Items", "Run", "Words"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """A stretch of text in one look.

    Parameters
    ----------
    text : str
    strong, slanted : bool
    source : str
        Where a figure comes from; empty for plain words.
    """

    text: str
    strong: bool = False
    slanted: bool = False
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading; level 1 opens a chapter."""

    level: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """A paragraph."""

    runs: tuple[Run, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Items:
    """A list: with bullets, with numbers, or with boxes to tick."""

    items: tuple[tuple[Run, ...], ...]
    look: str = "bullets"


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A table.

    Parameters
    ----------
    title : str
    head : tuple of str
    rows : tuple of tuple of str
    shares : tuple of float
        Width of each column as share of the whole.
    empty : str
        What is said where there are no rows.
    """

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    shares: tuple[float, ...]
    empty: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawing:
    """A drawn figure with its legend."""

    page: Page
    legend: str


Block = Heading | Words | Items | Grid | Drawing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chapter:
    """A chapter: its file, its title, and what stands in it."""

    name: str
    title: str
    blocks: Sequence[Block]
