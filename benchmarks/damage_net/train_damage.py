"""Train the network that sees damage, on rendered walls that are made while it learns.

Needs ``torch`` and ``onnx``, which facademap itself does not, and an accelerator: all cores but one draw walls, the pool of
walls lies on the accelerator, and views are cut there. The weights and the curve are kept once a minute.

Run: ``python benchmarks/damage_net/train_damage.py --minutes 8 --seed 1 --out FOLDER [--start FOLDER/weights.npz]``,
or ``--start ../networks/damage_net.onnx`` to go on from the network that is shipped.
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

for beside in ("outline_net", "wall_net", "damage_net"):
    sys.path.insert(0, str(Path(__file__).resolve().parents[1] / beside))

SIDE = 832
FIRST, KEPT, WATCHED = 45, 6000, 45
LARGEST_STEP, GOING_ON = 2e-3, 1.2e-3


def draw(seed: int, slots: list, free: mp.Queue, ready: mp.Queue) -> None:
    """Draw walls without end into slots of memory shared with the trainer."""
    import cv2
    from damages import damaged

    cv2.setNumThreads(1)
    rng = np.random.default_rng(seed)
    while True:
        try:
            made = damaged(rng)
        except Exception as error:
            print("a wall failed:", repr(error), flush=True)
            continue
        k = free.get()
        rgb, region, planes = _arrays(slots[k])
        rgb[:], region[:] = made.rgb, np.minimum(made.region, 32000)
        planes[0], planes[1] = made.kind, made.relief
        ready.put(k)


def _arrays(slot) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    n = SIDE * SIDE
    raw = np.frombuffer(slot, np.uint8)
    return (
        raw[: 3 * n].reshape(SIDE, SIDE, 3),
        raw[3 * n : 5 * n].view(np.int16).reshape(SIDE, SIDE),
        raw[5 * n : 7 * n].reshape(2, SIDE, SIDE),
    )


def main() -> None:
    """Train and write."""
    parser = argparse.ArgumentParser(description="Train the network that sees damage.")
    parser.add_argument("--minutes", type=float, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--views", type=int, default=96, help="views at once")
    parser.add_argument("--start", type=Path, help="weights to go on from")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--first", type=int, default=FIRST)
    parser.add_argument("--kept", type=int, default=KEPT)
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    context = mp.get_context("fork")
    slots = [context.RawArray("B", 7 * SIDE * SIDE) for _ in range(2 * asked.workers + 4)]
    free, ready = context.Queue(), context.Queue()
    for k in range(len(slots)):
        free.put(k)
    drawers = [
        context.Process(
            target=draw, args=(50_000 + 1000 * asked.seed + k, slots, free, ready), daemon=True
        )
        for k in range(asked.workers)
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
    from damage_network import Network, losses
    from damage_views import Pool, sample
    from shipped import load_shipped, settle
    from torch import nn

    began = time.time()
    torch.manual_seed(asked.seed)
    device = torch.device(asked.device)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    network = Network().to(device, memory_format=torch.channels_last)
    shipped = asked.start is not None and asked.start.suffix == ".onnx"
    if shipped:
        load_shipped(network, asked.start)
    elif asked.start is not None:
        kept = {k: torch.from_numpy(np.array(v)).float() for k, v in np.load(asked.start).items()}
        network.load_state_dict(kept, strict=False)
    print(sum(p.numel() for p in network.parameters()) / 1e6, "million weights", flush=True)
    quick = _compiled(network, asked, device)
    largest = LARGEST_STEP if asked.start is None else GOING_ON
    optimiser = torch.optim.AdamW(
        network.parameters(), largest, weight_decay=0.02, betas=(0.9, 0.98)
    )
    pool = Pool(asked.kept, SIDE, device)
    watched = Pool(min(WATCHED, asked.first), SIDE, device)

    def take(into: Pool, *, wait: bool) -> bool:
        if not wait and ready.empty():
            return False
        k = ready.get()
        rgb, region, planes = _arrays(slots[k])
        into.add(rgb.copy(), region.copy(), planes.copy())
        free.put(k)
        return True

    while watched.filled < watched.capacity:
        take(watched, wait=True)
    while pool.filled < asked.first:
        take(pool, wait=True)
    print(f"{time.time() - began:.0f} s: first walls", flush=True)
    if shipped:
        settle(network, sample(pool, asked.views, torch.tensor(0.2, device=device))[0])
    average = copy.deepcopy(network)
    print("watched before:", _watched(average, watched, asked, losses, sample, device), flush=True)
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
        # a look is made at a coarser sample distance than the picture has: little blur and noise are left in it
        harm = torch.tensor(0.35 * min(1.0, 1.6 * share), device=device)
        with torch.no_grad():
            x, truth = sample(pool, asked.views, harm)
        with torch.autocast(device.type, torch.bfloat16):
            logits = quick(x.contiguous(memory_format=torch.channels_last))
        parts = losses(logits, truth)
        optimiser.zero_grad(set_to_none=True)
        sum(parts.values()).backward()
        nn.utils.clip_grad_norm_(network.parameters(), 3.0)
        optimiser.step()
        number += 1
        fresh = min(0.999, (number + 1) / (number + 20))
        with torch.no_grad():
            torch._foreach_lerp_(list(average.parameters()), list(network.parameters()), 1 - fresh)
            for a, b in zip(average.buffers(), network.buffers(), strict=True):
                if a.dtype.is_floating_point:
                    a.lerp_(b, 1 - fresh)
        if number % 50 == 0 or asked.device == "cpu":
            recent.append({k: float(v.detach()) for k, v in parts.items()})
        if time.time() - told > 45 and recent:
            told = time.time()
            seen = _watched(average, watched, asked, losses, sample, device)
            torch.manual_seed(asked.seed * 7919 + number)
            curve.append(
                {
                    "step": number,
                    "seconds": round(time.time() - began),
                    "walls": pool.added,
                    "train": {
                        k: round(float(np.mean([r[k] for r in recent])), 4) for k in recent[0]
                    },
                    "watched": seen,
                }
            )
            recent = []
            print(json.dumps(curve[-1]), flush=True)
            _keep(average, curve, asked.out)
    average.eval()
    _keep(average, curve, asked.out)
    print(f"{number} steps, {pool.added} walls, {time.time() - began:.0f} s", flush=True)
    _write(average, asked.out)


def _watched(average, watched, asked, losses, sample, device) -> dict[str, float]:
    """Losses on walls of other seeds, always the same views, and the overlap of kinds and of clicked regions."""
    import torch

    average.eval()
    seen, kinds, regions = [], [], []
    with torch.no_grad(), torch.autocast(device.type, torch.bfloat16):
        torch.manual_seed(5)
        for _ in range(4):
            x, truth = sample(watched, asked.views, torch.tensor(0.2, device=device))
            logits = average(x).float()
            seen.append({k: float(v) for k, v in losses(logits, truth).items()})
            told, judged = logits[:, :-1].argmax(1), truth["judged"] > 0
            for k in range(1, logits.shape[1] - 1):
                both = ((told == k) & (truth["kind"] == k) & judged).sum()
                any_ = (((told == k) | (truth["kind"] == k)) & judged).sum()
                kinds.append((k, float(both), float(any_)))
            mine, target = logits[:, -1] > 0, truth["target"] > 0.5
            share = (mine & target).sum((1, 2)) / (mine | target).sum((1, 2)).clamp(min=1)
            regions += share[truth["clicked"] > 0].tolist()
    line = {k: round(float(np.mean([s[k] for s in seen])), 4) for k in seen[0]}
    each = []
    for k in range(1, logits.shape[1] - 1):
        both, any_ = (sum(v[i] for v in kinds if v[0] == k) for i in (1, 2))
        each.append(round(both / max(any_, 1), 3))
    return {**line, "iou": each, "click": round(float(np.mean(regions or [0])), 3)}


def _compiled(network, asked, device):
    """The network compiled where that works, as it is where it does not."""
    import torch
    from damage_network import BANDS
    from damage_views import SIDE_PX

    if device.type == "cpu":
        return network
    try:
        quick = torch.compile(network)
        view = torch.zeros(asked.views, BANDS, SIDE_PX, SIDE_PX, device=device)
        view = view.contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16):
            quick(view).float().mean().backward()
        network.zero_grad(set_to_none=True)
        return quick
    except Exception as error:
        print("not compiled:", repr(error)[:300], flush=True)
        return network


def _keep(network, curve, out: Path) -> None:
    """Weights in half precision, and the curve."""
    weights = {}
    for k, v in network.state_dict().items():
        if "num_batches" not in k:
            full = v.detach().cpu().numpy()
            weights[k] = full if "running" in k else full.astype(np.float16)
    np.savez(out / "weights.npz", **weights)
    (out / "curve.json").write_text(json.dumps(curve))


def _write(network, out: Path) -> None:
    """The network as ONNX in 32 bits."""
    import torch
    from damage_network import BANDS, Answer

    network = Answer(network.float().cpu().eval()).eval()
    torch.onnx.export(
        network,
        torch.zeros(1, BANDS, 256, 256),
        str(out / "damage.onnx"),
        input_names=["view"],
        output_names=["maps"],
        dynamic_axes={"view": {0: "n", 2: "h", 3: "w"}, "maps": {0: "n", 2: "h", 3: "w"}},
        opset_version=17,
        dynamo=False,
    )


if __name__ == "__main__":
    main()
