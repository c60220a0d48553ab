"""A network out of a model folder, to train on from it.

What ships has its normalisation folded away (`network.folded`) and its weights
in one byte each. Here the weights are read back and the normalisation is put
in again where it changes nothing: as the mean and the spread that each layer
has on the speech at hand.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import torch
from torch import nn

from grammar.errors import GrammarError
from tests.lab.train import kaldi
from tests.lab.train.features import BINS
from tests.lab.train.network import SUBSAMPLING, Network, Shape

Affine = tuple[np.ndarray, np.ndarray]
"""Weights (out, in) and bias (out,)."""


def affines(folder: Path) -> dict[str, Affine]:
    """The layers of a folder that `export` wrote, by name, in their order. Raises GrammarError."""
    data = (folder / "am" / "final.mdl").read_bytes()
    found = {}
    for place in re.finditer(rb"<ComponentName> ([\w.]+)\.affine <FixedAffineComponent> <LinearParams> (?=CM)", data):
        weights, at = kaldi.unpacked(data, place.end())
        at += len(b"<BiasParams> FV ") + 5
        found[place[1].decode()] = (weights, np.frombuffer(data, "<f4", len(weights), at).astype(np.float64))
    if "last" not in found:
        raise GrammarError(f"{folder} holds no network of ours.", "Give a folder that 'export' wrote.")
    return found


def shape_of(folder: Path, layers: dict[str, Affine]) -> Shape:
    """What the layers and their offsets say."""
    text = (folder / "am" / "final.mdl").read_bytes().decode("latin-1")
    blocks = [name for name in layers if name.endswith(".waist")]
    steps = [re.search(rf"name={name}\.affine .*?Offset\(\S+, -(\d+)\)", text) for name in blocks]
    fine = sum(step is not None and int(step[1]) != SUBSAMPLING for step in steps)
    width, inputs = layers["first"][0].shape
    waist = layers[blocks[0]][0].shape[0]
    return Shape(width, waist, fine, len(blocks) - fine, (inputs // BINS - 1) // 2)


def network_of(folder: Path, more: int = 0) -> Network:
    """The network of a folder; each normalisation leaves things as they are until `settled`. Raises GrammarError.

    more: coarse blocks put on top, which change nothing until they are trained.
    """
    layers = affines(folder)
    shape = shape_of(folder, layers)
    known = shape.fine + shape.coarse
    network = Network(replace(shape, coarse=shape.coarse + more))
    pairs: list[tuple[nn.Linear, str]] = [(network.first, "first"), (network.last, "last")]
    blocks = [*network.fine, *network.coarse]
    for number, block in enumerate(blocks[:known], 1):
        pairs += [(block.squeeze, f"block{number}.waist"), (block.widen, f"block{number}")]
    with torch.no_grad():
        for block in blocks[known:]:
            block.norm.weight.zero_()
        for linear, name in pairs:
            weights, bias = layers[name]
            linear.weight.copy_(torch.from_numpy(weights))
            if linear.bias is not None:
                linear.bias.copy_(torch.from_numpy(bias))
        for norm in _norms(network):
            norm.running_mean.zero_()
            norm.running_var.fill_(1 - norm.eps)
    return network.eval()


@torch.no_grad()
def settled(network: Network, cepstra: Iterable[torch.Tensor]) -> Network:
    """The same outputs, now normalised by the mean and spread of these batches (each (batch, frames, 40))."""
    norms = _norms(network)
    sums = {norm: [0.0, torch.zeros_like(norm.running_mean), torch.zeros_like(norm.running_var)] for norm in norms}

    def look(norm: nn.Module, given: tuple[torch.Tensor, ...]) -> None:
        seen = sums[norm]
        seen[0] += len(given[0])
        seen[1] += given[0].float().sum(dim=0)
        seen[2] += given[0].float().square().sum(dim=0)

    hooks = [norm.register_forward_pre_hook(look) for norm in norms]
    for batch in cepstra:
        network(batch)
    for hook in hooks:
        hook.remove()
    for norm, (count, total, squares) in sums.items():
        mean = total / count
        spread = (squares / count - mean.square()).clamp_min(1e-6)
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(spread)
        scale = (spread + norm.eps).sqrt()
        if norm is network.settle:  # has no weights of its own, so the next layer takes them
            taps = 2 * network.shape.reach + 1
            network.first.bias.add_(network.first.weight @ mean.repeat(taps))
            network.first.weight.mul_(scale.repeat(taps))
        else:
            norm.bias.add_(norm.weight * mean)
            norm.weight.mul_(scale)
    return network


def _norms(network: Network) -> list[nn.BatchNorm1d]:
    return [one for one in network.modules() if isinstance(one, nn.BatchNorm1d)]
