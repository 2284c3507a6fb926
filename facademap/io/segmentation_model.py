"""A segmentation model from an ONNX file that a user supplies.

The file must hold one graph without outside data files and with

========  =======================  ================================================================================
input     ``image``                float32 (1, 3, side, side): red, green, blue, 0 to 1; side fixed, 64 to 1024
input     ``point``                float32 (1, 2): x and y of the click in pixels of the image, 0 at the first centre
output    ``mask``                 float32 (1, 1, side, side): probability, 0 to 1, that a pixel belongs to the thing clicked
========  =======================  ================================================================================

Nothing is downloaded. The file is read once, may only use the operators of the ONNX standard, runs on two threads and
is stopped when an answer takes too long.
"""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import FileError, InputError
from facademap.io.whole_files import need_file

__all__ = ["GivenSegmenter", "OnnxSegmenter", "read_segmentation_model"]

LARGEST_BYTES = 400_000_000
SMALLEST_SIDE_PX, LARGEST_SIDE_PX = 64, 1024
LONGEST_ANSWER_S = 20.0
_THREADS = 2
_CONTRACT = "Use a model with inputs image (1, 3, side, side) and point (1, 2) and the output mask (1, 1, side, side), all float32."


class OnnxSegmenter:
    """A model that was read and checked; call it with a square view and the click in it."""

    def __init__(self, session: Any, name: str, side_px: int) -> None:
        self._session, self._name, self._side_px = session, name, side_px

    @property
    def side_px(self) -> int:
        """Side of the views it takes."""
        return self._side_px

    def __call__(self, rgb: NDArray[np.uint8], x_px: float, y_px: float) -> NDArray[np.float32]:
        """Probability that each pixel belongs to what was clicked.

        Raises
        ------
        InputError
            The model fails, takes too long, or answers something else than a probability for each pixel.
        """
        import onnxruntime

        feeds = {
            "image": np.ascontiguousarray(rgb.astype(np.float32).transpose(2, 0, 1)[None] / 255.0),
            "point": np.array([[x_px, y_px]], np.float32),
        }
        options = onnxruntime.RunOptions()
        options.log_severity_level = 4

        def stop() -> None:
            options.terminate = True

        clock = threading.Timer(LONGEST_ANSWER_S, stop)
        clock.daemon = True
        clock.start()
        try:
            (answer,) = self._session.run(["mask"], feeds, options)
        except Exception as error:
            slow = bool(options.terminate)
            problem = (
                f"took longer than {LONGEST_ANSWER_S:g} s"
                if slow
                else f"failed: {_first_line(error)}"
            )
            raise InputError(
                f"the model {self._name} {problem}", "Use another model, or leave the model out."
            ) from None
        finally:
            clock.cancel()
        return _probabilities(answer, (1, 1, self._side_px, self._side_px), self._name)


class GivenSegmenter:
    """A model that another package offers, whose answers are checked like those of a file.

    Parameters
    ----------
    model : object
        Has ``side_px`` and is called with (rgb, x_px, y_px).
    name : str
    """

    def __init__(self, model: Any, name: str) -> None:
        side = getattr(model, "side_px", None)
        if type(side) is not int or not SMALLEST_SIDE_PX <= side <= LARGEST_SIDE_PX:
            raise InputError(
                f"the model {name} says {side!r} for the side of its views",
                f"Tell its makers: side_px is {SMALLEST_SIDE_PX} to {LARGEST_SIDE_PX}.",
            )
        self._model, self._name, self.side_px = model, name, side

    def __call__(self, rgb: NDArray[np.uint8], x_px: float, y_px: float) -> NDArray[np.float32]:
        """Probability that each pixel belongs to what was clicked.

        Raises
        ------
        InputError
            The model fails, or answers something else than a probability for each pixel.
        """
        try:
            answer = np.asarray(self._model(rgb, x_px, y_px), np.float32)
        except Exception as error:
            raise InputError(
                f"the model {self._name} failed: {_first_line(error)}",
                "Use another model, or leave the model out.",
            ) from None
        return _probabilities(answer, (self.side_px, self.side_px), self._name)


