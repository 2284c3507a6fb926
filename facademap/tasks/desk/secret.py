"""The secret of a server that others can reach: asked for, read from a file or the environment, and strong enough."""

from __future__ import annotations

import os
import secrets
import sys
from collections.abc import Callable, MutableMapping
from pathlib import Path

from facademap.errors import FileError, InputError

__all__ = ["SECRET_VARIABLE", "check_secret", "find_secret"]

SECRET_VARIABLE = "FACADEMAP_SECRET"
SHORTEST_SECRET = 12
#: Guesses that a secret must stand, as a power of ten. A server that lets a stranger try once a minute at last takes
#: longer than a building stands; whoever steals the digest that is kept still needs weeks. Common practice.
LEAST_GUESSES_LOG10 = 10.0
#: The estimate looks at so many characters; more are only better.
ESTIMATED = 72
LONGEST_SECRET = 400


def find_secret(
    *,
    file: Path | None = None,
    environment: MutableMapping[str, str] = os.environ,
    ask: Callable[[], str] | None = None,
) -> str:
    """The secret from a file, else from the environment, else asked for; empty when there is none.

    Parameters
    ----------
    file : Path, optional
        Its first line.
    environment : mapping
        ``FACADEMAP_SECRET`` is taken out of it, so that no process started later inherits it.
    ask : callable, optional
        Asks the person at the terminal.

    Raises
    ------
    FileError
        The file cannot be read or is empty.
    """
    inherited = environment.pop(SECRET_VARIABLE, "")
    if file is not None:
        try:
            with file.open(encoding="utf-8") as lines:
                found = lines.readline(LONGEST_SECRET + 2).strip()
        except (OSError, ValueError) as error:
            reason = error.strerror if isinstance(error, OSError) else "it is not text"
            raise FileError(
                f"{file}: the secret cannot be read ({reason})",
                "Give a text file whose first line is the secret.",
            ) from None
        if not found:
            raise FileError(f"{file}: no secret in its first line", "Write the secret there.")
        return found
    if inherited:
        return inherited
    return ask() if ask is not None and sys.stdin.isatty() else ""


def check_secret(secret: str, *, words: tuple[str, ...] = ()) -> str:
    """The secret, once it is strong enough.

    Parameters
    ----------
    secret : str
    words : tuple of str
        What a stranger would try first, such as the name of the project.

    Raises
    ------
    InputError
        Too short, too long, or guessed too soon.

    References
    ----------
    D. L. Wheeler, zxcvbn: low-budget password strength estimation, USENIX Security 2016, as the library estimates it.
    """
    from zxcvbn import zxcvbn

    remedy = f"Use a sentence of several words, or this: {secrets.token_urlsafe(15)}"
    if len(secret) < SHORTEST_SECRET:
        raise InputError(
            f"a secret of {len(secret)} characters",
            f"Use {SHORTEST_SECRET} characters or more. {remedy}",
        )
    if len(secret) > LONGEST_SECRET or not secret.isprintable():
        raise InputError(
            "a secret with signs that cannot be typed, or of enormous length", remedy + "."
        )
    told = zxcvbn(secret[:ESTIMATED], user_inputs=["facademap", "survey desk", *words])
    if float(told["guesses_log10"]) < LEAST_GUESSES_LOG10:
        why = " ".join(str(told["feedback"]["warning"] or "").split()).rstrip(".")
        raise InputError(
            f"a secret that is soon guessed{f' ({why.lower()})' if why else ''}", remedy + "."
        )
    return secret
