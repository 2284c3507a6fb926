"""Write the page of commands from their own help: ``python -m docs.commands > docs/commands.md``."""

from __future__ import annotations

import click

from facademap.cli.main import main


def page() -> str:
    """The page as Markdown."""
    lines = [
        "# Commands",
        "",
        "Every command has `--json` (one JSON object on stdout), `-v` and `--quiet`. Bad input gives one line and exit code 2.",
        "",
    ]
    context = click.Context(main, info_name="facademap")
    for name in main.list_commands(context):
        command = main.get_command(context, name)
        assert command is not None
        lines += _section(command, click.Context(command, info_name=f"facademap {name}"))
        if isinstance(command, click.Group):
            for inner in command.commands.values():
                lines += _section(
                    inner, click.Context(inner, info_name=f"facademap {name} {inner.name}")
                )
    return "\n".join(lines)


def _section(command: click.Command, context: click.Context) -> list[str]:
    return [f"## {context.info_name}", "", "```text", command.get_help(context).rstrip(), "```", ""]


if __name__ == "__main__":
    print(page())
