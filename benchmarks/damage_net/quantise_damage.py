"""Weights and values of the damage network in 8 bits: four times as small and some times as quick.

Ranges are taken from views of rendered walls, some with relief and clicks. Needs ``onnx`` and ``onnxruntime``.

Run: ``python benchmarks/damage_net/quantise_damage.py damage.onnx facademap/condition/networks/damage_net.onnx``
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from onnxruntime.quantization import (
    CalibrationDataReader,
    CalibrationMethod,
    QuantFormat,
    QuantType,
    quantize_static,
)
from onnxruntime.quantization.shape_inference import quant_pre_process

sys.path.insert(0, str(Path(__file__).resolve().parent))

from damages import HALF_MM, damaged

#: Walls from seeds that training never draws.
SEEDS = range(880_000, 880_012)


class Views(CalibrationDataReader):
    """Views of rendered walls as the network takes them."""

    def __init__(self) -> None:
        self._views = self._made()

    def _made(self):
        y, x = np.mgrid[0:384, 0:384]
        for seed in SEEDS:
            rng = np.random.default_rng(seed)
            made = damaged(rng)
            part = np.s_[200:584, 200:584]
            colours = made.rgb[part].astype(np.float32)
            view = np.zeros((7, 384, 384), np.float32)
            view[:3] = ((colours - colours.mean()) / max(float(colours.std()), 6)).transpose(
                2, 0, 1
            )
            if seed % 2:
                mm = (made.relief[part].astype(np.float32) - 128) / HALF_MM
                view[3], view[4] = np.clip((mm - mm.mean()) / 8, -4, 4), 1
            if seed % 3:
                for band in (5, 6):
                    at = rng.uniform(60, 320, 2)
                    view[band] = np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / 50)
            yield {"view": view[None]}

    def get_next(self):
        """The next view, or None."""
        return next(self._views, None)


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
    print(out, f"{out.stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
