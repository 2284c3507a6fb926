"""Every error that facademap raises on purpose.

::

    FacademapError                what is wrong (problem) and what to do about it (remedy)
    ├── InputError (ValueError)   a value, a row or a file's content cannot be used
    │   ├── TableError            rows of a table break its contract; lists all of them
    │   └── GeometryError         an outline or a set of points has an unusable shape
    ├── FileError (OSError)       a file or folder is missing, unreadable or cannot be written
    ├── ProjectError (OSError)    a project is locked, read-only, damaged or from a newer version
    │   └── RightsError           somebody may not do what they asked for
    ├── ConflictError             somebody else changed the row meanwhile
    ├── StageError (ValueError)   a repair may not enter the stage asked for, or is settled
    ├── InUseError (ValueError)   something depends on what is to be deleted
    └── SolveError (RuntimeError) a calculation found no answer that may be shown

A person sees one line, ``error: <problem>; fix: <remedy>``, and the exit code is 2.
"""

from __future__ import annotations

from collections.abc import Mapping

from facademap.no_secrets import without_secrets

__all__ = [
    "ConflictError",
    "FacademapError",
    "FileError",
    "GeometryError",
    "InUseError",
    "InputError",
    "ProjectError",
    "RightsError",
    "SolveError",
    "StageError",
    "TableError",
]


#: A longer word is no name that a person gave, and would fill the screen.
LONGEST_WORD = 200


def one_line(text: str) -> str:
    """A text as one line: white space folded, control characters replaced, so that a hostile name cannot break the line."""
    folded = " ".join(
        w if len(w) <= LONGEST_WORD else w[: LONGEST_WORD - 3] + "..." for w in text.split()
    )
    return "".join(c if c.isprintable() else "?" for c in folded)


class FacademapError(Exception):
    """What went wrong and how to mend it.

    Parameters
    ----------
    problem : str
        What is wrong and where: the value with its unit, the id, the file, the row.
    remedy : str
        One imperative sentence that tells the user what to do.
    """

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem = one_line(without_secrets(problem))
        self.remedy = one_line(without_secrets(remedy))
        super().__init__(self.problem)

    def __str__(self) -> str:
        return f"{self.problem}; fix: {self.remedy}"


class InputError(FacademapError, ValueError):
    """A value, a row or the content of a file cannot be used."""


class TableError(InputError):
    """Rows of a table break its contract.

    Parameters
    ----------
    problem, remedy : str
        As for every error; the problem names the first bad rows.
    faults : tuple of str
        Every bad row in words: column, row, value, what is expected.
    """

    def __init__(self, problem: str, remedy: str, *, faults: tuple[str, ...] = ()) -> None:
        super().__init__(problem, remedy)
        self.faults = faults


class GeometryError(InputError):
    """An outline or a set of points has a shape that cannot be used."""


class FileError(FacademapError, OSError):
    """A file or folder is missing, unreadable or cannot be written."""


class ProjectError(FacademapError, OSError):
    """A project is locked, read-only, damaged or written by a newer version."""


class RightsError(ProjectError):
    """Somebody may not do what they asked for."""


class ConflictError(FacademapError):
    """The row was changed by somebody else since it was read."""


class StageError(FacademapError, ValueError):
    """A repair may not enter the stage asked for, or what was approved or sawn was to be changed."""


class InUseError(FacademapError, ValueError):
    """Something depends on what is to be deleted.

    Parameters
    ----------
    problem, remedy : str
        As for every error.
    consequences : mapping
        What would be taken out, what would lose its name, and a seal to confirm exactly that.
    """

    def __init__(
        self, problem: str, remedy: str, *, consequences: Mapping[str, object] | None = None
    ) -> None:
        super().__init__(problem, remedy)
        self.consequences = dict(consequences or {})


class SolveError(FacademapError, RuntimeError):
    """A calculation found no answer that may be shown."""
