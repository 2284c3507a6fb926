"""Weights and values in 8 bits: the network that training wrote, made four times as small and two to four times as quick.

Ranges are taken from views of rendered scenes. Needs ``onnx`` and ``onnxruntime``.

Run: ``python benchmarks/wall_net/quantise.py network.onnx facademap/condition/networks/wall_net.onnx``
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import onnx
from onnxruntime.quantization import (
    CalibrationDataReader,
    CalibrationMethod,
    QuantFormat,
    QuantType,
    quantize_static,
)
from onnxruntime.quantization.shape_inference import quant_pre_process

sys.path.insert(0, str(Path(__file__).resolve().parent))

from scenes import scene

#: Scenes from seeds that training never draws, and the last layers that stay in 32 bits.
SEEDS = range(880_000, 880_014)


class Views(CalibrationDataReader):
    """Views of rendered scenes, about their mean and over their spread."""

    def __init__(self) -> None:
        self._views = self._made()

    def _made(self):
        before = None
        for seed in SEEDS:
            made = scene(np.random.default_rng(seed), before)
            before = made
            view = made.rgb[100:612, 100:612].astype(np.float32)
            view = (view - view.mean()) / max(float(view.std()), 6.0)
            yield {"view": np.ascontiguousarray(view.transpose(2, 0, 1)[None])}

    def get_next(self):
        """The next view, or None."""
        return next(self._views, None)


def with_features(path: Path) -> None:
    """Give the features that the last layer makes its maps of as a second answer, for tuning."""
    model = onnx.load(str(path))
    last = next(n for n in model.graph.node if n.op_type == "Conv" and n.name == "/0/out/Conv")
    model.graph.node.append(onnx.helper.make_node("Identity", [last.input[0]], ["features"]))
    shape = ["n", 16, "h", "w"]
    model.graph.output.append(
        onnx.helper.make_tensor_value_info("features", onnx.TensorProto.FLOAT, shape)
    )
    onnx.save(model, str(path))


def main() -> None:
    """Quantise."""
    given, out = Path(sys.argv[1]), Path(sys.argv[2])
    ready = out.with_suffix(".ready.onnx")
    quant_pre_process(str(given), str(ready), skip_symbolic_shape=True)
    quantize_static(
        str(ready),
        str(out),
        Views(),
        quant_format=QuantFormat.QDQ,
        per_channel=True,
        activation_type=QuantType.QUInt8,
        weight_type=QuantType.QInt8,
        calibrate_method=CalibrationMethod.MinMax,
        extra_options={"CalibMovingAverage": True, "ActivationSymmetric": False},
    )
    ready.unlink()
    with_features(out)
    print(out, f"{out.stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
