"""A certificate: number, scope, validity, and a code that the office which gave it can verify.

The code is the message authentication code (HMAC-SHA-256, RFC 2104) of what the certificate says under a key that only the
office has: nobody else can make one, and a certificate on which anything was changed does not verify. The name stands in it as a
digest with a salt of its own; once name and salt are removed, the digest tells nobody anything.
"""

from __future__ import annotations

import base64
import calendar
import datetime as dt
import hashlib
import hmac
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

__all__ = ["Certificate", "certificate_from", "code_of", "months_after", "name_mark", "same_code"]

#: Letters of a code: 20 of 5 bits, so that guessing one is hopeless.
_LETTERS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """What a certificate says.

    Parameters
    ----------
    number, person, test, seal : str
        Number, label of the holder, the test and the digest under which it was sealed.
    scope : str
    issued_on, valid_until : str
        Days as YYYY-MM-DD.
    issued_by : str
        Label.
    mark : str
        Digest of the holder's name with its salt; empty where no name is kept.
    """

    number: str
    person: str
    test: str
    seal: str
    scope: str
    issued_on: str
    valid_until: str
    issued_by: str
    mark: str = ""

    def as_json(self) -> dict[str, str]:
        """Plain mapping."""
        return asdict(self)


def code_of(certificate: Certificate, key: bytes) -> str:
    """The code of a certificate, in groups of four.

    Parameters
    ----------
    certificate : Certificate
    key : bytes
        Of the office.

    Returns
    -------
    str
        Twenty letters and digits without those that are mistaken for others (RFC 4648 base 32).
    """
    body = json.dumps(certificate.as_json(), sort_keys=True, ensure_ascii=False).encode()
    made = base64.b32encode(hmac.new(key, body, hashlib.sha256).digest()).decode()[:_LETTERS]
    return "-".join(made[k : k + 4] for k in range(0, _LETTERS, 4))


def same_code(one: str, other: str) -> bool:
    """Whether two codes are the same, spaces, dashes and case aside; in a time that tells nothing."""
    plain = ["".join(c for c in code.upper() if c.isalnum()).encode() for code in (one, other)]
    return hmac.compare_digest(*plain)


def name_mark(name: str, salt: str) -> str:
    """Digest of a name with its salt; spaces and case aside."""
    said = " ".join(name.split()).casefold()
    return hmac.new(salt.encode(), said.encode(), hashlib.sha256).hexdigest()


def months_after(day: dt.date, months: int) -> dt.date:
    """The day so many months later; the last of a month that is shorter.

    Examples
    --------
    >>> months_after(dt.date(2026, 1, 31), 1).isoformat()
    '2026-02-28'
    """
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return dt.date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def certificate_from(body: Mapping[str, Any]) -> Certificate:
    """A certificate as the book keeps it."""
    return Certificate(**{k: str(body[k]) for k in Certificate.__slots__})
