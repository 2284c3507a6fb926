"""``facademap survey-report``: accuracy, residual arrows and control of every rectified picture."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command("survey-report")
@click.argument("project", type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), help="Folder to write to. Default: PROJECT/out."
)
@command_options
def command(project: Path, out: Path | None, show: Show) -> None:
    """Write accuracy, residual arrows and control of every surface of PROJECT, and a contact sheet of its photos."""
    from facademap.report.proof_words import in_inches
    from facademap.report.scales import coarser_scale
    from facademap.tasks.survey.survey_report import make_survey_report

    result = make_survey_report(project, out=out)

    def line(name: str, s: dict) -> str:  # type: ignore[type-arg]
        error = s["accuracy"] if s["error_m"] is None else f"{s['error_m'] * 1000:.1f} mm"
        if s["error_m"] is not None:
            error = f"{in_inches(error) if result['inches'] else error} ({s['error_source']})"
        good = s["scale"]
        if good is not None and result["inches"]:
            good = f"{coarser_scale(good, inches=True):g}"
        scale = "" if good is None else f", good for 1:{good}"
        return f"{name}: {error}{scale}, {len(s['warnings'])} warning(s)"

    show.result(
        result,
        text=[
            *(line(n, s) for n, s in result["surfaces"].items()),
            f"{len(result['files'])} files in {result['out']}",
        ],
    )
