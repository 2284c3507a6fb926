"""``facademap variation``: changes of the contract, with reason, quantity or amount, and who agreed."""

from __future__ import annotations

from typing import Any

import click

from facademap.cli.show import Show, command_options


@click.command("variation")
@click.argument("project", type=click.Path())
@click.argument("variation", required=False)
@click.option("--what", default="", help="What is added or left out.")
@click.option("--reason", default="", help="Why.")
@click.option("--repair", help="Id of the repair that it is about.")
@click.option("--elevation", help="Id of the elevation that it is about.")
@click.option("--treatment", help="Treatment whose rate it takes, as in the bill.")
@click.option("--measure", help="What its quantity is of: removed_area_m2, length_m, count ...")
@click.option(
    "--quantity",
    type=float,
    help="How much more, in the unit of the bill (ft² in a project in inches); less with a minus.",
)
@click.option("--rate", type=float, help="Price of one such unit; else that of the office.")
@click.option("--amount", type=float, help="A fixed amount, in place of a quantity.")
@click.option("--currency", help="Currency of rate or amount, such as EUR.")
@click.option("--on", help="Day it was raised, or decided: YYYY-MM-DD.")
@click.option("--agree", "result", flag_value="agreed", help="It counts.")
@click.option("--refuse", "result", flag_value="refused", help="It does not; needs --note.")
@click.option("--take-back", "result", flag_value="open", help="The decision is taken back.")
@click.option(
    "--contract", is_flag=True, help="Keep the quantities of now for those of the contract."
)
@click.option("--again", is_flag=True, help="Replace the contract that is kept.")
@click.option("--by", default="", help="Who decided.")
@click.option("--note", help="Remark; a refusal says why.")
@command_options
def command(
    project: str,
    variation: str | None,
    what: str,
    reason: str,
    on: str | None,
    result: str | None,
    by: str,
    note: str | None,
    contract: bool,
    again: bool,
    show: Show,
    **told: Any,
) -> None:
    """Raise a variation on PROJECT, decide on VARIATION, or list all.

    Only what is agreed, by name and day, stands in the sum of the bill. --contract keeps the quantities as they are
    now, and the bill sets against them what is designed or cut later.
    """
    from facademap.errors import InputError
    from facademap.tasks.record.variations import (
        decide_variation,
        fix_contract,
        list_variations,
        raise_variation,
    )

    if contract:
        kept = fix_contract(project, by=by, on=on, again=again)
        many = len(kept["quantities"])
        show.result(
            kept, text=f"contract of {kept['on']}, agreed by {kept['by']}: {many} quantities"
        )
        return
    if variation is not None:
        if result is None:
            raise InputError(
                f"nothing is said of variation {variation}",
                "Give --agree, --refuse or --take-back.",
            )
        row = decide_variation(project, variation, result, by=by, on=on, note=note)
    elif what or reason or any(v is not None for v in told.values()):
        row = raise_variation(project, what=what, reason=reason, raised_on=on, note=note, **told)
    else:
        rows = list_variations(project)
        show.result(
            {"variations": rows}, text=[_line(r) for r in rows] or "no variation has been raised"
        )
        return
    show.result(row, text=_line(row))


def _line(row: dict[str, object]) -> str:
    decided = (
        f"{row['result']} by {row['agreed_by']} on {row['agreed_on']}"
        if row["agreed_by"]
        else "open, not in the sum"
    )
    return f"{row['id']}: {row['what']} ({row['reason']}): {decided}"
