"""Train the network for outlines on rendered walls and write it as an ONNX file.

Needs packages that facademap itself does not: ``pip install torch onnx``. One process draws walls and views while
another learns from them. ``--start`` goes on from a network written before, which may be a narrower one: the new channels
begin without a say. The file that is shipped went on so for 1,722 steps, 54 minutes on a busy machine.

Run: ``python benchmarks/outline_net/train.py --minutes 45 --out outline_net.onnx``
"""

from __future__ import annotations

import argparse
import copy
import itertools
import multiprocessing
import sys
import time
from pathlib import Path

import numpy as np
import torch
from torch import nn
from torch.nn import functional

sys.path.insert(0, str(Path(__file__).resolve().parent))

from views import Wall, sample
from walls import wall

#: Views at once, and the largest step of a network that begins and of one that goes on.
BATCH, LARGEST_STEP, GOING_ON = 24, 2e-3, 7e-4
#: Walls to begin with and at most, and batches after which another is drawn.
FIRST_WALLS, MOST_WALLS, ANOTHER = 60, 400, 8
#: Channels from the finest to the coarsest level, and of the last layers.
WIDTHS, LAST = (20, 28, 40, 56, 64), 8


class Conv(nn.Module):
    """A convolution that keeps the size but for its stride; the odd pixel of a border lies to the right and below."""

    def __init__(
        self, channels: int, out: int, stride: int = 1, side: int = 3, *, cut: bool = True
    ) -> None:
        super().__init__()
        self.inner = nn.Conv2d(channels, out, side, stride)
        before = max(side - stride, 0) // 2
        self.border = (before, max(side - stride, 0) - before)
        self.cut = cut
        nn.init.kaiming_normal_(self.inner.weight, nonlinearity="relu")
        nn.init.zeros_(self.inner.bias)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """The convolution, and no value under nought where it is cut."""
        x = self.inner(functional.pad(x, self.border * 2) if any(self.border) else x)
        return functional.relu(x) if self.cut else x


class Network(nn.Module):
    """A U-shaped network: 128 x 128 views of five bands to two logits, that of the thing clicked and that of a joint."""

    def __init__(self) -> None:
        super().__init__()
        first, deepest = WIDTHS[0], WIDTHS[-1]
        self.stem = nn.Sequential(Conv(5, first, 2, 5), Conv(first, first))
        self.down = nn.ModuleList(
            nn.Sequential(Conv(a, b, 2), Conv(b, b)) for a, b in itertools.pairwise(WIDTHS)
        )
        self.middle = nn.Sequential(Conv(deepest, deepest), Conv(deepest, deepest))
        self.narrow = nn.ModuleList(
            Conv(b, a, side=1, cut=False) for b, a in itertools.pairwise(WIDTHS[::-1])
        )
        self.up = nn.ModuleList(nn.Sequential(Conv(a, a), Conv(a, a)) for a in WIDTHS[-2::-1])
        self.last = Conv(first, LAST, side=1, cut=False)
        self.fine = Conv(LAST + 5, LAST)
        self.out = Conv(LAST, 2, cut=False)

    def in_order(self) -> list[Conv]:
        """The convolutions in the order in which a view goes through them."""
        parts = [*self.stem, *(c for d in self.down for c in d), *self.middle]
        parts += [c for narrow, up in zip(self.narrow, self.up, strict=True) for c in (narrow, *up)]
        return [*parts, self.last, self.fine, self.out]

    def forward(self, view: torch.Tensor) -> torch.Tensor:
        """Logits, shape (views, 2, side, side)."""
        x, skips = self.stem(view), []
        for layer in self.down:
            skips.append(x)
            x = layer(x)
        x = self.middle(x)
        for narrow, up, skip in zip(self.narrow, self.up, skips[::-1], strict=True):
            x = up(functional.interpolate(narrow(x), scale_factor=2, mode="nearest") + skip)
        x = functional.interpolate(self.last(x), scale_factor=2, mode="nearest")
        return self.out(self.fine(torch.cat([x, view], 1)))


def batches(seed: int, ready: multiprocessing.Queue) -> None:
    """Views of walls, without end; runs in a process of its own and draws another wall now and then."""
    rng = np.random.default_rng(seed)
    made = [Wall.of(*wall(rng)[:3]) for _ in range(FIRST_WALLS)]
    for number in itertools.count():
        found = [s for s in (sample(rng, made[rng.integers(len(made))]) for _ in range(BATCH)) if s]
        if len(found) >= BATCH // 2:
            ready.put((np.stack([f[0] for f in found]), np.stack([f[1] for f in found])))
        if number % ANOTHER == 0:
            another = Wall.of(*wall(rng)[:3])
            made = [*made, another] if len(made) < MOST_WALLS else [*made[1:], another]


def loss_of(logits: torch.Tensor, truth: torch.Tensor) -> torch.Tensor:
    """Cross entropy of both maps, and one less the overlap of the thing clicked."""
    cross = functional.binary_cross_entropy_with_logits(logits, truth, reduction="none").mean(
        (0, 2, 3)
    )
    p, t = torch.sigmoid(logits[:, 0]), truth[:, 0]
    apart = 1 - ((p * t).sum((1, 2)) + 1) / ((p + t - p * t).sum((1, 2)) + 1)
    return 2 * cross[0] + 0.6 * cross[1] + 0.5 * apart.mean()


