"""A small U-shaped network that names the zones of an etched section.

Five classes a pixel: background, base metal, heat-affected zone, weld metal,
and other metal (side faces, spatter). The first step folds 2 x 2 pixels into
channels and the last unfolds them, so that nearly all arithmetic is done at
half the resolution: it has to run on a laptop beside the reading of a photo.
"""

import torch
from torch import nn

CLASSES = 5


def block(inputs: int, outputs: int) -> nn.Sequential:
    """Two 3 x 3 convolutions, each normalised and rectified."""
    layers: list[nn.Module] = []
    for first, last in ((inputs, outputs), (outputs, outputs)):
        layers += [
            nn.Conv2d(first, last, 3, padding=1, bias=False),
            nn.BatchNorm2d(last),
            nn.ReLU(inplace=True),
        ]
    return nn.Sequential(*layers)


class ZoneNet(nn.Module):
    """Photo grid ``(n, 3, h, w)`` in 0..1 to class logits ``(n, 5, h, w)``.

    Height and width must be multiples of 32.
    """

    def __init__(self, widths: tuple[int, ...] = (24, 40, 64, 96, 128)) -> None:
        super().__init__()
        self.stem = nn.Sequential(
            nn.Conv2d(3, widths[0], 4, stride=2, padding=1, bias=False),
            nn.BatchNorm2d(widths[0]),
            nn.ReLU(inplace=True),
        )
        self.down = nn.ModuleList()
        previous = widths[0]
        for width in widths:
            self.down.append(block(previous, width))
            previous = width
        self.up = nn.ModuleList()
        for width in reversed(widths[:-1]):
            self.up.append(
                nn.Sequential(
                    nn.Conv2d(previous + width, width, 3, padding=1, bias=False),
                    nn.BatchNorm2d(width),
                    nn.ReLU(inplace=True),
                )
            )
            previous = width
        self.head = nn.Conv2d(previous, 4 * CLASSES, 3, padding=1)
        self.unfold = nn.PixelShuffle(2)

    def forward(self, picture: torch.Tensor) -> torch.Tensor:
        """Class logits at the picture's own resolution."""
        x = self.stem(picture - 0.5)
        skips = []
        for index, stage in enumerate(self.down):
            x = stage(x if index == 0 else nn.functional.max_pool2d(x, 2))
            skips.append(x)
        skips.pop()
        for stage in self.up:
            x = nn.functional.interpolate(x, scale_factor=2.0, mode="nearest")
            x = stage(torch.cat([x, skips.pop()], dim=1))
        return self.unfold(self.head(x))
