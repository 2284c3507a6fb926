"""Texts for people, logs and files without what looks like a secret."""

from __future__ import annotations

import re

__all__ = ["without_secrets"]

#: A password in an address or beside its name, and the random word of a link.
_SECRETS = (
    re.compile(r"(\b[a-z][a-z0-9+.-]*:/{1,3}[^\s/@:]*):[^\s@]+@", re.IGNORECASE),
    re.compile(
        r"(?<!/)((?:password|passwd|pgpassword|sslpassword)\s*[=:]\s*)('[^']*'|\"[^\"]*\"|[^\s&,;)]+)",
        re.IGNORECASE,
    ),
    re.compile(r"([?&](?:key|ticket)=)[\w-]{12,}"),
)


def without_secrets(text: str) -> str:
    """A text for people, logs and files, with what looks like a secret left out.

    Parameters
    ----------
    text : str
        Of an error, a log or a trace.

    Returns
    -------
    str

    Examples
    --------
    >>> without_secrets("postgresql://ann:rosebud@db/estate cannot be reached")
    'postgresql://ann:***@db/estate cannot be reached'
    """
    address, named, link = _SECRETS
    return link.sub(r"\1***", named.sub(r"\1***", address.sub(r"\1:***@", text)))
