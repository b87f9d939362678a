"""Train one of the networks on drawn sections and write it as ONNX.

`sample_images.training.draw` draws into a folder at the same time; the learner
takes random pictures of what lies there::

    python -m sample_images.training.draw --pool DIR --workers 14 &
    python -m sample_images.training.train --kind strip --pool DIR --seconds 1200
"""

import argparse
import copy
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import torch
from torch.utils.data import DataLoader, IterableDataset

from sample_images.drawing.closeups import ACROSS_MM, BAND_ROWS
from sample_images.training.network import WIDTHS, LineNet, ToeNet, ZoneNet

IGNORED = 255
CROPS = {"strip": (320, 640), "view": (512, 640)}
BATCH = {"strip": 40, "view": 24, "line": 128, "cap": 128, "toe": 256}
FEWEST_FILES = 20


class Pool(IterableDataset):
    """Endless random pictures of one kind out of the folder being drawn into."""

    def __init__(self, pool: Path, kind: str) -> None:
        super().__init__()
        self.pool, self.kind = pool / kind, kind
        self.part = "zones" if kind in CROPS else "truths"

    def __iter__(self) -> Iterator[tuple[np.ndarray, np.ndarray]]:
        """Give batches, looking anew at what lies in the folder now and then."""
        rng = np.random.default_rng(torch.initial_seed() % 2**32)
        while True:
            names = [path.name for path in (self.pool / self.part).glob("*.npy")]
            if len(names) < FEWEST_FILES:
                time.sleep(1)
                continue
            for _ in range(40):
                if self.kind in CROPS:
                    yield self._crops(names, rng)
                else:
                    yield self._close_ups(names, rng)

    def _crops(self, names: list[str], rng: np.random.Generator) -> tuple:
        """Random crops; labels are ignored where a crop leaves the picture."""
        height, width = CROPS[self.kind]
        size = BATCH[self.kind]
        pictures = np.zeros((size, height, width, 3), np.uint8)
        zones = np.full((size, height, width), IGNORED, np.uint8)
        for k in range(size):
            name = names[rng.integers(len(names))]
            both = np.load(self.pool / "zones" / name, mmap_mode="r")
            h, w = both.shape[:2]
            top = int(rng.integers(min(0, h - height), max(0, h - height) + 1))
            left = int(rng.integers(min(0, w - width), max(0, w - width) + 1))
            r0, c0 = max(top, 0), max(left, 0)
            r1, c1 = min(top + height, h), min(left + width, w)
            rows, columns = slice(r0 - top, r1 - top), slice(c0 - left, c1 - left)
            part = np.array(both[r0:r1, c0:c1])
            pictures[k, rows, columns] = part[..., :3]
            zones[k, rows, columns] = part[..., 3]
        return pictures, zones

    def _close_ups(self, names: list[str], rng: np.random.Generator) -> tuple:
        """All close-ups of some coupons, as many as a batch takes."""
        size, pictures, truths = BATCH[self.kind], [], []
        while len(pictures) < size:
            name = names[rng.integers(len(names))]
            truth = np.load(self.pool / "truths" / name)
            picture = np.load(self.pool / "pictures" / name)
            if len(truth) == len(picture):  # else it is being written over
                pictures.extend(picture)
                truths.extend(truth)
        return np.stack(pictures[:size]), np.stack(truths[:size])


def vary(picture: torch.Tensor) -> torch.Tensor:
    """Change exposure, gamma, colour and sharpness, add noise; on the GPU."""
    n = picture.shape[0]

    def rand(low: float, high: float, channels: int = 1) -> torch.Tensor:
        span = torch.rand(n, channels, 1, 1, device=picture.device)
        return low + (high - low) * span

    empty = picture.amax(1, keepdim=True) == 0
    grey = picture.mean(1, keepdim=True)
    picture = grey + (picture - grey) * rand(0.0, 1.8)
    picture = picture.clamp(1e-3, 1) ** torch.exp(rand(-0.45, 0.45))
    picture = (picture - 0.5) * torch.exp(rand(-0.5, 0.35)) + 0.5 + rand(-0.18, 0.18)
    picture = picture * torch.exp(rand(-0.08, 0.08, 3))
    picture = picture * uneven_light(picture, rand(0, 0.25) * (rand(0, 1) < 0.4))
    flip = (rand(0, 1) < 0.04).float()  # etches come in both senses
    picture = flip * (1 - picture) + (1 - flip) * picture
    soft = torch.nn.functional.avg_pool2d(picture, 3, 1, 1)
    mix = (rand(0, 1) < 0.35).float() * rand(-0.5, 1.0)
    picture = picture + (soft - picture) * mix
    noise = torch.randn_like(picture) * rand(0, 0.03) * (rand(0, 1) < 0.4).float()
    return (picture + noise).clamp(0, 1) * ~empty


