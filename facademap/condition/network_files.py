"""The networks that look at whole walls: whether they are installed, and each of them loaded."""

from __future__ import annotations

from functools import cache
from typing import Any

from facademap.data_packages import data_folder
from facademap.errors import InputError

__all__ = ["network_is_there", "network_session"]

_THREADS = 2


def network_is_there(file: str) -> bool:
    """Whether the data package that holds the network is installed.

    Parameters
    ----------
    file : str
        Name of its ONNX file.

    Returns
    -------
    bool
    """
    return _folder(file) is not None


@cache
def network_session(file: str, *, purpose: str) -> Any:
    """A network ready to be asked, loaded once.

    Parameters
    ----------
    file : str
        Name of its ONNX file.
    purpose : str
        What it is wanted for, with which a sentence may begin.

    Returns
    -------
    onnxruntime.InferenceSession

    Raises
    ------
    InputError
        onnxruntime or the network is not installed.
    """
    try:
        import onnxruntime
    except ImportError:
        raise InputError(
            f"{purpose} needs the package onnxruntime, which is not installed",
            "Install it with pip install onnxruntime.",
        ) from None
    folder = _folder(file)
    if folder is None:
        raise InputError(
            f"{purpose} needs the networks of the package facademap-outlines, which is not installed",
            'Install it with pip install "facademap[outlines]", or outline by a click or by hand.',
        )
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads, options.inter_op_num_threads = _THREADS, 1
    options.log_severity_level = 4
    # processors without instructions for sums of 8-bit products let them run over, and see other stones than others do
    options.add_session_config_entry("session.x64quantprecision", "1")
    data = (folder / file).read_bytes()
    return onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])


def _folder(file: str) -> Any:
    return data_folder("facademap_outlines", in_tree="condition/networks", holds=file)