def _probabilities(answer: Any, shape: tuple[int, ...], name: str) -> NDArray[np.float32]:
    if (
        answer.shape != shape
        or not np.isfinite(answer).all()
        or answer.min() < -0.001
        or answer.max() > 1.001
    ):
        raise InputError(
            f"the model {name} answers with something else than probabilities from 0 to 1",
            _CONTRACT,
        )
    return np.asarray(answer.reshape(shape[-2:]), np.float32)


def read_segmentation_model(path: Path) -> OnnxSegmenter:
    """Read, check and try out a model.

    Raises
    ------
    FileError
        No such file, one that is too large, or one that is no model.
    InputError
        The package ``onnxruntime`` is missing, or the model has other inputs and outputs.
    """
    try:
        import onnxruntime
    except ImportError:
        raise InputError(
            "segmentation models need the package onnxruntime, which is not installed",
            "Install it with pip install onnxruntime.",
        ) from None
    need_file(path)
    try:
        size = path.stat().st_size
        if size > LARGEST_BYTES:
            raise FileError(
                f"{path.name}: a model of {size / 1e6:.0f} MB",
                f"Use one of at most {LARGEST_BYTES / 1e6:.0f} MB.",
            )
        data = path.read_bytes()
    except OSError as error:
        if isinstance(error, FileError):
            raise
        raise FileError(
            f"{path.name}: {error.strerror or 'cannot be read'}",
            "Give an ONNX file that can be read.",
        ) from None
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads, options.inter_op_num_threads, options.log_severity_level = (
        _THREADS,
        1,
        4,
    )
    options.add_session_config_entry("session.model_external_initializers_file_folder_path", "")
    try:
        session = onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])
    except Exception as error:
        raise FileError(
            f"{path.name}: is no usable ONNX model ({_first_line(error)})",
            "Give a whole ONNX file in one piece.",
        ) from None
    model = OnnxSegmenter(session, path.name, _checked_side(session, path.name))
    side = model.side_px
    trial = np.linspace(0, 255, side * side * 3).astype(np.uint8).reshape(side, side, 3)
    model(trial, side / 2, side / 2)
    return model


def _checked_side(session: Any, name: str) -> int:
    given = {i.name: (i.type, list(i.shape)) for i in session.get_inputs()}
    made = {o.name: (o.type, list(o.shape)) for o in session.get_outputs()}
    if set(given) != {"image", "point"} or "mask" not in made:
        raise InputError(
            f"the model {name} has the inputs {', '.join(sorted(given))[:80]} and the outputs {', '.join(sorted(made))[:80]}",
            _CONTRACT,
        )
    kind, shape = given["image"]
    side = shape[-1] if shape else None
    if (
        not isinstance(side, int)
        or shape != [1, 3, side, side]
        or not SMALLEST_SIDE_PX <= side <= LARGEST_SIDE_PX
    ):
        raise InputError(
            f"the model {name} takes images of the shape {shape}",
            f"Use one with the fixed shape (1, 3, side, side) and a side of {SMALLEST_SIDE_PX} to {LARGEST_SIDE_PX} px.",
        )
    expected = {"point": ("tensor(float)", [1, 2]), "mask": ("tensor(float)", [1, 1, side, side])}
    if (
        kind != "tensor(float)"
        or given["point"] != expected["point"]
        or made["mask"] != expected["mask"]
    ):
        raise InputError(
            f"the model {name} takes point {given['point'][1]} and gives mask {made['mask'][1]} for an image of {side} px",
            _CONTRACT,
        )
    return side


def _first_line(error: Exception) -> str:
    lines = str(error).strip().splitlines()
    return (lines[0] if lines else type(error).__name__)[:160]
