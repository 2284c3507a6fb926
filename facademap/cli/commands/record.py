"""``facademap record``: stages, checks and the cut-out as measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command(name="record")
@click.argument("project", type=click.Path())
@click.argument("repair", required=False)
@click.option("--stage", help="Stage to enter.")
@click.option("--check", "criterion", help="Criterion that was checked.")
@click.option(
    "--result",
    type=click.Choice(["pass", "redo", "not applicable"]),
    help="For what a person sees.",
)
@click.option(
    "--cut-out",
    is_flag=True,
    help="The values are those of the cut-out as cut: widths, heights, diagonals, depths.",
)
@click.option(
    "--value",
    "values",
    multiple=True,
    help="NAME_UNIT=1,2,3, such as diagonals_mm=421,422 or depths_in=1.5,1.5,1.6,1.5.",
)
@click.option(
    "--deeper",
    help="Decay proved this deep, such as 85mm or 3.5in: the repair goes back to design.",
)
@click.option(
    "--correct",
    "corrects",
    help="Entry to correct; with --check values it is said rightly, else it is taken back.",
)
@click.option(
    "--at", help="When it was done, such as 2027-05-04T15:30:00+00:00; now, when not given."
)
@click.option("--mason", help="Who did it; may be left out.")
@click.option("--reason", help="Why; needed for redo, on hold, going back and corrections.")
@click.option("--photo", help="Id of a photo that shows it.")
@click.option(
    "--slot",
    type=click.Choice(["before", "cut out", "dry fit", "bond side", "set", "after"]),
    help="Place of the photo in the photo sequence of the repair.",
)
@command_options
def command(
    project: str,
    repair: str | None,
    stage: str | None,
    criterion: str | None,
    result: str | None,
    cut_out: bool,
    values: tuple[str, ...],
    deeper: str | None,
    corrects: str | None,
    at: str | None,
    mason: str | None,
    reason: str | None,
    photo: str | None,
    slot: str | None,
    show: Show,
) -> None:
    """Record work on REPAIR; without options, show where it stands."""
    from facademap.errors import InputError
    from facademap.tasks.record import work

    chosen = [
        n
        for n, v in (
            ("--stage", stage),
            ("--check", criterion if not corrects else None),
            ("--cut-out", cut_out),
            ("--deeper", deeper),
            ("--correct", corrects),
            ("--slot", slot),
        )
        if v
    ]
    if len(chosen) > 1:
        raise InputError(f"{' and '.join(chosen)} at once", "Record one thing at a time.")
    when, measured = _time(at), _measured(values)
    if corrects:
        changes = {
            k: v
            for k, v in (
                ("check", criterion),
                ("result", result),
                ("measured", measured),
                ("photo", photo),
            )
            if v
        }
        entry = work.correct(
            project, corrects, reason=reason or "", changes=changes or None, at=when, mason=mason
        )
        show.result(entry, text=f"{entry['id']} corrects {corrects}")
        return
    if repair is None:
        raise InputError("no repair named", "Name a repair, such as R-012.")
    if slot:
        from facademap.tasks.record.setting import record_photo

        if photo is None:
            raise InputError("--slot without a photo", "Name it with --photo.")
        entry = record_photo(project, repair, slot, photo, at=when, mason=mason)
        show.result(entry, text=f"{repair}: photo {photo}, {slot} ({entry['id']})")
    elif stage:
        entry = work.move_on(
            project, repair, stage, at=when, mason=mason, reason=reason, photo=photo
        )
        show.result(
            entry, text=[f"{repair}: {stage} ({entry['id']})", *filter(None, [entry["asks"]])]
        )
    elif criterion:
        entry = work.record(
            project,
            repair,
            criterion,
            measured=measured,
            result=result,
            reason=reason,
            at=when,
            mason=mason,
            photo=photo,
        )
        show.result(
            entry,
            text=f"{repair}, {criterion}: {entry['result']} ({entry['id']}). {entry['reason']}",
        )
    elif cut_out:
        found = work.record_cut_out(project, repair, measured or {})
        lines = [
            f"{repair}: cut-out measured, {found['depth_m'] * 1000:.0f} mm deep",
            *found["notes"],
        ]
        if found["deeper"]:
            lines.append("Deeper than drawn: send it back to design with --deeper.")
        if found["place_fits"] is False:
            lines.append(
                f"The reserved place no longer fits: {found['place_problem']}; match again before sawing."
            )
        show.result(found, text=lines)
    elif deeper:
        depth = _lengths(deeper.replace("mm", " mm").replace("in", " in"))
        entry = work.send_back(
            project, repair, depth_m=depth, reason=reason or "", at=when, mason=mason
        )
        show.result(
            entry,
            text=f"{repair}: back to design, decay {depth * 1000:.0f} mm deep; plan and match again",
        )
    else:
        state = work.work_state(project, repair)
        lines = [
            f"{repair}: {state['treatment']}, {state['stage']}; next: {', '.join(state['next']) or 'nothing'}"
        ]
        lines += filter(None, [state["asks"]])
        lines += _steps(state["steps"], {c["criterion"]: c["text"] for c in state["checks"]}) or [
            f"  {c['result']:<14} {c['criterion']} (before {c['before']}): {c['text']}"
            for c in state["checks"]
        ]
        show.result(state, text=lines)


def _steps(steps: Sequence[Mapping[str, Any]], texts: Mapping[str, str]) -> list[str]:
    """The steps as on the setting sheet, with what was found and photographed."""
    lines = []
    for step in steps:
        photo = (
            f"   [photo {step['photo']}: {', '.join(step['photos']) or 'none yet'}]"
            if step["photo"]
            else ""
        )
        lines.append(f"{step['step']:>2}  {step['title']}{photo}")
        lines += [f"      {r:<14} {n}: {texts.get(n, '')}" for n, r in step["checks"].items()]
        if step["hold"]:
            lines.append(f"      HOLD before {step['before']}: {step['hold']}")
    return lines


def _time(text: str | None):  # type: ignore[no-untyped-def]
    import datetime as dt

    from facademap.errors import InputError

    if text is None:
        return None
    try:
        value = dt.datetime.fromisoformat(text)
    except ValueError:
        raise InputError(f"{text!r} is no time", "Write it as 2027-05-04T15:30:00+00:00.") from None
    return value if value.tzinfo else value.astimezone()


def _lengths(text: str) -> float:
    from facademap.errors import InputError
    from facademap.units import m_from_inches, m_from_mm

    number, _, unit = text.strip().partition(" ")
    try:
        value = float(number)
        return {"mm": m_from_mm, "in": m_from_inches}[unit.strip()](value)
    except (ValueError, KeyError):
        raise InputError(f"{text!r} is no length", "Write it as 85mm or 3.5in.") from None


def _measured(values: tuple[str, ...]):  # type: ignore[no-untyped-def]
    from facademap.errors import InputError
    from facademap.units import m_from_inches, m_from_mm

    result = {}
    for entry in values:
        name, sign, numbers = entry.partition("=")
        try:
            listed = [float(x) for x in numbers.split(",")]
        except ValueError:
            listed = []
        if not sign or not listed:
            raise InputError(f"value {entry!r}", "Write it as diagonals_mm=421,422.")
        for unit, turn in (("_mm", m_from_mm), ("_in", m_from_inches)):
            if name.endswith(unit):
                name, listed = name.removesuffix(unit) + "_m", [turn(x) for x in listed]
        result[name] = listed if len(listed) > 1 or name.endswith("s_m") else listed[0]
    return result or None
