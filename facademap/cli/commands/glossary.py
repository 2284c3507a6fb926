"""``facademap glossary``: the terms for conditions, or what one word means."""

from __future__ import annotations

import click

from facademap.cli.show import Show, command_options


@click.command("glossary")
@click.argument("word", required=False)
@command_options
def command(word: str | None, show: Show) -> None:
    """Show the terms for conditions, or what one WORD means."""
    from facademap.condition.glossary import FAMILIES, find_term, terms_of

    if word:
        terms = [find_term(word)]
        lines = [f"{t.name} ({t.abbreviation}), family {t.family}: {t.meaning}" for t in terms]
    else:
        terms = [t for f in FAMILIES for t in terms_of(f.id)]
        lines = []
        for family in FAMILIES:
            lines += ["", f"{family.id}  {family.name}: {family.meaning}"]
            lines += [
                f"   {t.abbreviation}  {'  ' if t.parent else ''}{t.name}: {t.meaning}"
                for t in terms_of(family.id)
            ]
    show.result(
        {
            "terms": [
                {
                    "name": t.name,
                    "family": t.family,
                    "layer": t.layer,
                    "abbreviation": t.abbreviation,
                    "parent": t.parent,
                    "shape": t.shape,
                    "meaning": t.meaning,
                }
                for t in terms
            ]
        },
        text=lines,
    )
