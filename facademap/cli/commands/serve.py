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
    help="Address to listen on; others than this machine need a secret, which is asked for.",
)
@click.option(
    "--secret-file",
    type=click.Path(path_type=Path),
    help="File whose first line is the secret of the team. FACADEMAP_SECRET in the environment does as well.",
)
@click.option("--secret", hidden=True, default=None, help="Refused: others could read it.")
@click.option(
    "--tls",
    type=click.Path(path_type=Path),
    nargs=2,
    metavar="CERT KEY",
    help="PEM files of a certificate and its key. Phones need TLS for the camera and for work without a network.",
)
@click.option(
    "--public",
    default="",
    metavar="ADDRESS",
    help="Address of a reverse proxy through which people come, such as https://desk.example.org/.",
)
@click.option(
    "--model",
    type=click.Path(path_type=Path),
    help="ONNX file of a segmentation model of your own, for outlines from a click.",
)
@click.option(
    "--accounts",
    is_flag=True,
    help="Everybody has an account of their own, kept by the database of the project (see facademap people).",
)
@click.option(
    "--queue",
    is_flag=True,
    help="Long work goes to the workers of the project's database (see facademap jobs) instead of being done here.",
)
@click.option("--no-browser", is_flag=True, help="Do not open the browser.")
@command_options
def command(
    project: Path,
    port: int | None,
    host: str,
    secret_file: Path | None,
    secret: str | None,
    tls: tuple[Path, Path] | None,
    public: str,
    model: Path | None,
    accounts: bool,
    queue: bool,
    no_browser: bool,
    show: Show,
) -> None:
    """Open the survey desk: digitise, class, plan, match and record in the browser.

    Works on this machine alone unless --host or --public is given; then everybody signs in with a name and the
    secret of the team, or, with --accounts, with their own. Stop it with Ctrl-C; every edit is stored the moment it is made.
    """
    from facademap.errors import InputError
    from facademap.tasks.desk.secret import SECRET_VARIABLE, find_secret
    from facademap.tasks.desk.serve import needs_secret, plan_server
    from facademap.web.server import run

    if secret is not None:
        raise InputError(
            "a secret on the command line can be read by everybody on this machine",
            f"Leave --secret out to be asked, set {SECRET_VARIABLE}, or use --secret-file.",
        )
    ask = _ask if needs_secret(host, public) and not accounts else None
    found = find_secret(file=secret_file, ask=ask)
    plan = plan_server(
        project,
        host=host,
        port=port,
        secret=found,
        tls=tls,
        public=public,
        model=model,
        accounts=accounts,
        queue=queue,
    )
    show.result(
        {"address": plan.address, "project": str(plan.folder)}, text=f"survey desk: {plan.address}"
    )
    if found:
        show.say("everybody signs in there with a name and the secret; /sign-ins shows who did")
    if accounts:
        show.say("everybody signs in there with an account; /sign-ins shows who did")
    if (found or accounts) and not plan.address.startswith("https:"):
        show.say(
            "without TLS whoever listens on the network can read along: use --tls CERT KEY, or a proxy with --public"
        )
    show.say("Ctrl-C stops it")
    run(plan, open_browser=not no_browser)


def _ask() -> str:
    """The secret, typed twice and not shown."""
    said: str = click.prompt(
        "Secret of the team (12 signs or more, several words do well)",
        hide_input=True,
        confirmation_prompt="Once more",
        err=True,
    )
    return said
