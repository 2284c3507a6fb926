"""Data that come apart from the code: in the tree of a checkout, else as an installed package of files."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

__all__ = ["data_folder"]

_HERE = Path(__file__).parent


def data_folder(package: str, *, in_tree: str, holds: str) -> Path | None:
    """Where the files of a data package lie.

    Parameters
    ----------
    package : str
        Name under which it is installed; it has no code, and none is run.
    in_tree : str
        Its folder in a checkout, from the folder of this package.
    holds : str
        A file that tells whether it is there.

    Returns
    -------
    Path or None
        The folder with that file; the one of the checkout goes first. None where there is none.
    """
    spec = find_spec(package)
    installed = spec.submodule_search_locations if spec else None
    for folder in (_HERE / in_tree, *map(Path, installed or ())):
        if (folder / holds).is_file():
            return folder.resolve()
    return None
