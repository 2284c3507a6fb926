"""The command ``facademap``: finds its sub-commands by file name and loads only the one asked for."""

from __future__ import annotations

import contextlib
import importlib
import re
import traceback
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import click

from facademap import __version__
from facademap.cli.show import show_failure
from facademap.errors import FacademapError, InputError
from facademap.no_secrets import without_secrets

__all__ = ["main"]


@cache
def _modules() -> dict[str, Path]:
    """The file of every command, by its name."""
    files = sorted((Path(__file__).parent / "commands").glob("[a-z]*.py"))
    return {file.stem.replace("_", "-"): file for file in files}


def _in_short(file: Path) -> str:
    """What a command is for: the first line of its module, which need not be loaded for it."""
    with file.open(encoding="utf-8") as lines:
        first = lines.readline()
    said = re.match(r'"""``[^`]*``: (.+)\."""$', first.rstrip())
    return said[1][:1].upper() + said[1][1:] if said else ""


class _Commands(click.Group):
    """One module of ``facademap.cli.commands`` is one command: ``add_blocks.py`` is ``add-blocks``."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_modules())

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, _in_short(file)) for name, file in _modules().items()])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _modules():
            return None
        module = importlib.import_module(f"facademap.cli.commands.{cmd_name.replace('-', '_')}")
        command = module.command
        assert isinstance(command, click.Command)
        command.name = cmd_name
        return command

    def main(self, args: Sequence[str] | None = None, **extra: Any) -> Any:  # type: ignore[override]
        """Run, and turn every foreseen error into one line and exit code 2."""
        import sys

        _keep_stdout_for_results()
        _say_nothing_of_undecodable_messages()
        argv = list(sys.argv[1:] if args is None else args)
        extra.pop("standalone_mode", None)
        try:
            argv = _with_folders(argv)
            result = super().main(argv, standalone_mode=False, **extra)
        except FacademapError as error:
            show_failure(error, as_json="--json" in argv)
            sys.exit(2)
        except click.exceptions.Abort:
            click.echo("stopped: nothing half-written was kept", err=True)
            sys.exit(130)
        except click.ClickException as error:
            named = f" {argv[0]}" if argv and argv[0] in _modules() else ""
            show_failure(
                FacademapError(
                    error.format_message().rstrip("."),
                    f"See facademap{named} --help for the words of the call.",
                ),
                as_json="--json" in argv,
            )
            sys.exit(2)
        except BrokenPipeError:  # the reader of our output has gone, as with head
            sys.exit(141)
        except OSError as error:
            show_failure(_from_os_error(error), as_json="--json" in argv)
            sys.exit(2)
        except (ArithmeticError, LookupError, RuntimeError, TypeError, ValueError) as error:
            if str(error).startswith("Symlink loop"):
                named = str(error).partition("'")[2].rstrip("'")
                show_failure(
                    FacademapError(
                        f"{named} is a link that leads back to itself", "Give the file itself."
                    ),
                    as_json="--json" in argv,
                )
                sys.exit(2)
            # foreseen faults have an error of their own; what is left is a fault of ours, which people
            # meet in one line, and developers with its trace
            if {"-v", "--verbose"} & set(argv):
                click.echo(without_secrets(traceback.format_exc()), err=True)
                sys.exit(1)
            show_failure(
                FacademapError(
                    f"this could not be worked out ({type(error).__name__}: {str(error)[:120]})",
                    "Check the input for values that cannot be; with -v the place in the program is shown.",
                ),
                as_json="--json" in argv,
            )
            sys.exit(2)
        except MemoryError:
            show_failure(
                FacademapError(
                    "the machine has not enough memory for this",
                    "Use a coarser ground sample distance or a smaller extent.",
                ),
                as_json="--json" in argv,
            )
            sys.exit(2)
        sys.exit(result if isinstance(result, int) else 0)


#: What was meant as the address of a database and is none.
_MISTYPED = re.compile(
    r"\A(?!postgres(ql)?://)(?i:postgres(ql)?:|[a-z][a-z0-9+.-]+:/[^\s@]*@|.*\bpassword\s*=)"
)
#: Commands that take the address of a database as it is.
_TAKE_ADDRESSES = (
    ["new"],
    ["copy"],
    ["bring-back"],
    ["estate"],
    ["jobs"],
    ["shared-yard", "match"],
)


def _with_folders(argv: list[str]) -> list[str]:
    """The words of a call with the folder that stands for a project in place of its address in a database."""
    if any(map(_MISTYPED.search, argv)):
        # taken for a folder, its password would be the name of one
        raise InputError(
            "the address of the database cannot be read",
            "Write postgresql://user@host:5432/database#project; keep a password in ~/.pgpass.",
        )
    at = next((n for n, w in enumerate(argv) if w.startswith(("postgresql://", "postgres://"))), 0)
    as_it_is = argv[:1] in _TAKE_ADDRESSES or argv[:2] in _TAKE_ADDRESSES
    if not at or as_it_is or argv[at - 1].startswith("--"):
        return argv
    from facademap.tasks.project.team import join_project

    return [*argv[:at], str(join_project(argv[at])), *argv[at + 1 :]]


@cache
def _say_nothing_of_undecodable_messages() -> None:
    """Drop the trace that the raster library prints when GDAL's warning repeats bytes of a damaged file that are no text.

    The warning says nothing that the reading does not say again, in an error that can be caught.
    """
    import sys

    before = sys.unraisablehook

    def tell(fault: Any) -> None:
        if not (fault.exc_type is UnicodeDecodeError and "log_error" in str(fault.object)):
            before(fault)

    sys.unraisablehook = tell


def _keep_stdout_for_results() -> None:
    """Leave stdout to what we print ourselves.

    A solver's native code prints a banner straight to file descriptor 1, where it would stand among the
    results. Our own stream keeps the real stdout, and the descriptor leads nowhere.
    """
    import atexit
    import os
    import sys

    try:
        if sys.stdout.fileno() != 1:
            return
        sys.stdout.flush()
        own = os.dup(1)
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        os.close(nowhere)
    except (OSError, ValueError, AttributeError):
        return
    sys.stdout = os.fdopen(
        own, "w", encoding=sys.stdout.encoding, errors=sys.stdout.errors, buffering=1
    )
    atexit.register(_close, sys.stdout)


def _close(stream: Any) -> None:
    """Close our stream before the interpreter ends; whoever read it may have gone."""
    with contextlib.suppress(OSError):
        stream.close()


def _from_os_error(error: OSError) -> FacademapError:
    import errno

    where = f"{error.filename}: " if error.filename else ""
    if error.errno == errno.ENOSPC:
        return FacademapError(
            f"{where}the disk is full", "Free some space and run the command again."
        )
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return FacademapError(
            f"{where}may not be written or read", "Change its permissions or choose another folder."
        )
    if error.errno == errno.ENOENT:
        return FacademapError(f"{where}does not exist", "Check the spelling of the path.")
    return FacademapError(
        f"{where}{error.strerror or error}", "Check the path and the disk, and try again."
    )


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="facademap")
def main() -> None:
    """Survey, plan, match and record stone repairs on historic facades.

    Photos become measured elevations, defects become classed outlines, salvaged blocks become an
    inventory, and every repair gets its stone.
    """
