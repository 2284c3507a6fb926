"""``facademap plan``: treatments, cut-outs and pieces for every condition."""

from __future__ import annotations

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command(name="plan")
@click.argument("project", type=click.Path())
@click.option("--profile", help="Trade values: metric, inch or the path of a .toml file.")
@click.option("--rules", "rules_path", type=click.Path(), help="Rule table of your office (.toml).")
@click.option(
    "--dust",
    "dust",
    multiple=True,
    metavar="TASK,HOURS[,PLACE]",
    help="Dusty task you choose, hours a shift, outdoors or enclosed; kept in the project.",
)
@click.option(
    "--fixing",
    type=click.Choice(["before", "through face", "resin"]),
    help="How rods are set: in the wall before the piece, through its face after setting, or in resin; kept in the project.",
)
@click.option(
    "--fixing-for",
    "fixing_for",
    multiple=True,
    metavar="REPAIR=WAY",
    help="How one repair is set, such as 'R-012=resin' or 'R-012=before, down 5' (degrees down, up, left, right); "
    "gone through before it is kept; 'R-012=' takes it back.",
)
@click.option("--mix", help="Lime mix of the project, such as 'NHL 3.5 1:2.5'; kept in it.")
@click.option(
    "--mix-for",
    "mix_for",
    multiple=True,
    metavar="REPAIR=MIX",
    help="Lime mix of one repair, such as 'R-012=NHL 2 1:3'; kept in the project.",
)
@click.option("--who", default="facademap plan", help="Name kept in the history.")
@command_options
def command(
    project: str,
    profile: str | None,
    rules_path: str | None,
    dust: tuple[str, ...],
    fixing: str | None,
    fixing_for: tuple[str, ...],
    mix: str | None,
    mix_for: tuple[str, ...],
    who: str,
    show: Show,
) -> None:
    """Decide treatments and set out cut-outs and pieces.

    Repairs that were approved or carried further are left alone. Defer to local codes and licensed practice.
    """
    from facademap.errors import InputError
    from facademap.report.measures import Measures
    from facademap.tasks.plan.plan import choose_dust_tasks, choose_mix, plan_project

    if dust:
        choose_dust_tasks(project, [entry.split(",") for entry in dust], who=who)
    if mix:
        choose_mix(project, mix, who=who)
    for entry in mix_for:
        repair, sign, own = entry.partition("=")
        if not sign:
            raise InputError(
                f"{entry!r} names no mix", "Write it as REPAIR=MIX, such as 'R-012=NHL 2 1:3'."
            )
        choose_mix(project, own.strip(), repairs=[repair.strip()], who=who)
    for entry in fixing_for:
        from facademap.repair.ways import parse_way
        from facademap.tasks.plan.ways import choose_way

        repair, sign, own = entry.partition("=")
        if not sign:
            raise InputError(
                f"{entry!r} names no way of setting", "Write it as 'R-012=before, down 5'."
            )
        way = parse_way(own) if own.strip() else None
        told = choose_way(project, repair.strip(), way, who=who)
        show.say(f"{told['repair']}: {told['words']}, gone through")
    with show.progress("planning repairs") as progress:
        summary = plan_project(
            project,
            profile=profile,
            rules_path=rules_path,
            fixing=fixing,
            who=who,
            progress=progress,
        )
    say = Measures(summary["inches"])
    for gap in summary["gaps"] if show.verbose else summary["gaps"][:5]:
        show.say(
            f"gap: {gap['about']}: {say.sentence(gap['problem'])}; fix: {say.sentence(gap['remedy'])}"
        )
    if len(summary["gaps"]) > 5 and not show.verbose:
        show.say(f"gap: and {len(summary['gaps']) - 5} more; -v shows all")
    for bay in summary["bays_overloaded"]:
        show.say(
            f"caution: {bay['pieces']} pieces, {say.weight(bay['mass_kg'], decimals=0)}, for {bay['surface']} lift {bay['lift']} bay {bay['bay']} would load the scaffold "
            f"with {bay['load_kn_per_m2']:.1f} of {bay['allowed_kn_per_m2']:.1f} kN/m2 if stacked at once; bring up the day's stone only"
        )
    if summary["unconfirmed"]:
        show.say(
            f"note: {summary['unconfirmed']} proposed conditions wait to be confirmed at the desk: nothing is planned for them"
        )
    kinds = ", ".join(f"{n} {t}" for t, n in summary["treatments"].items())
    show.result(
        summary,
        text=[
            f"{summary['conditions']} conditions, {summary['repairs']} repairs ({kinds}), {summary['pieces']} pieces to cut",
            f"original stone removed: {say.area(summary['removed_area_m2'])}, {say.stone(summary['removed_volume_m3'])}, "
            f"{summary['removed_share']:.2%} of the stone faces",
            f"held back until the cause is settled: {summary['held_back']}; gaps: {len(summary['gaps'])}; "
            f"left as approved: {summary['untouched']}",
        ],
    )
