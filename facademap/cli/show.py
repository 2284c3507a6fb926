"""What every command shares: ``--json``, ``-v``, ``--quiet``, progress and the one line of an error.

Results go to stdout, messages and progress to stderr.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import click

from facademap.cli.held import held
from facademap.errors import FacademapError, FileError, InputError

__all__ = ["Show", "command_options", "show_failure"]

_Function = TypeVar("_Function", bound=Callable[..., Any])


def command_options(function: _Function) -> _Function:
    """Add ``--json``, ``-v/--verbose``, ``--quiet`` and ``--limit``; the command receives one ``show`` argument."""

    @click.option("--json", "as_json", is_flag=True, help="Print the result as one JSON object.")
    @click.option("-v", "--verbose", is_flag=True, help="Say more about what is done.")
    @click.option("--quiet", is_flag=True, help="Print no progress and no messages.")
    @click.option(
        "--limit",
        "limits",
        multiple=True,
        metavar="NAME=NUMBER",
        help="Allow more, or less, than usual; facademap limits names them all.",
    )
    def wrapped(
        *args: Any, as_json: bool, verbose: bool, quiet: bool, limits: Sequence[str], **named: Any
    ) -> Any:
        show = Show(as_json=as_json, verbose=verbose, quiet=quiet)
        with held(limits, on_excess=lambda error: show_failure(error, as_json=as_json)):
            _refuse_unusable(named)
            return function(*args, show=show, **named)

    # click keeps the options of inner decorators in this list, so they must be carried over
    wrapped.__click_params__ = getattr(function, "__click_params__", []) + wrapped.__click_params__  # type: ignore[attr-defined]
    wrapped.__doc__ = function.__doc__
    wrapped.__name__ = function.__name__
    return wrapped  # type: ignore[return-value]


#: Parameters that name a file to be written; every other path is read.
_WRITTEN = frozenset(
    {
        "out",
        "out_path",
        "report",
        "report_path",
        "preview",
        "preview_path",
        "residuals",
        "residuals_path",
        "placement",
        "placement_path",
        "table_out",
        "geotiff",
        "section_out",
        "page_out",
        "elevation_out",
    }
)


def _refuse_unusable(named: Mapping[str, Any]) -> None:
    """What no command can work with: numbers that are none, results over their own source or over each other."""
    from facademap.io.whole_files import belongs_to_project, need_file

    for name, value in named.items():
        if isinstance(value, float) and not math.isfinite(value):
            raise InputError(f"--{name.replace('_', '-')} is {value}", "Give a finite number.")
    context = click.get_current_context(silent=True)
    paths: dict[str, list[Path]] = {}
    for parameter in context.command.params if context else ():
        if isinstance(parameter.type, click.Path) and named.get(str(parameter.name)):
            given = named[str(parameter.name)]
            paths[str(parameter.name)] = [
                Path(p) for p in (given if isinstance(given, tuple) else (given,))
            ]
    written = [
        (name, p) for name, all_paths in paths.items() if name in _WRITTEN for p in all_paths
    ]
    others = [
        (name, p) for name, all_paths in paths.items() if name not in _WRITTEN for p in all_paths
    ]
    for _, path in others:
        need_file(path)
    for number, (name, path) in enumerate(written):
        if belongs_to_project(path):
            raise FileError(
                f"--{name.removesuffix('_out').replace('_', '-')} {path} belongs to a project and is not replaced",
                "Give the path of another file.",
            )
        if path.exists() and not path.is_file() and not path.is_dir():
            raise FileError(f"{path}: is a device, not a file", "Give the path of a file to write.")
        for what, them in (("its own input", others), ("another result", written[:number])):
            if (
                any(os.path.realpath(path) == os.path.realpath(other) for _, other in them)
                and not path.is_dir()
            ):
                raise InputError(
                    f"--{name.removesuffix('_out').replace('_', '-')} {path} would overwrite {what}",
                    "Give it a path of its own.",
                )


@dataclass(frozen=True, slots=True, kw_only=True)
class Show:
    """How a command speaks to its caller."""

    as_json: bool = False
    verbose: bool = False
    quiet: bool = False

    def result(self, values: Mapping[str, Any], *, text: str | Iterable[str] = ()) -> None:
        """Print the result: JSON when asked for, else the lines of ``text``."""
        if self.as_json:
            click.echo(json.dumps(_plain(values), ensure_ascii=False, allow_nan=False))
            return
        for line in [text] if isinstance(text, str) else text:
            click.echo(line)

    def say(self, message: str) -> None:
        """A message for the person at the terminal."""
        if not self.quiet:
            click.echo(message, err=True)

    def detail(self, message: str) -> None:
        """A message that is shown only with ``-v``."""
        if self.verbose and not self.quiet:
            click.echo(message, err=True)

    @contextlib.contextmanager
    def progress(self, label: str) -> Iterator[Callable[[float], None]]:
        """A progress bar; the body calls the yielded function with the fraction done (0 to 1)."""
        if self.quiet or not sys.stderr.isatty():
            if not self.quiet:
                click.echo(f"{label} ...", err=True)
            yield lambda fraction: None
            return
        with click.progressbar(length=1000, label=label, file=sys.stderr) as bar:

            def update(fraction: float) -> None:
                bar.update(max(0, int(min(1.0, fraction) * 1000) - bar.pos))

            yield update
            update(1.0)


def _plain(value: Any) -> Any:
    """Numbers, text, lists and mappings only; NaN becomes null, since JSON has no word for it."""
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_plain(v) for v in value]
    if (
        hasattr(value, "item")
        and not isinstance(value, (str, bytes))
        and getattr(value, "ndim", 0) == 0
    ):
        value = value.item()
    elif hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    return str(value)


def show_failure(error: FacademapError, *, as_json: bool) -> None:
    """Print one line on stderr and, when JSON was asked for, the same as an object on stdout."""
    click.echo(f"error: {error.problem}; fix: {error.remedy}", err=True)
    if as_json:
        faults = list(getattr(error, "faults", ()))
        body = {
            "error": {
                "type": type(error).__name__,
                "problem": error.problem,
                "remedy": error.remedy,
                "faults": faults,
            }
        }
        click.echo(json.dumps(body, ensure_ascii=False))
