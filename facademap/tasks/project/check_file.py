"""The part of the audit that looks at the file itself: damage, missing parts, values that break their contract."""

from __future__ import annotations

from collections.abc import Iterator

from facademap.errors import TableError
from facademap.io.whole_files import STORE_NAME
from facademap.store.damage import set_aside_words
from facademap.store.project import Project
from facademap.tables import TABLES
from facademap.tasks.project.finding import Finding

__all__ = ["contracts_of", "file_of", "history_of", "parts_of"]

_FROM_A_COPY = "Restore project.gpkg from a copy."


def file_of(project: Project) -> Iterator[Finding]:
    """What the database engine finds wrong with the file."""
    for text in project.integrity()[:5]:
        yield Finding(
            level="fault",
            kind="file",
            about=STORE_NAME,
            problem=text[:200],
            remedy=_FROM_A_COPY,
        )


def parts_of(project: Project) -> Iterator[Finding]:
    """Tables and columns that the file lacks."""
    for table, columns in project.missing_parts():
        if {"id", "fid"} & set(columns):
            remedy = _FROM_A_COPY
        else:
            remedy = "Make it again, empty, with facademap check PROJECT --set-aside all, or restore the project from a copy."
        yield Finding(
            level="fault",
            kind="file",
            about=f"table {table.name}",
            problem=f"has no column {', '.join(columns)}" if columns else "is missing",
            remedy=remedy,
            table=table.name,
        )


def contracts_of(project: Project) -> Iterator[Finding]:
    """Values that break the contract of their table, cell by cell."""
    lacking = {table.name for table, _ in project.missing_parts()}
    for table in TABLES.values():
        damage = project.damage(table.name)
        for cell in damage:
            yield Finding(
                level="fault",
                kind="contract",
                about=f"{cell.table} {cell.row}",
                problem=f"{cell.field}: {cell.reason}",
                remedy=set_aside_words(cell),
                table=cell.table,
                row=cell.row,
                field=cell.field,
                can_set_aside=True,
            )
        if damage or table.name in lacking:
            continue
        try:
            table.check(project.read(table.name), source=table.name)
        except TableError as error:
            for fault in error.faults or (error.problem,):
                yield Finding(
                    level="fault",
                    kind="contract",
                    about=table.name,
                    problem=fault,
                    remedy="Correct the value.",
                    table=table.name,
                )


def history_of(project: Project) -> Iterator[Finding]:
    """Entries of the history whose contents cannot be read."""
    broken = project.broken_history()
    if broken:
        yield Finding(
            level="fault",
            kind="file",
            about="history",
            problem=f"{len(broken)} entries cannot be read, such as number {broken[0]}",
            remedy="What they did cannot be taken back; the rows as they are now are not touched by it.",
        )
