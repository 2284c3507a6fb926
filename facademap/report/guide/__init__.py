"""The repair guide of one building: texts in Markdown, figures from the project, one HTML file and one PDF."""

from __future__ import annotations

from facademap.report.guide.chapters import read_chapter
from facademap.report.guide.figures import Wall, figures_of
from facademap.report.guide.html import write_guide_html
from facademap.report.guide.paper import write_guide_pdf

__all__ = ["Wall", "figures_of", "read_chapter", "write_guide_html", "write_guide_pdf"]
