"""Train the network that outlines all stones of a wall, on rendered scenes that are made while it learns.

Needs ``torch`` and ``onnx``, which facademap itself does not, and an accelerator: all cores but one draw scenes, the pool of
scenes lies on the accelerator, and views are cut there. The weights and the curve are kept once a minute.

Run: ``python benchmarks/wall_net/train.py --minutes 9 --seed 1 --out FOLDER [--start FOLDER/weights.npz]``
"""

from __future__ import annotations

import argparse
import copy
import json
import multiprocessing as mp
import os
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

SIDE = 832
#: Scenes to begin with, scenes kept, and those drawn with other seeds to watch the loss on.
FIRST, KEPT, WATCHED = 160, 5000, 64
LARGEST_STEP, GOING_ON = 2e-3, 1.2e-3


def draw(seed: int, slots: list, free: mp.Queue, ready: mp.Queue) -> None:
    """Draw scenes without end into slots of memory shared with the trainer."""
    import cv2
    from scenes import maps, scene

    cv2.setNumThreads(1)
    rng, before = np.random.default_rng(seed), None
    while True:
        try:
            made = scene(rng, before)
        except Exception as error:
            print("a scene failed:", repr(error), flush=True)
            continue
        if (made.number > 0).mean() > 0.3:
            before = made
        depth, reach = maps(made)
        deepest = np.zeros(int(made.number.max()) + 1, np.float32)
        np.maximum.at(deepest, made.number.ravel(), reach.ravel())
        deepest = deepest[deepest > 3]
        k = free.get()
        rgb, number, planes = _arrays(slots[k])
        rgb[:], number[:] = made.rgb, np.minimum(made.number, 32000)
        planes[0], planes[1], planes[2] = made.kind, depth, reach
        ready.put((k, float(2 * np.median(deepest)) if len(deepest) else 0.0))


def _arrays(slot) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    n = SIDE * SIDE
    raw = np.frombuffer(slot, np.uint8)
    return (
        raw[: 3 * n].reshape(SIDE, SIDE, 3),
        raw[3 * n : 5 * n].view(np.int16).reshape(SIDE, SIDE),
        raw[5 * n : 8 * n].reshape(3, SIDE, SIDE),
    )


def main() -> None:
    """Train and write."""
    parser = argparse.ArgumentParser(description="Train the network for all stones of a wall.")
    parser.add_argument("--minutes", type=float, default=9)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--views", type=int, default=48, help="views at once")
    parser.add_argument("--start", type=Path, help="weights to go on from")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--first", type=int, default=FIRST)
    parser.add_argument("--kept", type=int, default=KEPT)
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    context = mp.get_context("fork")
    workers = max(1, (os.cpu_count() or 2) - 1)
    slots = [context.RawArray("B", 8 * SIDE * SIDE) for _ in range(2 * workers + 4)]
    free, ready = context.Queue(), context.Queue()
    for k in range(len(slots)):
        free.put(k)
    drawers = [
        context.Process(target=draw, args=(1000 * asked.seed + k, slots, free, ready), daemon=True)
        for k in range(workers)
    ]
    for drawer in drawers:
        drawer.start()
    try:
        _train(asked, slots, free, ready)
    finally:
        for drawer in drawers:
            drawer.terminate()


