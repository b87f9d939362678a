"""The small networks that look at an etched section.

`ZoneNet` names the zone of every pixel: background, base metal, heat-affected
zone, weld metal, and other metal (side faces, spatter). `LineNet` and `ToeNet`
look a second time, closely: where in a band unrolled along a fusion line it
really lies, and where in a patch the toe is. All are U-shaped. The first step
folds pixels into channels and the last unfolds them, so that nearly all
arithmetic is done at half the resolution: they have to run on a laptop beside
the reading of a photo.
"""

import torch
from torch import nn

CLASSES = 5


def block(inputs: int, outputs: int, count: int = 2) -> nn.Sequential:
    """Some 3 x 3 convolutions, each normalised and rectified."""
    layers: list[nn.Module] = []
    for first in (inputs, outputs)[:count]:
        layers += [
            nn.Conv2d(first, outputs, 3, padding=1, bias=False),
            nn.BatchNorm2d(outputs),
            nn.ReLU(inplace=True),
        ]
    return nn.Sequential(*layers)


class Trunk(nn.Module):
    """The U: channels of a folded picture to as many of the same size.

    Height and width must be multiples of two to the number of widths less one.
    """

    def __init__(self, inputs: int, widths: tuple[int, ...]) -> None:
        super().__init__()
        self.down = nn.ModuleList()
        previous = inputs
        for width in widths:
            self.down.append(block(previous, width))
            previous = width
        self.up = nn.ModuleList()
        for width in reversed(widths[:-1]):
            self.up.append(block(previous + width, width, count=1))
            previous = width

    def forward(self, x: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """Give the fine channels, and the coarsest ones."""
        skips = []
        for index, stage in enumerate(self.down):
            x = stage(x if index == 0 else nn.functional.max_pool2d(x, 2))
            skips.append(x)
        coarse = skips.pop()
        for stage in self.up:
            x = nn.functional.interpolate(x, scale_factor=2.0, mode="nearest")
            x = stage(torch.cat([x, skips.pop()], dim=1))
        return x, coarse


def stem(outputs: int, kernel: tuple[int, int], stride: tuple[int, int]) -> nn.Module:
    """Fold neighbouring pixels of the picture into channels."""
    padding = tuple((k - 1) // 2 for k in kernel)
    return nn.Sequential(
        nn.Conv2d(3, outputs, kernel, stride=stride, padding=padding, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
    )


class ZoneNet(nn.Module):
    """Photo grid ``(n, 3, h, w)`` in 0..1 to class logits ``(n, 5, h, w)``.

    Height and width must be multiples of 32.
    """

    def __init__(self, widths: tuple[int, ...] = (16, 32, 64, 96, 128)) -> None:
        super().__init__()
        self.stem = stem(widths[0], (4, 4), (2, 2))
        self.trunk = Trunk(widths[0], widths)
        self.head = nn.Conv2d(widths[0], 4 * CLASSES, 3, padding=1)
        self.unfold = nn.PixelShuffle(2)

    def forward(self, picture: torch.Tensor) -> torch.Tensor:
        """Class logits at the picture's own resolution."""
        fine, _ = self.trunk(self.stem(picture - 0.5))
        return self.unfold(self.head(fine))


class LineNet(nn.Module):
    """Bands ``(n, 3, rows, w)`` in 0..1 to logits ``(n, 1, rows + 1, w / 2)``.

    Row r of column c: the line crosses this column in row r of the band; the
    last row: it lies outside the band. Rows must be a multiple of 16, the
    width one of 32.
    """

    def __init__(self, widths: tuple[int, ...] = (16, 32, 64, 96, 128)) -> None:
        super().__init__()
        self.stem = stem(widths[0], (3, 4), (1, 2))
        self.trunk = Trunk(widths[0], widths)
        self.head = nn.Conv2d(widths[0], 2, 3, padding=1)

    def forward(self, picture: torch.Tensor) -> torch.Tensor:
        """Logits of each place across the band, and of none of them."""
        fine, _ = self.trunk(self.stem(picture - 0.5))
        head = self.head(fine)
        beyond = head[:, 1:].mean(dim=2, keepdim=True)
        return torch.cat([head[:, :1], beyond], dim=2)


class ToeNet(nn.Module):
    """Patches ``(n, 3, rows, columns)`` in 0..1 to logits ``(n, 1, rows, columns)``.

    How much each pixel looks like the place of the toe.
    """

    def __init__(self, widths: tuple[int, ...] = (24, 40, 64, 96)) -> None:
        super().__init__()
        self.stem = stem(widths[0], (4, 4), (2, 2))
        self.trunk = Trunk(widths[0], widths)
        self.head = nn.Conv2d(widths[0], 4, 3, padding=1)
        self.unfold = nn.PixelShuffle(2)

    def forward(self, picture: torch.Tensor) -> torch.Tensor:
        """Logits at the picture's own resolution."""
        fine, _ = self.trunk(self.stem(picture - 0.5))
        return self.unfold(self.head(fine))
