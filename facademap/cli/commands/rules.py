"""``facademap rules``: show, check or copy the treatment rules and the trade values."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command(name="rules")
@click.option(
    "--rules",
    "rules_path",
    type=click.Path(path_type=Path),
    help="Rule table to read instead of the packaged one.",
)
@click.option(
    "--profile",
    default="metric",
    show_default=True,
    help="Trade values: metric, inch or the path of a .toml file.",
)
@click.option(
    "--copy-to",
    type=click.Path(path_type=Path),
    help="Write copies of both into this folder, to be edited.",
)
@command_options
def command(rules_path: Path | None, profile: str, copy_to: Path | None, show: Show) -> None:
    """Show the rules that decide treatments and check the profile, each with source and status."""
    from facademap.errors import FileError
    from facademap.io.rule_files import load_profile, load_rules, profile_text, rules_text
    from facademap.io.whole_files import make_folder, write_whole
    from facademap.repair.profile_checks import check_profile

    table, settings = load_rules(rules_path), load_profile(profile)
    checks = check_profile(settings)
    written = []
    if copy_to is not None:
        make_folder(copy_to)
        for name, text in (
            ("rules.toml", rules_text(rules_path)),
            (f"{settings.name}.toml", profile_text(profile)),
        ):
            target = copy_to / name
            if target.exists():
                raise FileError(
                    f"{target}: exists already", "Choose another folder, or move it away."
                )
            write_whole(target, text)
            written.append(str(target))
    values = {
        "rules": [
            {
                "name": r.name,
                "rank": r.rank,
                "treatment": r.treatment,
                "needs_cause": r.needs_cause,
                "source": r.source,
                "status": r.status,
                "reason": r.reason,
            }
            for r in table.rules
        ],
        "profile": settings.name,
        "values": [{**settings.says(n), "note": v.note} for n, v in settings.values.items()],
        "checks": [
            {"name": c.name, "passed": c.passed, "says": c.says, "source": c.source} for c in checks
        ],
        "written": written,
    }
    lines = [f"rules: {table.name}"]
    lines += [
        f"  {r.rank:>3}  {r.name:<24} {r.treatment:<14} [{r.status}] {r.source}"
        for r in table.rules
    ]
    lines += [f"profile: {settings.name}, {settings.title}"]
    if show.verbose:
        lines += [
            f"  {n:<28} {v.value:g} {v.unit}  [{v.status}] {v.source}"
            for n, v in settings.values.items()
        ]
    lines += [f"  {'keeps' if c.passed else 'BREAKS'} {c.name}: {c.says}" for c in checks]
    lines += [f"written: {w}" for w in written]
    show.result(values, text=lines)
