"""``facademap serve``: the survey desk in the browser."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.show import Show, command_options


@click.command()
@click.argument("project", type=click.Path(path_type=Path))
@click.option(
    "--port", type=click.IntRange(0, 65535), help="Port; a free one from 8471 on when left out."
)
@click.option(
    "--host",
    default="127.0.0.1",
    show_default=True,
    help="Address to listen on; others need --secret.",
)
@click.option(
    "--secret", default="", help="Secret that everybody must know who works here over a network."
)
@click.option(
    "--model",
    type=click.Path(path_type=Path),
    help="ONNX file of a segmentation model of your own, for outlines from a click.",
)
@click.option("--no-browser", is_flag=True, help="Do not open the browser.")
@command_options
def command(
    project: Path,
    port: int | None,
    host: str,
    secret: str,
    model: Path | None,
    no_browser: bool,
    show: Show,
) -> None:
    """Open the survey desk: digitise, class, plan, match and record in the browser.

    Works on this machine alone unless --host and --secret are given. Stop it with Ctrl-C; every edit is
    stored the moment it is made.
    """
    from facademap.tasks.desk.serve import plan_server
    from facademap.web.server import run

    plan = plan_server(project, host=host, port=port, secret=secret, model=model)
    show.result(
        {"address": plan.address, "project": str(plan.folder)}, text=f"survey desk: {plan.address}"
    )
    if secret:
        show.say("sign in with the secret, or open the address with ?key=SECRET once")
    show.say("Ctrl-C stops it")
    run(plan, open_browser=not no_browser)
