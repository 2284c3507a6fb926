"""``facademap stone``: stone asked for where the yard lacks it, from the enquiry to the delivery."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from facademap.cli.show import Show, command_options


@click.command("stone")
@click.argument("project", type=click.Path(path_type=Path))
@click.argument("enquiry", required=False)
@click.option("--ask", "stone_type", help="Local name of the stone to ask for.")
@click.option("--supplier", default="", help="Quarry or yard asked.")
@click.option("--piece", "pieces", multiple=True, help="Piece that waits for it; repeatable.")
@click.option("--sample", is_flag=True, help="A sample came.")
@click.option("--photo", help="Id of a photo of the sample.")
@click.option("--lab", nargs=3, type=float, help="Its colour, measured dry: CIELAB D50.")
@click.option("--test", help="What was tested on the sample.")
@click.option("--value", default="", help="What came out, with its unit.")
@click.option(
    "--result",
    type=click.Choice(("pass", "fail", "open")),
    default="open",
    show_default=True,
    help="Whether that is enough.",
)
@click.option("--approve", "approve", flag_value="yes", help="The sample may be ordered.")
@click.option("--refuse", "approve", flag_value="no", help="It may not.")
@click.option("--finding", help="What the sample showed; a refusal needs it.")
@click.option("--order", is_flag=True, help="It is ordered.")
@click.option("--volume", "volume_m3", type=float, default=0.0, help="Cubic metres ordered.")
@click.option("--price", help="Price as quoted, with its currency.")
@click.option("--due", help="Day it is promised: YYYY-MM-DD.")
@click.option(
    "--delivered",
    type=click.Path(path_type=Path),
    help="It came: table of its blocks, as add-blocks reads.",
)
@click.option("--by", default="", help="Who tested, decided or ordered.")
@click.option("--on", help="Day: YYYY-MM-DD; today when not given.")
@click.option("--note", help="Remarks, for a new enquiry.")
@command_options
def command(project: Path, enquiry: str | None, show: Show, **told: Any) -> None:
    """Ask for stone that the blocks of PROJECT cannot give, carry ENQUIRY on, or list all.

    Sample, tests, decision, order and delivery follow each other; what was delivered becomes blocks of the yard. The sheet
    for the quarry is made by facademap papers --only enquiries.
    """
    from facademap.errors import InputError
    from facademap.tasks.yard.orders import ask_for_stone, list_orders

    if enquiry is not None:
        row = _carried_on(project, enquiry, told)
        for note in row.pop("notes", ()):
            show.say(f"note: {note}")
    elif told["stone_type"] is not None:
        row = ask_for_stone(
            project,
            stone_type=told["stone_type"],
            supplier=told["supplier"],
            pieces=told["pieces"],
            on=told["on"],
            note=told["note"],
        )
    elif any(told[k] for k in ("sample", "test", "approve", "order", "delivered", "supplier")):
        raise InputError("no enquiry is named", "Name one, such as A-001, after the project.")
    else:
        rows = list_orders(project)
        show.result(
            {"orders": rows}, text=[_line(r) for r in rows] or "no stone has been asked for"
        )
        return
    show.result(row, text=_line(row))


def _carried_on(project: Path, enquiry: str, told: dict[str, Any]) -> dict[str, Any]:
    from facademap.errors import InputError
    from facademap.tasks.yard import orders as task

    by, on = told["by"], told["on"]
    asked = [k for k in ("sample", "test", "approve", "order", "delivered") if told[k]]
    if len(asked) != 1:
        raise InputError(
            f"{'nothing' if not asked else 'more than one thing'} is said of {enquiry}",
            "Give one of --sample, --test, --approve, --refuse, --order and --delivered.",
        )
    match asked[0]:
        case "sample":
            return task.take_sample(
                project, enquiry, on=on, photo=told["photo"], lab=told["lab"] or None
            )
        case "test":
            return task.add_test(
                project,
                enquiry,
                test=told["test"],
                value=told["value"],
                result=told["result"],
                by=by,
                on=on,
            )
        case "approve":
            return task.decide_sample(
                project,
                enquiry,
                approve=told["approve"] == "yes",
                by=by,
                finding=told["finding"],
                on=on,
            )
        case "order":
            return task.order_stone(
                project,
                enquiry,
                by=by,
                volume_m3=told["volume_m3"],
                price=told["price"],
                due=told["due"],
                on=on,
            )
        case _:
            return task.take_delivery(project, enquiry, told["delivered"], on=on)


def _line(row: dict[str, Any]) -> str:
    said = [f"{row['id']}: {row['stone_type']} from {row['supplier']}: {row['state']}"]
    said.append(f"{len(row['pieces'])} pieces wait for it")
    if row["colour_difference"] is not None:
        said.append(f"sample {row['colour_difference']:.1f} CIEDE2000 from the colour wanted")
    said += [f"{t['name']} {t['value']} ({t.get('result', 'open')})" for t in row["tests"]]
    if row["decided_by"]:
        said.append(f"decided by {row['decided_by']}, {row['decided_on']}")
    if row["blocks"]:
        said.append(f"blocks {', '.join(row['blocks'])}")
    return "; ".join(said)
