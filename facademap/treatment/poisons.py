"""What may be poisonous on an old wall, flagged for assessment wherever a condition speaks of it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from facademap.tables import is_missing

__all__ = ["poison_flags"]

#: Words of terms and notes, and what is said where one stands. Common practice; local codes decide.
_FLAGS: tuple[tuple[re.Pattern[str], str], ...] = (
    (
        re.compile(r"\b(film|paint\w*|overpaint\w*|limewash\w*)\b", re.IGNORECASE),
        "Old paint may hold lead: have it tested before it is brushed, scraped, heated or washed off; where it does, a "
        "competent person decides on protection, collection and waste.",
    ),
    (
        re.compile(r"\b(guano|droppings|pigeons?|bird dirt|nests?)\b", re.IGNORECASE),
        "Bird droppings carry germs: damped before they are taken up, never dry brushed; respirator and disposal as a "
        "competent person assesses; nests in use are left, as the law on wildlife says.",
    ),
)


def poison_flags(conditions: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    """Sentences for conditions whose term or note speaks of paint or of droppings; empty for others.

    Examples
    --------
    >>> [s[:9] for s in poison_flags([{"term": "film", "note": None}, {"term": "deposit", "note": "Guano, thick"}])]
    ['Old paint', 'Bird drop']
    """
    said = " ".join(
        str(c[k]) for c in conditions for k in ("term", "note") if not is_missing(c.get(k))
    )
    return tuple(sentence for word, sentence in _FLAGS if word.search(said))