def uneven_light(picture: torch.Tensor, strength: torch.Tensor) -> torch.Tensor:
    """Give a factor that changes slowly over each picture."""
    rough = torch.randn(len(picture), 1, 3, 4, device=picture.device)
    smooth = torch.nn.functional.interpolate(
        rough, size=picture.shape[2:], mode="bicubic", align_corners=True
    )
    return torch.exp(strength * smooth)


def zone_loss(logits: torch.Tensor, zones: torch.Tensor) -> torch.Tensor:
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


def line_loss(logits: torch.Tensor, offset_mm: torch.Tensor) -> torch.Tensor:
    """Cross entropy of the row in which the line crosses each pair of columns."""
    offset = offset_mm.reshape(*offset_mm.shape[:-1], -1, 2).mean(-1)
    row = offset / ACROSS_MM + (BAND_ROWS - 1) / 2
    known = torch.isfinite(row)
    row = torch.where(known, row, 0.0)
    outside = (row < 0) | (row > BAND_ROWS - 1)
    low = row.clamp(0, BAND_ROWS - 1.001).floor()
    share = (row - low).clamp(0, 1)
    low = low.long()
    scores = torch.log_softmax(logits, dim=1)
    within = (1 - share) * pick(scores, low) + share * pick(scores, low + 1)
    each = -torch.where(outside, scores[:, -1], within)
    return (each * known).sum() / known.sum()


def pick(scores: torch.Tensor, row: torch.Tensor) -> torch.Tensor:
    """Give the score of one row in each column."""
    return scores.gather(1, row[:, None]).squeeze(1)


def toe_loss(logits: torch.Tensor, at_px: torch.Tensor) -> torch.Tensor:
    """Cross entropy of the pixel at which the toe lies, between four of them."""
    n, rows, columns = logits.shape
    scores = torch.log_softmax(logits.reshape(n, -1), dim=1)
    x = at_px[:, 0].clamp(0, columns - 1.001)
    y = at_px[:, 1].clamp(0, rows - 1.001)
    left, top = x.floor().long(), y.floor().long()
    right, below = x - left, y - top
    total = torch.zeros(n, device=logits.device)
    for dx, share_x in ((0, 1 - right), (1, right)):
        for dy, share_y in ((0, 1 - below), (1, below)):
            cell = (top + dy) * columns + left + dx
            total = total + share_x * share_y * scores.gather(1, cell[:, None])[:, 0]
    return -total.mean()


NETS = {
    "strip": ZoneNet,
    "view": ZoneNet,
    "line": LineNet,
    "cap": LineNet,
    "toe": ToeNet,
}
LOSSES = {
    "strip": zone_loss,
    "view": zone_loss,
    "line": line_loss,
    "cap": line_loss,
    "toe": toe_loss,
}
EXAMPLES = {
    "strip": (1, 3, 256, 512),
    "view": (1, 3, 256, 512),
    "line": (1, 3, 96, 256),
    "cap": (1, 3, 96, 256),
    "toe": (1, 3, 96, 128),
}


def mirrored(
    kind: str, picture: torch.Tensor, truth: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor]:
    """Mirror every other batch; a toe has its bead on one side and stays."""
    if kind == "toe" or torch.rand(()) < 0.5:
        return picture, truth
    return picture.flip(3), truth.flip(-1)


