"""What other packages add by entry points: rule sets, lime mixes, papers, readers of an instrument's list, outline models.

======================================  ==========================================================================
group                                   what the entry point names (its name is the name people type)
======================================  ==========================================================================
``facademap.rule_sets``                 a function without arguments that gives the text of a rule table (TOML)
``facademap.lime_mixes``                a function without arguments that gives a sequence of `repair.mixes.Mix`
``facademap.papers``                    a `tasks.issue.papers_list.Paper`
``facademap.survey_readers``            a function of a path that gives mappings, one a point; its name is the ending
                                        of the files it reads (``gsi``)
``facademap.outline_models``            a function without arguments that gives a model: an object with ``side_px`` that
                                        is called with (rgb, x_px, y_px) and gives the probability of each pixel
======================================  ==========================================================================

Nothing is loaded before its name is asked for. What comes from a plug-in is checked like a file of a user's.
"""

from __future__ import annotations

import importlib.metadata
from collections.abc import Callable
from typing import Any, Literal, TypeVar

from facademap.errors import FacademapError, InputError

__all__ = ["GROUPS", "Group", "called", "listed", "loaded", "offered"]

Group = Literal["rule_sets", "lime_mixes", "papers", "survey_readers", "outline_models"]
GROUPS: tuple[Group, ...] = (
    "rule_sets",
    "lime_mixes",
    "papers",
    "survey_readers",
    "outline_models",
)
_Given = TypeVar("_Given")


def offered(group: Group) -> dict[str, importlib.metadata.EntryPoint]:
    """Entry points of a group by name, sorted; of two with one name the first that is installed counts."""
    found: dict[str, importlib.metadata.EntryPoint] = {}
    for point in importlib.metadata.entry_points(group=f"facademap.{group}"):
        found.setdefault(point.name, point)
    return dict(sorted(found.items()))


def loaded(group: Group, name: str) -> Any:
    """What an entry point names.

    Raises
    ------
    InputError
        There is none of that name, or it cannot be loaded.
    """
    points = offered(group)
    if name not in points:
        raise InputError(
            f"no plug-in of {group.replace('_', ' ')} is called {name!r}",
            f"Install the package that offers it; there are {', '.join(points) or 'none'}.",
        )
    point = points[name]
    return guarded(point, point.load)


def called(group: Group, name: str, *given: Any) -> Any:
    """What the function that an entry point names gives for its arguments; errors as :func:`loaded`."""
    function, point = loaded(group, name), offered(group)[name]
    return guarded(point, lambda: function(*given))


def listed(group: Group, name: str, *given: Any) -> list[Any]:
    """All that the function of an entry point gives, one after another; errors as :func:`loaded`."""
    function, point = loaded(group, name), offered(group)[name]
    return guarded(point, lambda: list(function(*given)))


def guarded(point: importlib.metadata.EntryPoint, work: Callable[[], _Given]) -> _Given:
    """Run code of a plug-in; what goes wrong in it is told with its name."""
    try:
        return work()
    except FacademapError:
        raise
    except Exception as error:
        package = point.dist.name if point.dist else point.value
        raise InputError(
            f"the plug-in {point.name} of {package} failed ({type(error).__name__}: {str(error)[:120]})",
            "Tell its makers, or remove the package.",
        ) from error