def _train(asked, slots, free, ready) -> None:
    import torch
    from camera import Pool, sample
    from network import Network, losses
    from torch import nn

    began = time.time()
    torch.manual_seed(asked.seed)
    device = torch.device(asked.device)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    network = Network().to(device, memory_format=torch.channels_last)
    if asked.start is not None:
        network.load_state_dict(
            {k: torch.from_numpy(np.array(v)).float() for k, v in np.load(asked.start).items()},
            strict=False,
        )
    print(sum(p.numel() for p in network.parameters()) / 1e6, "million weights", flush=True)
    average = copy.deepcopy(network)
    quick, cut = _compiled(network, sample, asked, device)
    largest = LARGEST_STEP if asked.start is None else GOING_ON
    optimiser = torch.optim.AdamW(
        network.parameters(), largest, weight_decay=0.02, betas=(0.9, 0.98)
    )
    pool, watched = Pool(asked.kept, SIDE, device), Pool(min(WATCHED, asked.first), SIDE, device)

    def take(into: Pool, *, wait: bool) -> bool:
        if not wait and ready.empty():
            return False
        k, size = ready.get()
        rgb, number, planes = _arrays(slots[k])
        into.add(rgb.copy(), number.copy(), planes.copy(), size)
        free.put(k)
        return True

    while watched.filled < watched.capacity:
        take(watched, wait=True)
    while pool.filled < asked.first:
        take(pool, wait=True)
    print(f"{time.time() - began:.0f} s: first scenes", flush=True)
    seconds, number, told, curve, recent = 60 * asked.minutes, 0, time.time(), [], []
    started = time.time()
    while (share := (time.time() - started) / max(seconds - (started - began), 1)) < 1:
        for _ in range(4):
            if not take(pool, wait=False):
                break
        rise = min(1.0, (number + 1) / 300)
        for group in optimiser.param_groups:
            group["lr"] = (
                largest * rise * (0.5 * (1 + np.cos(np.pi * min(1, share * 1.02))) * 0.99 + 0.01)
            )
        with torch.no_grad():
            x, truth = cut(
                pool,
                asked.views,
                torch.tensor(min(1.0, 1.6 * share + (0.5 if asked.start else 0.0)), device=device),
            )
        with torch.autocast(device.type, torch.bfloat16):
            logits = quick(x.contiguous(memory_format=torch.channels_last))
        parts = losses(logits, truth)
        loss = sum(parts.values())
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(network.parameters(), 3.0)
        optimiser.step()
        number += 1
        fresh = min(0.999, (number + 1) / (number + 20))
        with torch.no_grad():
            mine, theirs = list(average.parameters()), list(network.parameters())
            torch._foreach_lerp_(mine, theirs, 1 - fresh)
            for a, b in zip(average.buffers(), network.buffers(), strict=True):
                if a.dtype.is_floating_point:
                    a.lerp_(b, 1 - fresh)
        if number % 50 == 0:
            recent.append({k: float(v.detach()) for k, v in parts.items()})
        if time.time() - told > 45 and recent:
            told = time.time()
            average.eval()
            with torch.no_grad(), torch.autocast(device.type, torch.bfloat16):
                state = torch.random.get_rng_state()
                torch.manual_seed(5)
                seen = []
                for _ in range(4):
                    x, truth = sample(watched, asked.views, torch.tensor(0.5, device=device))
                    seen.append({k: float(v) for k, v in losses(average(x), truth).items()})
                torch.random.set_rng_state(state)
            torch.manual_seed(asked.seed * 7919 + number)
            line = {
                "step": number,
                "seconds": round(time.time() - began),
                "scenes": pool.added,
                "train": {k: round(float(np.mean([r[k] for r in recent])), 4) for k in recent[0]},
                "watched": {k: round(float(np.mean([r[k] for r in seen])), 4) for k in seen[0]},
            }
            curve.append(line)
            recent = []
            print(json.dumps(line), flush=True)
            _keep(average, curve, asked.out)
    average.eval()
    _keep(average, curve, asked.out)
    print(f"{number} steps, {pool.added} scenes, {time.time() - began:.0f} s", flush=True)
    _write(average, asked.out)


def _compiled(network, sample, asked, device):
    """The network and the cutting of views compiled where that works, as they are where it does not."""
    import camera
    import torch

    if device.type == "cpu":
        return network, sample
    try:
        quick = torch.compile(network)
        view = torch.zeros(asked.views, 3, 512, 512, device=device)
        view = view.contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16):
            quick(view).float().mean().backward()
        network.zero_grad(set_to_none=True)
        harmed = torch.compile(camera.photographed)
        with torch.no_grad():
            harmed(view.contiguous() + 100, torch.tensor(0.3, device=device))
        camera.photographed = harmed
    except Exception as error:
        print("not compiled:", repr(error)[:300], flush=True)
        return network, sample
    return quick, sample


def _keep(network, curve, out: Path) -> None:
    """Weights in half precision, and the curve."""
    weights = {
        k: v.detach()
        .cpu()
        .numpy()
        .astype(
            np.float16
            if v.dtype.is_floating_point and "running" not in k
            else v.detach().cpu().numpy().dtype
        )
        for k, v in network.state_dict().items()
        if "num_batches" not in k
    }
    np.savez(out / "weights.npz", **weights)
    (out / "curve.json").write_text(json.dumps(curve))


def _write(network, out: Path) -> None:
    """The network as ONNX in 32 bits, in two parts that each fit through a narrow door."""
    import torch

    network = network.float().cpu().eval()
    path = Path("/tmp/wall_net.onnx")
    torch.onnx.export(
        torch.nn.Sequential(network, torch.nn.Sigmoid()).eval(),
        torch.zeros(1, 3, 256, 256),
        str(path),
        input_names=["view"],
        output_names=["maps"],
        dynamic_axes={"view": {0: "n", 2: "h", 3: "w"}, "maps": {0: "n", 2: "h", 3: "w"}},
        opset_version=17,
        dynamo=False,
    )
    data = path.read_bytes()
    half = len(data) // 2
    (out / "network.onnx.0").write_bytes(data[:half])
    (out / "network.onnx.1").write_bytes(data[half:])


if __name__ == "__main__":
    main()