def train(asked: argparse.Namespace) -> None:
    """Learn for so many seconds, then write the network."""
    kind = asked.kind
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    widths = tuple(map(int, asked.widths.split(","))) if asked.widths else WIDTHS[kind]
    net = NETS[kind](widths, asked.first)
    if asked.start:
        go_on_from(net, asked.start)
    net = net.to(device, memory_format=torch.channels_last)
    loader = DataLoader(
        Pool(asked.pool, kind),
        batch_size=None,
        num_workers=asked.loaders,
        pin_memory=device.type == "cuda",
        prefetch_factor=4,
        multiprocessing_context="spawn",
    )
    optimiser = torch.optim.AdamW(net.parameters(), lr=asked.rate, weight_decay=1e-4)
    average = copy.deepcopy(net).eval()
    begun = report = saved = time.time()
    losses: list[torch.Tensor] = []
    for step, (pictures, truths) in enumerate(loader):
        share = (time.time() - begun) / asked.seconds
        if share >= 1:
            break
        for group in optimiser.param_groups:
            cosine = 0.5 + 0.5 * np.cos(np.pi * share)
            group["lr"] = asked.rate * min(1.0, (step + 1) / 200) * cosine + 1e-5
        picture = torch.as_tensor(pictures).to(device, non_blocking=True)
        picture = picture.permute(0, 3, 1, 2) / 255.0
        truth = torch.as_tensor(truths).to(device, non_blocking=True)
        picture, truth = mirrored(kind, vary(picture), truth)
        with torch.autocast(device.type, dtype=torch.bfloat16):
            channels_last = picture.contiguous(memory_format=torch.channels_last)
            logits = net.unfolded(channels_last)
        loss = LOSSES[kind](logits.float(), truth)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        follow(average, net, 1 - 1 / min(step + 1, 1000))
        losses.append(loss.detach())
        now = time.time()
        if now - report > 20 or step == 5:
            report = now
            mean = float(torch.stack(losses).mean())
            losses.clear()
            print(f"{kind} {now - begun:.0f} s step {step} loss {mean:.4f}", flush=True)
        if now - saved > min(150, asked.seconds / 3):
            saved = now
            write(average, asked)
    write(average, asked)
    print(f"{kind} done after {step} steps", flush=True)


def go_on_from(net: torch.nn.Module, path: Path) -> None:
    """
    Take over the weights of a written network.

    Writing folds each normalisation into the convolution before it, so the
    network goes on without normalisations.
    """
    import onnx  # noqa: PLC0415 - needed for this alone
    from onnx import numpy_helper  # noqa: PLC0415

    graph = onnx.load(path).graph
    arrays = {one.name: numpy_helper.to_array(one) for one in graph.initializer}
    written = [node.input[1:3] for node in graph.node if node.op_type == "Conv"]
    for parent in list(net.modules()):
        for name, child in list(parent.named_children()):
            if isinstance(child, torch.nn.BatchNorm2d):
                setattr(parent, name, torch.nn.Identity())
    convolutions = [m for m in net.modules() if isinstance(m, torch.nn.Conv2d)]
    for module, (weight, bias) in zip(convolutions, written, strict=True):
        module.weight.data = torch.tensor(arrays[weight])
        module.bias = torch.nn.Parameter(torch.tensor(arrays[bias]))


@torch.no_grad()
def follow(average: torch.nn.Module, net: torch.nn.Module, keep: float) -> None:
    """Keep a running average of the weights, which is what is written."""
    means, values = average.state_dict(), net.state_dict()
    floating = [k for k, v in means.items() if v.dtype.is_floating_point]
    torch._foreach_lerp_(
        [means[k] for k in floating], [values[k] for k in floating], 1 - keep
    )


def write(net: torch.nn.Module, asked: argparse.Namespace) -> None:
    """Write the network to run."""
    asked.out.mkdir(parents=True, exist_ok=True)
    net = copy.deepcopy(net).cpu().eval().float()
    net = net.to(memory_format=torch.contiguous_format)
    path = asked.out / f"{asked.name or asked.kind}.onnx"
    torch.onnx.export(
        net,
        (torch.zeros(*EXAMPLES[asked.kind]),),
        str(path),
        input_names=["picture"],
        output_names=["scores"],
        dynamic_axes={"picture": {0: "n", 2: "h", 3: "w"}},
        opset_version=17,
        dynamo=False,
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", choices=list(NETS), required=True)
    parser.add_argument("--pool", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=400)
    parser.add_argument("--loaders", type=int, default=4)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument("--widths", default="", help="channels of each level")
    parser.add_argument("--first", type=int, default=2, help="convolutions at the top")
    parser.add_argument("--start", type=Path, help="a written network to go on from")
    parser.add_argument("--out", type=Path, default=Path("models"))
    parser.add_argument("--name", default="", help="of the file, if not the kind")
    train(parser.parse_args())
