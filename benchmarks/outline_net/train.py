"""Train the network for outlines on rendered walls and write it as an ONNX file.

Needs packages that facademap itself does not: ``pip install tensorflow-cpu onnx``. One hour on two busy cores gave the
network that is shipped: 4,074 steps of 24 views from 500 rendered walls.

Run: ``python benchmarks/outline_net/train.py --walls 500 --minutes 60 --out outline_net.onnx``
"""

from __future__ import annotations

import argparse
import queue
import sys
import threading
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from views import sample
from walls import wall

BATCH = 24
#: Channels from the finest to the coarsest level.
WIDTHS = (20, 28, 40, 56, 64)


def build(tf, size: int = 128):
    """A U-shaped network: 128 x 128 views of five bands to two likelihoods, that of the thing clicked and that of a joint."""
    layers = tf.keras.layers

    def conv(x, channels: int, stride: int = 1, kernel: int = 3):
        return layers.ReLU()(layers.Conv2D(channels, kernel, strides=stride, padding="same", kernel_initializer="he_normal")(x))

    view = layers.Input((size, size, 5))
    x = conv(conv(view, WIDTHS[0], 2, 5), WIDTHS[0])
    skips = []
    for channels in WIDTHS[1:]:
        skips.append(x)
        x = conv(conv(x, channels, 2), channels)
    x = conv(conv(x, WIDTHS[-1]), WIDTHS[-1])
    for channels, skip in zip(WIDTHS[-2::-1], skips[::-1], strict=True):
        x = layers.UpSampling2D(2)(layers.Conv2D(channels, 1)(x))
        x = conv(conv(layers.Add()([x, skip]), channels), channels)
    x = layers.UpSampling2D(2, interpolation="nearest")(layers.Conv2D(8, 1)(x))
    x = conv(layers.Concatenate()([x, view]), 8)
    return tf.keras.Model(view, layers.Conv2D(2, 3, padding="same")(x))


def batches(seed: int, made: list, ready: queue.Queue) -> None:
    """Views from the walls made so far, without end."""
    rng = np.random.default_rng(seed)
    while True:
        found = [s for s in (sample(rng, made[rng.integers(len(made))]) for _ in range(BATCH)) if s]
        if len(found) >= BATCH // 2:
            ready.put((np.stack([f[0] for f in found]), np.stack([f[1] for f in found])))


def train(made: list, *, seconds: float, seed: int):
    """The trained network."""
    import tensorflow as tf

    network, optimiser = build(tf), tf.keras.optimizers.Adam(1e-3, clipnorm=5.0)
    ready: queue.Queue = queue.Queue(12)
    for k in range(2):
        threading.Thread(target=batches, args=(seed + k, made, ready), daemon=True).start()

    def loss_of(x, y):
        logits = network(x, training=True)
        cross = tf.nn.sigmoid_cross_entropy_with_logits(y, logits)
        p, t = tf.sigmoid(logits[..., 0]), y[..., 0]
        apart = 1 - (tf.reduce_sum(p * t, [1, 2]) + 1) / (tf.reduce_sum(p + t - p * t, [1, 2]) + 1)
        return 2 * tf.reduce_mean(cross[..., 0]) + 0.6 * tf.reduce_mean(cross[..., 1]) + 0.5 * tf.reduce_mean(apart)

    @tf.function(reduce_retracing=True)
    def step(x, y):
        with tf.GradientTape() as tape:
            loss = loss_of(x, y)
        optimiser.apply_gradients(zip(tape.gradient(loss, network.trainable_variables), network.trainable_variables, strict=True))
        return loss

    start, number, told = time.time(), 0, 0.0
    while (share := (time.time() - start) / seconds) < 1:
        optimiser.learning_rate.assign(2e-3 * min(1.0, (number + 1) / 150) * (0.49 * (1 + np.cos(np.pi * share)) + 0.02))
        loss, number = float(step(*ready.get())), number + 1
        if time.time() - told > 60:
            told = time.time()
            print(f"{share:.0%}  step {number}  loss {loss:.3f}", flush=True)
    return network


def write(network, path: Path) -> None:
    """The network as ONNX, weights in half precision."""
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    nodes, kept, names = [], [], {}

    def add(kind: str, inputs: list[str], output: str, **options) -> None:
        nodes.append(helper.make_node(kind, inputs, [output], **options))

    for layer in network.layers:
        kind, name = type(layer).__name__, layer.name
        if kind == "InputLayer":
            names[id(layer.output)] = "view"
            continue
        given = layer.input if isinstance(layer.input, list) else [layer.input]
        inputs = [names[id(t)] for t in given]
        if kind == "Conv2D":
            weights, bias = layer.get_weights()
            size, stride = weights.shape[0], layer.strides[0]
            kept.append(numpy_helper.from_array(np.ascontiguousarray(weights.transpose(3, 2, 0, 1)).astype(np.float16), f"{name}_half"))
            kept.append(numpy_helper.from_array(bias, f"{name}_bias"))
            add("Cast", [f"{name}_half"], f"{name}_weights", to=TensorProto.FLOAT)
            before = max(size - stride, 0) // 2
            after = max(size - stride, 0) - before
            add("Conv", [inputs[0], f"{name}_weights", f"{name}_bias"], name, kernel_shape=[size] * 2, strides=[stride] * 2,
                pads=[before, before, after, after])
        elif kind == "UpSampling2D":
            kept.append(numpy_helper.from_array(np.array([1, 1, 2, 2], np.float32), f"{name}_scales"))
            add("Resize", [inputs[0], "", f"{name}_scales"], name, mode="nearest", coordinate_transformation_mode="asymmetric",
                nearest_mode="floor")
        else:
            add({"ReLU": "Relu", "Add": "Add", "Concatenate": "Concat"}[kind], inputs, name, **({"axis": 1} if kind == "Concatenate" else {}))
        names[id(layer.output)] = name
    add("Sigmoid", [network.layers[-1].name], "likely")
    graph = helper.make_graph(nodes, "outline", [helper.make_tensor_value_info("view", TensorProto.FLOAT, ["views", 5, 128, 128])],
                              [helper.make_tensor_value_info("likely", TensorProto.FLOAT, ["views", 2, 128, 128])], kept)
    made = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)], ir_version=8)
    onnx.checker.check_model(made)
    path.write_bytes(made.SerializeToString())


def main() -> None:
    """Render, train, write."""
    parser = argparse.ArgumentParser(description="Train the network for outlines on rendered walls.")
    parser.add_argument("--walls", type=int, default=500)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--out", type=Path, required=True)
    asked = parser.parse_args()
    rng, made = np.random.default_rng(asked.seed), []
    while len(made) < asked.walls:
        rgb, stones, defects, _ = wall(rng)
        made.append({"im": rgb, "lab": stones, "dfx": defects})
    write(train(made, seconds=60 * asked.minutes, seed=asked.seed), asked.out)


if __name__ == "__main__":
    main()
