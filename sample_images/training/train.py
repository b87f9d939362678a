"""Train the two zone networks on drawn sections and write them as ONNX.

Drawing and learning run at the same time: worker processes draw with seeds
that never repeat, the learner takes random crops of all that is drawn so far.

``python -m sample_images.training.train --kind strip --seconds 400 --out DIR``
"""

import argparse
import copy
import queue
import threading
import time
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import torch

from sample_images.training.network import ZoneNet

IGNORED = 255
CROPS = {"strip": (320, 448), "view": (512, 640)}
FIRST_SEED = 1_000_000  # the benchmark's and the held-out seeds lie below


def draw_forever(kind: str, worker: int, workers: int, out) -> None:
    """Draw one picture after another until the parent goes away."""
    import cv2  # noqa: PLC0415

    from sample_images.drawing import crops  # noqa: PLC0415

    cv2.setNumThreads(1)
    make = crops.training_strip if kind == "strip" else crops.training_view
    seed = FIRST_SEED + worker
    while True:
        try:
            rgb, labels = make(seed)
            out.put((np.ascontiguousarray(rgb), labels.astype(np.uint8)))
        except Exception as error:
            out.put(f"seed {seed}: {error!r}")
        seed += workers


def crop_batch(
    pool: list, size: int, shape: tuple[int, int], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Random crops with the labels' ignored value where a crop leaves the picture."""
    height, width = shape
    pictures = np.zeros((size, height, width, 3), np.uint8)
    zones = np.full((size, height, width), IGNORED, np.uint8)
    for k in range(size):
        rgb, labels = pool[rng.integers(len(pool))]
        h, w = labels.shape
        top = int(rng.integers(min(0, h - height), max(0, h - height) + 1))
        left = int(rng.integers(min(0, w - width), max(0, w - width) + 1))
        r0, c0 = max(top, 0), max(left, 0)
        r1, c1 = min(top + height, h), min(left + width, w)
        rows, columns = slice(r0 - top, r1 - top), slice(c0 - left, c1 - left)
        pictures[k, rows, columns] = rgb[r0:r1, c0:c1]
        zones[k, rows, columns] = labels[r0:r1, c0:c1]
    return pictures, zones


def vary(picture: torch.Tensor, zones: torch.Tensor) -> tuple[torch.Tensor, ...]:
    """Mirror, change exposure, gamma, colour and sharpness, add noise; on the GPU."""
    n = picture.shape[0]

    def rand(low: float, high: float, channels: int = 1) -> torch.Tensor:
        span = torch.rand(n, channels, 1, 1, device=picture.device)
        return low + (high - low) * span

    if torch.rand(()) < 0.5:
        picture, zones = picture.flip(3), zones.flip(2)
    grey = picture.mean(1, keepdim=True)
    keep = (rand(0, 1) < 0.75).float() * rand(0.2, 1.4)
    picture = grey + (picture - grey) * keep
    picture = picture.clamp(1e-3, 1) ** torch.exp(rand(-0.45, 0.45))
    picture = (picture - 0.5) * torch.exp(rand(-0.5, 0.35)) + 0.5 + rand(-0.18, 0.18)
    picture = picture * torch.exp(rand(-0.08, 0.08, 3))
    flip = (rand(0, 1) < 0.04).float()  # etches come in both senses
    picture = flip * (1 - picture) + (1 - flip) * picture
    soft = torch.nn.functional.avg_pool2d(picture, 3, 1, 1)
    mix = (rand(0, 1) < 0.35).float() * rand(-0.5, 1.0)
    picture = picture + (soft - picture) * mix
    noise = torch.randn_like(picture) * rand(0, 0.03) * (rand(0, 1) < 0.4).float()
    return (picture + noise).clamp(0, 1), zones


def loss_of(logits: torch.Tensor, zones: torch.Tensor) -> torch.Tensor:
    """Cross entropy, points within 6 pixels of an edge counting three times.

    No class counts more than another, so that the odds stay honest.
    """
    labels = zones.float().unsqueeze(1)
    highest = torch.nn.functional.max_pool2d(labels, 13, 1, 6)
    lowest = -torch.nn.functional.max_pool2d(-labels, 13, 1, 6)
    weight = 1.0 + 2.0 * (highest != lowest).float().squeeze(1)
    weight = weight * (zones != IGNORED).float()
    each = torch.nn.functional.cross_entropy(
        logits, zones.long(), ignore_index=IGNORED, reduction="none"
    )
    return (each * weight).sum() / weight.sum()


def train(
    kind: str, seconds: float, workers: int, out: Path, start: Path | None
) -> None:
    """Draw and learn for so many seconds, then write the network."""
    context = get_context("spawn")
    drawn = context.Queue(maxsize=64)
    for worker in range(workers):
        context.Process(
            target=draw_forever, args=(kind, worker, workers, drawn), daemon=True
        ).start()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    net = ZoneNet().to(device)
    if start:
        net.load_state_dict(torch.load(start, map_location=device))
    begun, step = time.time(), 0
    optimiser = torch.optim.AdamW(net.parameters(), lr=3e-3, weight_decay=1e-4)
    rng = np.random.default_rng(0)
    pool: list = []
    drain(drawn, pool, wait_for=3 * workers)
    print(f"first {len(pool)} drawn after {time.time() - begun:.0f} s", flush=True)
    batch, report = (48 if kind == "strip" else 24), begun
    ready: queue.Queue = queue.Queue(maxsize=6)

    def prepare() -> None:
        while True:
            ready.put(crop_batch(pool, batch, CROPS[kind], rng))

    threading.Thread(target=prepare, daemon=True).start()
    average = copy.deepcopy(net).eval()
    while (share := (time.time() - begun) / seconds) < 1:
        drain(drawn, pool)
        for group in optimiser.param_groups:
            warm = min(1.0, (step + 1) / 200)
            cosine = 0.5 + 0.5 * np.cos(np.pi * share)
            group["lr"] = (6e-4 if start else 3e-3) * warm * cosine + 1e-5
        pictures, zones = ready.get()
        picture = torch.from_numpy(pictures).to(device).permute(0, 3, 1, 2) / 255.0
        picture, target = vary(picture, torch.from_numpy(zones).to(device))
        with torch.autocast(device.type, dtype=torch.bfloat16):
            logits = net(picture)
        loss = loss_of(logits.float(), target)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        step += 1
        follow(average, net, 1 - 1 / min(step + 1, 500))
        if time.time() - report > 20:
            report = time.time()
            known = target != IGNORED
            right = (logits.argmax(1) == target)[known].float().mean()
            print(
                f"{report - begun:.0f} s step {step} pool {len(pool)} "
                f"loss {loss:.4f} right {right:.4f}",
                flush=True,
            )
    write(average, kind, out)


@torch.no_grad()
def follow(average: ZoneNet, net: ZoneNet, keep: float) -> None:
    """Keep a running average of the weights, which is what is written."""
    pairs = zip(average.state_dict().values(), net.state_dict().values(), strict=True)
    for mean, value in pairs:
        if mean.dtype.is_floating_point:
            mean.lerp_(value, 1 - keep)
        else:
            mean.copy_(value)


def drain(drawn, pool: list, wait_for: int = 0) -> None:
    """Move what is drawn into the pool."""
    while True:
        try:
            item = drawn.get(timeout=60 if len(pool) < wait_for else 0.0001)
        except queue.Empty:
            return
        if isinstance(item, str):
            print(item, flush=True)
        else:
            pool.append(item)


def write(net: ZoneNet, kind: str, out: Path) -> None:
    """Write the weights to go on from and the network to run."""
    out.mkdir(parents=True, exist_ok=True)
    torch.save(net.state_dict(), out / f"{kind}.pt")
    net = net.cpu().eval().float()
    axes = {0: "n", 2: "h", 3: "w"}
    torch.onnx.export(
        net,
        (torch.zeros(1, 3, 256, 512),),
        str(out / f"{kind}.onnx"),
        input_names=["picture"],
        output_names=["zones"],
        dynamic_axes={"picture": axes, "zones": axes},
        opset_version=17,
        dynamo=False,
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", choices=("strip", "view"), required=True)
    parser.add_argument("--seconds", type=float, default=400)
    parser.add_argument("--workers", type=int, default=8)
    parser.add_argument("--out", type=Path, default=Path("models"))
    parser.add_argument("--start", type=Path, default=None)
    arguments = parser.parse_args()
    train(
        arguments.kind,
        arguments.seconds,
        arguments.workers,
        arguments.out,
        arguments.start,
    )
