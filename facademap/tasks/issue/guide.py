"""The repair guide of a building, from the project and from texts that an office may write anew."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from facademap.errors import FileError, InputError
from facademap.io.whole_files import make_folder, write_whole
from facademap.tasks.issue.papers_context import Context

if TYPE_CHECKING:
    from facademap.report.guide import Wall

__all__ = ["SHORT", "copy_guide_texts", "guide_files"]

#: Folder of the project in which an office keeps its own chapters.
FOLDER = "guide"
#: Chapters of the short version, for a talk on the scaffold.
SHORT = ("40-inset.md", "70-cautions.md", "80-criteria.md", "97-ticks.md")
_LARGEST = 200_000


def guide_files(context: Context, *, short: bool = False) -> Mapping[str, bytes]:
    """The guide as one HTML file and one PDF.

    Parameters
    ----------
    context : Context
        One run over one project.
    short : bool
        Only what is said on the scaffold: the inset, what may hurt, when it is good, what to tick.

    Returns
    -------
    mapping of file name to bytes

    Raises
    ------
    InputError
        A text names a figure that is not known; with file and line.
    """
    from facademap.report.guide import (
        figures_of,
        read_chapter,
        write_guide_html,
        write_guide_pdf,
    )

    wall = _wall(context)
    figures = figures_of(wall)
    texts = guide_texts(context.project.folder)
    chapters = [
        read_chapter(text, figures, name=name)
        for name, text in texts.items()
        if not short or name in SHORT
    ]
    kind = "Repair guide, short version" if short else "Repair guide"
    told = (
        f"Made from the project, {context.revision(('conditions', 'repairs', 'trials')) or 'no edit yet'}. "
        f"Profile: {wall.settings.title}. Figures that are underlined or bold name their source in the chapter on values. "
        "Structure, access, lifting and health are decided by competent persons on site, by local codes."
    )
    name = "guide-short" if short else "guide"
    return {
        f"{name}.html": write_guide_html(chapters, title=wall.name, kind=kind, told=told),
        f"{name}.pdf": write_guide_pdf(
            chapters, title=wall.name, kind=kind, told=told, paper=context.choices.paper
        ),
    }


def guide_texts(folder: Path) -> dict[str, str]:
    """Chapters by file name, in order: the packaged ones, and those of the project's folder ``guide`` in their place or beside them.

    Raises
    ------
    FileError
        A text is no UTF-8 or larger than a chapter can be.
    """
    packaged = resources.files("facademap.report.guide").joinpath("texts")
    texts = {f.name: f.read_text("utf-8") for f in packaged.iterdir() if f.name.endswith(".md")}
    own = folder / FOLDER
    for path in sorted(own.glob("*.md")) if own.is_dir() else ():
        if path.is_symlink() or not path.is_file():
            raise FileError(f"{path}: is no plain file", "Put the text itself there.")
        if path.stat().st_size > _LARGEST:
            raise FileError(f"{path}: larger than a chapter can be", "Split it.")
        try:
            texts[path.name] = path.read_text("utf-8")
        except UnicodeDecodeError:
            raise FileError(f"{path}: is no UTF-8 text", "Save it as UTF-8.") from None
    return {name: texts[name] for name in sorted(texts) if texts[name].strip()}


def copy_guide_texts(folder: str | Path) -> list[Path]:
    """Put the packaged chapters into the project's folder ``guide``, to be edited; what is there already stays.

    Raises
    ------
    InputError
        All chapters are there already.
    """
    folder = Path(folder)
    made = []
    make_folder(FOLDER, inside=folder)
    for name, text in guide_texts(folder).items():
        path = folder / FOLDER / name
        if not path.exists():
            write_whole(path, text.encode())
            made.append(path)
    if not made:
        raise InputError(
            f"{folder / FOLDER}: all chapters are there already",
            "Edit them, or remove one to get it anew.",
        )
    return made


def _wall(context: Context) -> Wall:
    from facademap.report.guide import Wall
    from facademap.report.ticket_content import make_tickets
    from facademap.tasks.plan.plan import make_safe_of_project
    from facademap.tasks.plan.treatments import jobs_of_project, treatment_values_of_project

    urgent: list[dict[str, Any]] = make_safe_of_project(context.project.folder)
    return Wall(
        name=context.name,
        frames=context.frames(),
        settings=context.trade_values,
        values=treatment_values_of_project(context.project),
        criteria=context.office_criteria,
        jobs=jobs_of_project(context.project),
        tickets=make_tickets(context.frames(), project=context.name, settings=context.trade_values),
        urgent=urgent,
        crop=context.surface_picture,
        photo=context.photo,
    )
