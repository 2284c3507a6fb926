"""A user's segmentation model: the contract of its file, and outlines made with it."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from facademap.condition.assist_model import outline_by_model
from facademap.errors import FacademapError, FileError, InputError
from facademap.io import segmentation_model
from facademap.io.segmentation_model import read_segmentation_model
from facademap.tasks.survey.assist import follow

onnx = pytest.importorskip("onnx", reason="comes with the dev extra")
pytest.importorskip("onnxruntime", reason="comes with the dev extra")

SIDE = 64


def _model(
    path: Path,
    *,
    inputs: tuple[str, str] = ("image", "point"),
    side: int = SIDE,
    scale: float = 1.0,
) -> Path:
    """Pixels darker than half grey belong to the thing; the click is taken in and not used."""
    h, t = onnx.helper, onnx.TensorProto
    nodes = [
        h.make_node("ReduceMean", [inputs[0]], ["grey"], axes=[1], keepdims=1),
        h.make_node("Less", ["grey", "half"], ["dark"]),
        h.make_node("Cast", ["dark"], ["one"], to=t.FLOAT),
        h.make_node("ReduceSum", [inputs[1]], ["sum"], keepdims=0),
        h.make_node("Mul", ["sum", "zero"], ["nothing"]),
        h.make_node("Mul", ["one", "scale"], ["scaled"]),
        h.make_node("Add", ["scaled", "nothing"], ["mask"]),
    ]
    kept = [
        h.make_tensor(n, t.FLOAT, [], [v])
        for n, v in (("half", 0.5), ("zero", 0.0), ("scale", scale))
    ]
    graph = h.make_graph(
        nodes,
        "dark",
        [
            h.make_tensor_value_info(inputs[0], t.FLOAT, [1, 3, side, side]),
            h.make_tensor_value_info(inputs[1], t.FLOAT, [1, 2]),
        ],
        [h.make_tensor_value_info("mask", t.FLOAT, [1, 1, side, side])],
        kept,
    )
    made = h.make_model(graph, opset_imports=[h.make_opsetid("", 13)], ir_version=8)
    path.write_bytes(made.SerializeToString())
    return path


@pytest.fixture
def picture(tmp_path: Path) -> Path:
    rgb = np.full((300, 400, 3), 200, np.uint8)
    cv2.rectangle(rgb, (120, 90), (259, 179), (60, 50, 40), -1)
    path = tmp_path / "wall.png"
    cv2.imwrite(str(path), rgb)
    return path


def _share(ring: np.ndarray) -> float:
    mask, truth = np.zeros((300, 400), np.uint8), np.zeros((300, 400), np.uint8)
    cv2.fillPoly(mask, [np.round(ring).astype(np.int32)], 1)
    cv2.rectangle(truth, (120, 90), (259, 179), 1, -1)
    return float((mask & truth).sum() / (mask | truth).sum())


@pytest.mark.parametrize("click", [(190.0, 130.0), (126.0, 95.0), (250.0, 170.0)])
def test_the_outline_is_the_model_s_wherever_the_click_lies_in_it(
    tmp_path: Path, picture: Path, click: tuple[float, float]
) -> None:
    model = read_segmentation_model(_model(tmp_path / "dark.onnx"))
    assert _share(outline_by_model(model, cv2.imread(str(picture))[..., ::-1], *click)) > 0.9, (
        "views of 64 px are that coarse"
    )


def test_a_click_on_nothing_of_the_model_s_is_told(tmp_path: Path, picture: Path) -> None:
    model = read_segmentation_model(_model(tmp_path / "dark.onnx"))
    with pytest.raises(FacademapError, match="finds nothing"):
        outline_by_model(model, cv2.imread(str(picture)), 20.0, 20.0)


def test_follow_uses_the_model_and_its_note_names_what_was_not_found(
    tmp_path: Path, picture: Path
) -> None:
    clicks, out = tmp_path / "clicks.csv", tmp_path / "out.geojson"
    clicks.write_text("name,x_px,y_px\nstain,190,130\nwall,20,20\n")
    found = follow(
        picture, clicks=clicks, kind="outline", out=out, model=_model(tmp_path / "dark.onnx")
    )
    assert found["made"] == 1
    assert "finds nothing" in found["notes"][0]
    (feature,) = json.loads(out.read_text())["features"]
    assert _share(np.array(feature["geometry"]["coordinates"][0])) > 0.93


def test_other_names_sizes_and_values_are_refused(tmp_path: Path) -> None:
    for name, options, told in (
        ("names", {"inputs": ("picture", "point")}, "inputs picture, point"),
        ("side", {"side": 32}, r"\[1, 3, 32, 32\]"),
        ("values", {"scale": 7.0}, "probabilities"),
    ):
        path = _model(tmp_path / f"{name}.onnx", **options)
        with pytest.raises(InputError, match=told) as caught:
            read_segmentation_model(path)
        assert "\n" not in str(caught.value)


def test_what_is_no_model_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = tmp_path / "text.onnx"
    text.write_text("no model at all")
    whole = _model(tmp_path / "dark.onnx")
    cut = tmp_path / "cut.onnx"
    cut.write_bytes(whole.read_bytes()[:200])
    for path in (text, cut, tmp_path / "missing.onnx"):
        with pytest.raises(FileError) as caught:
            read_segmentation_model(path)
        assert "\n" not in str(caught.value)
    monkeypatch.setattr(segmentation_model, "LARGEST_BYTES", 10)
    with pytest.raises(FileError, match="MB"):
        read_segmentation_model(whole)


def test_data_outside_the_file_is_never_read(tmp_path: Path) -> None:
    """Weights kept in another file would let a model read any file of the machine."""
    path = _model(tmp_path / "dark.onnx")
    made = onnx.load(str(path))
    secret = tmp_path / "secret.bin"
    secret.write_bytes(b"\0\0\0\0")
    kept = made.graph.initializer[0]
    kept.ClearField("float_data")
    kept.data_location = onnx.TensorProto.EXTERNAL
    for key, value in (("location", str(secret)), ("offset", "0"), ("length", "4")):
        entry = kept.external_data.add()
        entry.key, entry.value = key, value
    path.write_bytes(made.SerializeToString())
    with pytest.raises(FileError):
        read_segmentation_model(path)


def test_an_answer_that_takes_too_long_is_stopped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A loop that never ends by itself."""
    h, t = onnx.helper, onnx.TensorProto
    body = h.make_graph(
        [h.make_node("Identity", ["go"], ["go_on"]), h.make_node("Sigmoid", ["held"], ["next"])],
        "body",
        [
            h.make_tensor_value_info("turn", t.INT64, []),
            h.make_tensor_value_info("go", t.BOOL, []),
            h.make_tensor_value_info("held", t.FLOAT, [1, 1, SIDE, SIDE]),
        ],
        [
            h.make_tensor_value_info("go_on", t.BOOL, []),
            h.make_tensor_value_info("next", t.FLOAT, [1, 1, SIDE, SIDE]),
        ],
    )
    nodes = [
        h.make_node("ReduceMean", ["image"], ["grey"], axes=[1], keepdims=1),
        h.make_node("ReduceSum", ["point"], ["sum"], keepdims=0),
        h.make_node("Mul", ["sum", "zero"], ["nothing"]),
        h.make_node("Add", ["grey", "nothing"], ["start"]),
        h.make_node("Loop", ["turns", "yes", "start"], ["mask"], body=body),
    ]
    kept = [
        h.make_tensor("zero", t.FLOAT, [], [0.0]),
        h.make_tensor("turns", t.INT64, [], [2**60]),
        h.make_tensor("yes", t.BOOL, [], [True]),
    ]
    graph = h.make_graph(
        nodes,
        "endless",
        [
            h.make_tensor_value_info("image", t.FLOAT, [1, 3, SIDE, SIDE]),
            h.make_tensor_value_info("point", t.FLOAT, [1, 2]),
        ],
        [h.make_tensor_value_info("mask", t.FLOAT, [1, 1, SIDE, SIDE])],
        kept,
    )
    path = tmp_path / "endless.onnx"
    path.write_bytes(
        h.make_model(
            graph, opset_imports=[h.make_opsetid("", 13)], ir_version=8
        ).SerializeToString()
    )
    monkeypatch.setattr(segmentation_model, "LONGEST_ANSWER_S", 0.5)
    with pytest.raises(InputError, match="longer than"):
        read_segmentation_model(path)
