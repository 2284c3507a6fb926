"""The guide as one HTML file that needs nothing else."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from facademap.report.guide.blocks import Block, Chapter, Drawing
from facademap.report.svg import write_svg

__all__ = ["write_guide_html"]


def write_guide_html(chapters: Sequence[Chapter], *, title: str, kind: str, told: str) -> bytes:
    """One offline file: no script, no address outside, every text escaped by the template.

    Parameters
    ----------
    chapters : sequence of Chapter
    title : str
        Name of the project.
    kind : str
        What it is, such as ``Repair guide``.
    told : str
        Day, revision and where figures come from.
    """
    environment = Environment(
        loader=PackageLoader("facademap.report.guide", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    shown = [{"title": c.title, "blocks": [_shown(b) for b in c.blocks]} for c in chapters]
    page = environment.get_template("page.html").render(
        chapters=shown, title=title, kind=kind, told=told
    )
    return page.encode()


def _shown(block: Block) -> dict[str, Any]:
    told = {n: getattr(block, n) for n in block.__slots__}
    if isinstance(block, Drawing):
        svg = write_svg(block.page).decode()
        svg = re.sub(r"^<\?xml[^>]*\?>\s*", "", svg)
        label = Markup.escape(block.legend)
        told["svg"] = Markup(
            re.sub(r"^<svg ", f'<svg role="img" aria-label="{label}" ', svg, count=1)
        )
    return {"sort": type(block).__name__, **told}
