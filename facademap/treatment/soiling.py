"""What lies on the stone, by the terms of its conditions."""

from __future__ import annotations

__all__ = ["soiling_of"]

_SOILING_OF: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("plant", ("plant",)),
    ("salts", ("efflorescence", "subflorescence", "salt crust", "salt")),
    ("growth", ("alga", "lichen", "moss", "mould", "biological")),
    ("graffiti", ("graffiti",)),
    ("crust", ("crust", "encrustation", "concretion")),
)


def soiling_of(terms: tuple[str, ...]) -> str:
    """What lies on the stone, from the terms of its conditions: the key of a ladder."""
    for kind, words in _SOILING_OF:
        if any(word in term for term in terms for word in words):
            return kind
    return "soiling"
