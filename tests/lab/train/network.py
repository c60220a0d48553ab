"""The network: a narrow-waisted time-delay net, one set of phone scores every 30 ms.

First layer and two blocks look at every 10 ms frame, the other blocks at every
third. Each block squeezes two frames into a waist, widens again with the next
frame, and adds what came in. Sum, affine and rectifier are all that Kaldi's
nnet3 needs to run it; batch normalisation is folded away by `folded`.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

import torch
from torch import nn

from tests.lab.train.features import BINS
from tests.lab.train.phones import OUTPUTS

SUBSAMPLING = 3


@dataclass(frozen=True)
class Shape:
    """width, waist: units. fine, coarse: blocks at every frame and at every third. reach: frames to each side of the
    first layer."""

    width: int = 512
    waist: int = 128
    fine: int = 2
    coarse: int = 8
    reach: int = 2

    @property
    def context(self) -> int:
        """Frames needed to the left and to the right of an output."""
        return self.reach + self.fine + SUBSAMPLING * self.coarse


@dataclass(frozen=True, eq=False)
class Layer:
    """One affine layer as Kaldi runs it. weights: (out, offsets x in). adds: name of the layer added, rectified: at
    the end."""

    name: str
    source: str
    offsets: tuple[int, ...]
    weights: torch.Tensor
    bias: torch.Tensor
    adds: str | None = None
    rectified: bool = False


def _beside(x: torch.Tensor, frames: int) -> torch.Tensor:
    """(batch, time, n) -> (batch, time - frames + 1, frames x n): each frame with those after it."""
    last = x.shape[1] - frames + 1
    return torch.cat([x[:, i : i + last] for i in range(frames)], dim=2)


def _normed(norm: nn.BatchNorm1d, x: torch.Tensor) -> torch.Tensor:
    return norm(x.reshape(-1, x.shape[2])).view(x.shape)


class Block(nn.Module):
    """(batch, n, width) -> (batch, n - 2, width)."""

    def __init__(self, shape: Shape) -> None:
        super().__init__()
        self.squeeze = nn.Linear(2 * shape.width, shape.waist, bias=False)
        self.widen = nn.Linear(2 * shape.waist, shape.width)
        self.norm = nn.BatchNorm1d(shape.width)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        wide = self.widen(_beside(self.squeeze(_beside(x, 2)), 2))
        return torch.relu(_normed(self.norm, wide) + x[:, 1:-1])


class Network(nn.Module):
    """Cepstra (batch, frames, 40) -> log likelihoods of the outputs (batch, ceil(frames / 3), 40)."""

    def __init__(self, shape: Shape) -> None:
        super().__init__()
        self.shape = shape
        self.settle = nn.BatchNorm1d(BINS, affine=False)
        self.first = nn.Linear(BINS * (2 * shape.reach + 1), shape.width)
        self.first_norm = nn.BatchNorm1d(shape.width)
        self.fine = nn.ModuleList(Block(shape) for _ in range(shape.fine))
        self.coarse = nn.ModuleList(Block(shape) for _ in range(shape.coarse))
        self.last = nn.Linear(shape.width, OUTPUTS)

    def forward(self, cepstra: torch.Tensor) -> torch.Tensor:
        reach = self.shape.context
        before = cepstra[:, :1].expand(-1, reach, -1)
        after = cepstra[:, -1:].expand(-1, reach, -1)
        x = _normed(self.settle, torch.cat([before, cepstra, after], dim=1))
        x = torch.relu(_normed(self.first_norm, self.first(_beside(x, 2 * self.shape.reach + 1))))
        for block in self.fine:
            x = block(x)
        x = x[:, ::SUBSAMPLING]
        for block in self.coarse:
            x = block(x)
        return torch.log_softmax(self.last(x).float(), dim=2)

    def about(self) -> dict[str, int]:
        """The shape as plain data, for a checkpoint."""
        return asdict(self.shape)


def _scale(norm: nn.BatchNorm1d) -> tuple[torch.Tensor, torch.Tensor]:
    """The normalisation as y = scale x + shift."""
    scale = (norm.running_var.double() + norm.eps).rsqrt()
    if norm.affine:
        scale = scale * norm.weight.double()
    shift = -norm.running_mean.double() * scale
    return scale, shift + norm.bias.double() if norm.affine else shift


@torch.no_grad()
def folded(network: Network) -> list[Layer]:
    """The layers in Kaldi's order, normalisation folded into them. Weights are float64."""
    shape = network.shape
    scale_in, shift_in = _scale(network.settle)
    scale, shift = _scale(network.first_norm)
    taps = 2 * shape.reach + 1
    weights = network.first.weight.double()
    bias = network.first.bias.double() + weights @ shift_in.repeat(taps)
    weights = weights * scale_in.repeat(taps)
    offsets = tuple(range(-shape.reach, shape.reach + 1))
    layers = [Layer("first", "input", offsets, weights * scale[:, None], bias * scale + shift, rectified=True)]
    for number, block in enumerate([*network.fine, *network.coarse]):
        step = 1 if number < shape.fine else SUBSAMPLING
        source, name = layers[-1].name, f"block{number + 1}"
        scale, shift = _scale(block.norm)
        squeeze = block.squeeze.weight.double()
        layers.append(
            Layer(f"{name}.waist", source, (-step, 0), squeeze, torch.zeros(shape.waist, dtype=torch.float64))
        )
        widen = block.widen.weight.double() * scale[:, None]
        layers.append(
            Layer(
                name,
                f"{name}.waist",
                (0, step),
                widen,
                block.widen.bias.double() * scale + shift,
                adds=source,
                rectified=True,
            )
        )
    layers.append(Layer("last", layers[-1].name, (0,), network.last.weight.double(), network.last.bias.double()))
    return layers