def grown(path: Path) -> Network:
    """A network with the weights of one written before; channels it lacked begin without a say."""
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(path)).graph
    values = {v.name: numpy_helper.to_array(v).astype(np.float32) for v in graph.initializer}
    halves = {node.output[0]: node.input[0] for node in graph.node if node.op_type == "Cast"}
    before = [node for node in graph.node if node.op_type == "Conv"]
    network = Network()
    with torch.no_grad():
        for layer, node in zip(network.in_order(), before, strict=True):
            weights, bias = (
                torch.from_numpy(values[halves[node.input[1]]]),
                torch.from_numpy(values[node.input[2]]),
            )
            out, given = weights.shape[:2]
            layer.inner.weight[:out, given:] = 0.0
            layer.inner.weight[:out, :given] = weights
            layer.inner.bias[:out] = bias
    return network


def train(
    *, seconds: float, seed: int, start: Path | None = None, kept: Path | None = None
) -> Network:
    """The trained network, its weights averaged over the last steps; kept once a minute."""
    torch.set_num_threads(1)
    torch.manual_seed(seed)
    network = (Network() if start is None else grown(start)).to(memory_format=torch.channels_last)
    average, largest = copy.deepcopy(network), LARGEST_STEP if start is None else GOING_ON
    optimiser = torch.optim.Adam(network.parameters(), largest)
    context = multiprocessing.get_context("fork")
    ready: multiprocessing.Queue = context.Queue(12)
    worker = context.Process(target=batches, args=(seed, ready), daemon=True)
    worker.start()
    began, number, told, losses = time.time(), 0, 0.0, []
    while (share := (time.time() - began) / seconds) < 1:
        for group in optimiser.param_groups:
            group["lr"] = (
                largest * min(1.0, (number + 1) / 200) * (0.49 * (1 + np.cos(np.pi * share)) + 0.02)
            )
        x, y = (torch.from_numpy(v).permute(0, 3, 1, 2) for v in ready.get())
        with torch.autocast("cpu", torch.bfloat16):
            logits = network(x)
        loss = loss_of(logits.float(), y)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 5.0)
        optimiser.step()
        number += 1
        losses.append(float(loss.detach()))
        with torch.no_grad():
            fresh = min(0.998, number / (number + 20))
            for a, b in zip(average.parameters(), network.parameters(), strict=True):
                a.lerp_(b, 1 - fresh)
        if time.time() - told > 60:
            told = time.time()
            print(f"{share:.0%}  step {number}  loss {np.mean(losses[-300:]):.3f}", flush=True)
            if kept is not None:
                write(average, kept)
    worker.terminate()
    print(f"{number} steps, last loss {np.mean(losses[-300:]):.3f}")
    return average


def write(network: Network, path: Path) -> None:
    """The network as ONNX, weights in half precision."""
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    nodes, kept = [], []

    def add(kind: str, inputs: list[str], output: str, **options) -> str:
        nodes.append(helper.make_node(kind, inputs, [output], **options))
        return output

    def conv(layer: Conv, given: str, name: str) -> str:
        weights, bias = (v.detach().float().numpy() for v in (layer.inner.weight, layer.inner.bias))
        kept.append(
            numpy_helper.from_array(
                np.ascontiguousarray(weights).astype(np.float16), f"{name}_half"
            )
        )
        kept.append(numpy_helper.from_array(bias, f"{name}_bias"))
        add("Cast", [f"{name}_half"], f"{name}_weights", to=TensorProto.FLOAT)
        before, after = layer.border
        add(
            "Conv",
            [given, f"{name}_weights", f"{name}_bias"],
            name,
            kernel_shape=list(weights.shape[2:]),
            strides=list(layer.inner.stride),
            pads=[before, before, after, after],
        )
        return add("Relu", [name], f"{name}_cut") if layer.cut else name

    def block(layers: nn.Sequential, given: str, name: str) -> str:
        for k, layer in enumerate(layers):
            given = conv(layer, given, f"{name}_{k}")
        return given

    def twice(given: str, name: str) -> str:
        kept.append(numpy_helper.from_array(np.array([1, 1, 2, 2], np.float32), f"{name}_scales"))
        return add(
            "Resize",
            [given, "", f"{name}_scales"],
            name,
            mode="nearest",
            coordinate_transformation_mode="asymmetric",
            nearest_mode="floor",
        )

    x, skips = block(network.stem, "view", "stem"), []
    for k, layer in enumerate(network.down):
        skips.append(x)
        x = block(layer, x, f"down{k}")
    x = block(network.middle, x, "middle")
    for k, (narrow, up, skip) in enumerate(
        zip(network.narrow, network.up, skips[::-1], strict=True)
    ):
        x = add("Add", [twice(conv(narrow, x, f"narrow{k}"), f"twice{k}"), skip], f"sum{k}")
        x = block(up, x, f"up{k}")
    x = add("Concat", [twice(conv(network.last, x, "last"), "twice"), "view"], "both", axis=1)
    add("Sigmoid", [conv(network.out, conv(network.fine, x, "fine"), "out")], "likely")
    graph = helper.make_graph(
        nodes,
        "outline",
        [helper.make_tensor_value_info("view", TensorProto.FLOAT, ["views", 5, 128, 128])],
        [helper.make_tensor_value_info("likely", TensorProto.FLOAT, ["views", 2, 128, 128])],
        kept,
    )
    made = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)], ir_version=8)
    onnx.checker.check_model(made)
    path.write_bytes(made.SerializeToString())


def main() -> None:
    """Train and write."""
    parser = argparse.ArgumentParser(
        description="Train the network for outlines on rendered walls."
    )
    parser.add_argument("--minutes", type=float, default=45)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument(
        "--start", type=Path, help="network to go on from, written by an earlier run"
    )
    parser.add_argument("--keep", type=Path, help="file in which the network is kept once a minute")
    parser.add_argument("--out", type=Path, required=True)
    asked = parser.parse_args()
    write(
        train(seconds=60 * asked.minutes, seed=asked.seed, start=asked.start, kept=asked.keep),
        asked.out,
    )


if __name__ == "__main__":
    main()
