"""The small networks that look at an etched section.

`ZoneNet` names the zone of every pixel: background, base metal, heat-affected
zone, weld metal, and other metal (side faces, spatter). `LineNet` and `ToeNet`
look a second time, closely: where in a band unrolled along a fusion line it
really lies, and where in a patch the toe is. All are U-shaped. The first step
folds pixels into channels, so that nearly all arithmetic is done at a quarter
of the resolution, and what comes out is left folded: a processor rearranges
numbers as slowly as it multiplies them, and whoever runs a network unfolds only
what is needed. They have to run on a laptop beside the reading of a photo. Toes
are few and small, and `ToeNet` works at half of the resolution: folded like the
others it was a tenth less exact.
"""

import torch
from torch import nn

CLASSES = 5
WIDTHS = {
    "strip": (40, 64, 112, 192, 256),
    "view": (32, 48, 80, 128),
    "line": (32, 56, 96, 144, 192),
    "cap": (32, 48, 80, 112, 144),
    "toe": (24, 40, 64, 96),
}


def convolution(inputs: int, outputs: int) -> nn.Sequential:
    """A 3 x 3 convolution, normalised and rectified."""
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, padding=1, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
    )


class Rise(nn.Module):
    """One step up: twice the size, together with what was seen on the way down.

    What was seen is added, or joined as further channels, which costs more.
    """

    def __init__(self, inputs: int, outputs: int, *, joined: bool) -> None:
        super().__init__()
        self.joined = joined
        self.across = nn.Identity() if joined else nn.Conv2d(inputs, outputs, 1)
        self.blend = convolution(inputs + outputs if joined else outputs, outputs)

    def forward(self, coarse: torch.Tensor, fine: torch.Tensor) -> torch.Tensor:
        """Give the channels of the finer level."""
        risen = nn.functional.interpolate(
            self.across(coarse), scale_factor=2.0, mode="nearest"
        )
        both = torch.cat([risen, fine], dim=1) if self.joined else risen + fine
        return self.blend(both)


class Trunk(nn.Module):
    """The U: channels of a folded picture to as many of the same size.

    ``first`` convolutions at the finest level, two at each of the others. Height
    and width must be multiples of two to the number of widths less one.
    """

    def __init__(
        self, widths: tuple[int, ...], first: int, *, joined: bool = False
    ) -> None:
        super().__init__()
        self.down, self.up = nn.ModuleList(), nn.ModuleList()
        previous = widths[0]
        for level, width in enumerate(widths):
            count = first if level == 0 else 2
            inputs = [previous] + [width] * (count - 1)
            self.down.append(nn.Sequential(*(convolution(i, width) for i in inputs)))
            previous = width
        for width in reversed(widths[:-1]):
            self.up.append(Rise(previous, width, joined=joined))
            previous = width

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Give the fine channels."""
        skips = []
        for level, stage in enumerate(self.down):
            x = stage(x if level == 0 else nn.functional.max_pool2d(x, 2))
            skips.append(x)
        x = skips.pop()
        for stage in self.up:
            x = stage(x, skips.pop())
        return x


class FoldedNet(nn.Module):
    """Pictures ``(n, 3, h, w)`` in 0..1 to ``(n, outputs, h / fold, w / fold)``."""

    def __init__(
        self, widths: tuple[int, ...], fold: tuple[int, int], outputs: int, first: int
    ) -> None:
        super().__init__()
        self.stem = nn.Sequential(
            nn.Conv2d(3, widths[0], fold, stride=fold, bias=False),
            nn.BatchNorm2d(widths[0]),
            nn.ReLU(inplace=True),
        )
        self.trunk = Trunk(widths, first)
        self.head = nn.Conv2d(widths[0], outputs, 1)

    def forward(self, picture: torch.Tensor) -> torch.Tensor:
        """Scores as they are written, still folded."""
        return self.head(self.trunk(self.stem(picture - 0.5)))

    def unfolded(self, picture: torch.Tensor) -> torch.Tensor:
        """Scores as the loss compares them with the truth."""
        raise NotImplementedError


class ZoneNet(FoldedNet):
    """Zones; sides must be multiples of ``2 ** (len(widths) + 1)``.

    Channel ``4 k + 2 r + c`` is the logit of class k at row r and column c of
    the two by two points that each folded pixel stands for: logits have half
    the picture's resolution.
    """

    def __init__(self, widths: tuple[int, ...], first: int = 2) -> None:
        super().__init__(widths, (4, 4), 4 * CLASSES, first)

    def unfolded(self, picture: torch.Tensor) -> torch.Tensor:
        """Class logits ``(n, 5, h, w)`` at the picture's own resolution."""
        half = nn.functional.pixel_shuffle(self(picture), 2)
        return nn.functional.interpolate(
            half, scale_factor=2.0, mode="bilinear", align_corners=False
        )


class LineNet(FoldedNet):
    """Lines in bands, 96 rows high; the width must be a multiple of 64.

    Channel ``2 r + c`` of the first four is the logit of the line crossing pair
    c of columns in row r, of the two rows and four columns that each folded
    pixel stands for; the last two are those of its lying outside the band, for
    each pair of columns, to be averaged over all rows.
    """

    def __init__(self, widths: tuple[int, ...], first: int = 2) -> None:
        super().__init__(widths, (2, 4), 6, first)

    def unfolded(self, picture: torch.Tensor) -> torch.Tensor:
        """Logits ``(n, rows + 1, w / 2)``; the last row: outside the band."""
        scores = self(picture)
        rows = nn.functional.pixel_shuffle(scores[:, :4], 2)[:, 0]
        beyond = scores[:, 4:].mean(dim=2).transpose(1, 2).flatten(1)
        return torch.cat([rows, beyond[:, None]], dim=1)


class ToeNet(nn.Module):
    """Patches ``(n, 3, rows, columns)`` to logits ``(n, 1, rows, columns)``.

    How much each pixel looks like the place of the toe. Sides must be multiples
    of 16.
    """

    def __init__(self, widths: tuple[int, ...], first: int = 2) -> None:
        super().__init__()
        self.stem = nn.Sequential(
            nn.Conv2d(3, widths[0], 4, stride=2, padding=1, bias=False),
            nn.BatchNorm2d(widths[0]),
            nn.ReLU(inplace=True),
        )
        self.trunk = Trunk(widths, first, joined=True)
        self.head = nn.Conv2d(widths[0], 4, 3, padding=1)

    def forward(self, picture: torch.Tensor) -> torch.Tensor:
        """Logits at the picture's own resolution."""
        folded = self.head(self.trunk(self.stem(picture - 0.5)))
        return nn.functional.pixel_shuffle(folded, 2)

    def unfolded(self, picture: torch.Tensor) -> torch.Tensor:
        """Logits ``(n, rows, columns)``, as the loss takes them."""
        return self(picture)[:, 0]
