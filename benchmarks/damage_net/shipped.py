"""The weights of a shipped network, in 8 bits, put back into one that can learn.

Normalisation lies in the weights of the shipped one. So it goes in as doing nothing, and is then given the means and spreads
of a batch in such a way that the answers stay the same (``settle``).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import torch
from torch import nn


def load_shipped(network: nn.Module, path: Path) -> None:
    """Put the weights of an ONNX file in 8 bits into the network; call ``settle`` before it learns."""
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(path)).graph
    kept = {i.name: numpy_helper.to_array(i) for i in graph.initializer}
    made = {name: node for node in graph.node for name in node.output}

    def full(name: str) -> torch.Tensor:
        raw, step, zero = (kept[n] for n in made[name].input)
        shape = (-1,) + (1,) * (raw.ndim - 1)
        whole = raw.astype(np.float32) - np.asarray(zero, np.float32).reshape(shape)
        return torch.from_numpy(whole * np.asarray(step, np.float32).reshape(shape))

    modules = dict(network.named_modules())
    for node in graph.node:
        if node.op_type != "Conv":
            continue
        name = _module_of(node.name)
        weight, bias = full(node.input[1]), full(node.input[2])
        with torch.no_grad():
            modules[name].weight.copy_(weight)
            if modules[name].bias is not None:
                modules[name].bias.copy_(bias)
                continue
            stem, last = name.rsplit(".", 1)
            after = modules[f"{stem}.{int(last) + 1}"]
            after.weight.fill_(1.0)
            after.bias.copy_(bias)
            after.running_mean.zero_()
            after.running_var.fill_(1.0 - after.eps)


def _module_of(node: str) -> str:
    """Name of a module from the path of its node: each part that goes on from the last takes its place."""
    parts: list[str] = []
    for part in node.strip("/").split("/")[1:-1]:
        if parts and part.startswith(parts[-1]):
            parts[-1] = part
        else:
            parts.append(part)
    return ".".join(parts)


@torch.no_grad()
def settle(network: nn.Module, views: torch.Tensor) -> None:
    """Give each normalisation the mean and spread of what reaches it, its answer kept as it is."""

    def given(layer: nn.BatchNorm2d, inputs: tuple[torch.Tensor]) -> None:
        (x,) = inputs
        mean, spread = x.mean((0, 2, 3)), x.var((0, 2, 3), unbiased=False)
        now = layer.weight / (layer.running_var + layer.eps).sqrt()
        kept = layer.bias - now * layer.running_mean
        layer.weight.copy_(now * (spread + layer.eps).sqrt())
        layer.bias.copy_(kept + now * mean)
        layer.running_mean.copy_(mean)
        layer.running_var.copy_(spread)

    hooks = [
        m.register_forward_pre_hook(given)
        for m in network.modules()
        if isinstance(m, nn.BatchNorm2d)
    ]
    network.eval()
    network(views.float())
    for hook in hooks:
        hook.remove()
    network.train()
