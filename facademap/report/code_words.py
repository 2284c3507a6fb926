"""What the code on a ticket, a label or a record says: an address where there is a desk, else words that any phone shows."""

from __future__ import annotations

__all__ = ["PLAIN_CODE", "code_of"]

#: Says what it is on without a desk; the stage is left out, since it changes while the paper does not.
PLAIN_CODE = "{piece}, block {block}, repair {repair}"
#: Longest name of a project in a code, so that it stays coarse enough to be read.
_LONGEST = 40


def code_of(template: str, *, repair: str, piece: str = "", block: str = "") -> str:
    """The text of a code.

    Parameters
    ----------
    template : str
        An address or a text with ``{repair}``, and maybe ``{piece}`` and ``{block}``.
    repair, piece, block : str
        Empty where there is none.

    Examples
    --------
    >>> code_of(PLAIN_CODE, repair="R-012", piece="P-012", block="B-07")
    'P-012, block B-07, repair R-012'
    >>> code_of(PLAIN_CODE, repair="R-012")
    'repair R-012'
    """
    if template.startswith(PLAIN_CODE):
        words = [w for w in (piece, f"block {block}" if block else "", f"repair {repair}") if w]
        rest = template.removeprefix(PLAIN_CODE)
        return ", ".join(words) + (rest if len(rest) <= _LONGEST else rest[: _LONGEST - 1] + "…")
    for name, value in (("repair", repair), ("piece", piece), ("block", block)):
        template = template.replace(f"{{{name}}}", value)
    return template
