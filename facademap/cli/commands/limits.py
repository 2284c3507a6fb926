"""``facademap limits``: how much outside data may ask of the machine."""

from __future__ import annotations

import click

from facademap.cli.show import Show, command_options


@click.command()
@command_options
def command(show: Show) -> None:
    """Show every limit on outside data, its value and what it bounds.

    Change one for a single command with --limit NAME=NUMBER, or for all with FACADEMAP_LIMITS in the environment, such
    as FACADEMAP_LIMITS="rows=500000 memory_mb=12000". A project cannot change them, since it may come from elsewhere.
    """
    from dataclasses import asdict

    from facademap.limits import LIMITS, limits_now, meaning_of

    usual = asdict(LIMITS)
    values = asdict(limits_now())
    show.result(
        {n: {"value": v, "usual": usual[n], "meaning": meaning_of(n)} for n, v in values.items()},
        text=[
            f"{n:<18}{v:>10}  {meaning_of(n)}" + (f" (usually {usual[n]})" if v != usual[n] else "")
            for n, v in values.items()
        ],
    )
