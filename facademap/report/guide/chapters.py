"""Chapters from Markdown: figures are put in where their names stand, so that a text never holds a figure of its own."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from markdown_it import MarkdownIt
from markdown_it.token import Token

from facademap.errors import InputError
from facademap.report.guide.blocks import Block, Chapter, Heading, Items, Run, Words

__all__ = ["Figures", "read_chapter"]

_NAME = re.compile(r"\{\{\s*([a-z][a-z0-9_.]*(?:\s*:\s*[a-z][a-z -]*)?)\s*\}\}")
_OPENED = re.compile(r"\{\{.*?\}\}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """What may stand between braces.

    Parameters
    ----------
    words : mapping of name to Run
        Figures and names within a sentence.
    blocks : mapping of name to callable
        Tables, drawings and lists that stand alone on their line, made when they are asked for.
    """

    words: Mapping[str, Run]
    blocks: Mapping[str, Callable[[], Sequence[Block]]]


def read_chapter(text: str, figures: Figures, *, name: str) -> Chapter:
    """One chapter of a guide.

    Parameters
    ----------
    text : str
        Markdown with headings, paragraphs, lists, bold and italic; ``{{ name }}`` is replaced by a figure.
    figures : Figures
    name : str
        File, named in errors.

    Raises
    ------
    InputError
        A name that nothing is known of, a table within a sentence, or a chapter without a title; with its line.
    """
    tokens = MarkdownIt("commonmark", {"html": False}).parse(text)
    blocks: list[Block] = []
    k = 0
    while k < len(tokens):
        token = tokens[k]
        where = f"{name}, line {(token.map or [0])[0] + 1}"
        if token.type == "heading_open":
            blocks.append(
                Heading(level=int(token.tag[1:]), text=_plain(tokens[k + 1], figures, where))
            )
        elif token.type in ("bullet_list_open", "ordered_list_open"):
            items, k = _items(tokens, k, figures, where)
            look = "numbers" if token.type.startswith("ordered") else "bullets"
            blocks.append(Items(items=items, look=look))
        elif token.type == "paragraph_open":
            blocks += _paragraph(tokens[k + 1], figures, where)
        elif token.type in ("fence", "code_block", "html_block", "blockquote_open", "hr"):
            raise InputError(
                f"{where}: a guide has headings, paragraphs and lists only",
                "Write it as one of these.",
            )
        k += 1
    if not blocks or not isinstance(blocks[0], Heading) or blocks[0].level != 1:
        raise InputError(f"{name}: a chapter begins with its title", "Begin it with # and a title.")
    return Chapter(name=name, title=blocks[0].text, blocks=blocks)


def _paragraph(token: Token, figures: Figures, where: str) -> Sequence[Block]:
    alone = _NAME.fullmatch(token.content.strip())
    if alone and ":" in alone.group(1):
        key = re.sub(r"\s*:\s*", ": ", alone.group(1).strip())
        if key not in figures.blocks:
            raise InputError(
                f"{where}: nothing is known of {{{{ {key} }}}}",
                _near(key, figures.blocks, f"Use one of {', '.join(sorted(figures.blocks))}."),
            )
        return figures.blocks[key]()
    return [Words(runs=_runs(token, figures, where))]


def _near(key: str, known: Iterable[str], otherwise: str) -> str:
    """What was meant, where a name of nearly the same letters is known."""
    close = get_close_matches(key, known, n=1, cutoff=0.75)
    return f"Write {{{{ {close[0]} }}}}." if close else otherwise


def _items(
    tokens: list[Token], k: int, figures: Figures, where: str
) -> tuple[tuple[tuple[Run, ...], ...], int]:
    closing = tokens[k].type.replace("open", "close")
    level, found = tokens[k].level, []
    k += 1
    while not (tokens[k].type == closing and tokens[k].level == level):
        if tokens[k].type == "inline":
            found.append(_runs(tokens[k], figures, where))
        k += 1
    return tuple(found), k


def _plain(token: Token, figures: Figures, where: str) -> str:
    return "".join(r.text for r in _runs(token, figures, where))


def _runs(token: Token, figures: Figures, where: str) -> tuple[Run, ...]:
    strong = slanted = False
    runs: list[Run] = []
    for part in token.children or []:
        if part.type in ("strong_open", "strong_close"):
            strong = part.type == "strong_open"
        elif part.type in ("em_open", "em_close"):
            slanted = part.type == "em_open"
        elif part.type in ("softbreak", "hardbreak"):
            runs.append(Run(text=" ", strong=strong, slanted=slanted))
        elif part.type in ("text", "code_inline"):
            runs += _with_figures(part.content, figures, where, strong=strong, slanted=slanted)
    return tuple(runs)


def _with_figures(
    text: str, figures: Figures, where: str, *, strong: bool, slanted: bool
) -> list[Run]:
    runs: list[Run] = []
    at = 0
    for found in _OPENED.finditer(text):
        name = _NAME.fullmatch(found.group(0))
        key = name.group(1) if name else found.group(0)
        if key not in figures.words:
            raise InputError(
                f"{where}: nothing is known of {found.group(0)}",
                _near(
                    key,
                    figures.words,
                    "Use the name of a trade value of this project, such as {{ joint }} or {{ repoint.layer }}; "
                    "what has a colon stands on a line of its own.",
                ),
            )
        if found.start() > at:
            runs.append(Run(text=text[at : found.start()], strong=strong, slanted=slanted))
        runs.append(figures.words[key])
        at = found.end()
    if at < len(text):
        runs.append(Run(text=text[at:], strong=strong, slanted=slanted))
    return runs
