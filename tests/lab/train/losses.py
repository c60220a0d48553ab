"""What the network is trained on: CTC first, then against every other phone string.

`ctc` is connectionist temporal classification with label priors (the share of
each output is divided out, so that the blank does not swamp the phones).
`crf` is CTC-CRF: the same paths, weighed against all paths of a phone bigram,
so that scores of rivals mean something. Sources: Graves et al. 2006 (CTC);
Huang et al. 2024 (label priors); Xiang and Ou 2019 (CTC-CRF).
"""

from __future__ import annotations

from typing import Any

import torch
from torch.nn import functional

from tests.lab.train.phones import BLANK, OUTPUTS

LEAST = -30.0
"""Log likelihoods below it count as this."""


def ctc(scores: torch.Tensor, targets: torch.Tensor, lengths: torch.Tensor) -> torch.Tensor:
    """Minus the log of the summed scores of all paths that spell the targets, for each row.

    scores: (batch, time, outputs) logs, normalised or not. targets: (batch, longest). lengths: (batch,).
    """
    # PyTorch's gradient holds for normalised scores only; the norm is the same for all paths.
    norm = torch.logsumexp(scores, dim=2)
    times = torch.full((scores.shape[0],), scores.shape[1], dtype=torch.long)
    loss = functional.ctc_loss(
        (scores - norm[..., None]).transpose(0, 1),
        targets,
        times,
        lengths.cpu(),
        blank=BLANK,
        reduction="none",
        zero_infinity=True,
    )
    return loss - norm.sum(dim=1)


def bigram(strings: list[list[int]], add: float = 0.5) -> tuple[torch.Tensor, torch.Tensor]:
    """Chances of the next phone and of the end after each phone.

    strings: outputs 1 to 39. Returns next, (40, 40) with row 0 the start and
    column 0 unused (0), and end, (40,); row sums of next plus end are 1.
    """
    counts = torch.full((OUTPUTS, OUTPUTS), add, dtype=torch.float64)
    for string in strings:
        for before, after in zip([0, *string], [*string, 0], strict=True):
            counts[before, after] += 1
    counts[0, 0] = add
    chances = counts / counts.sum(dim=1, keepdim=True)
    end = chances[:, 0].clone()
    chances[:, 0] = 0.0
    return chances.float(), end.float()


class _AllPaths(torch.autograd.Function):
    """Forward and backward sums over all paths; the gradient is each output's share of them at each time.

    Written out because recording every step for PyTorch to go back over takes several times as long.
    """

    @staticmethod
    def forward(ctx: Any, log_likelihoods: torch.Tensor, follow: torch.Tensor, end: torch.Tensor) -> torch.Tensor:
        emit = log_likelihoods.clamp_min(LEAST).exp()
        batch, time, _ = emit.shape
        emit = torch.cat([emit, emit[..., :1].expand(-1, -1, OUTPUTS)], dim=2).transpose(0, 1).contiguous()
        apart = follow - torch.diag(torch.diagonal(follow))  # a phone right after itself needs a blank between
        stay = torch.eye(OUTPUTS, dtype=follow.dtype, device=follow.device)
        steps = torch.cat([torch.cat([apart + stay, stay], dim=1), torch.cat([follow, stay], dim=1)], dim=0)
        ends = torch.cat([end, end])
        states = emit.new_empty(time, batch, 2 * OUTPUTS)
        sizes = emit.new_empty(time, batch, 1)
        state = emit.new_zeros(batch, 2 * OUTPUTS)
        state[:, OUTPUTS] = 1.0
        for t in range(time):
            state = (state @ steps).mul_(emit[t])
            sizes[t] = state.sum(dim=1, keepdim=True)
            state = state.div_(sizes[t])
            states[t] = state
        ctx.save_for_backward(states, emit, steps, ends)
        return sizes.log().sum(dim=0)[:, 0] + (state @ ends).log()

    @staticmethod
    def backward(ctx: Any, outward: torch.Tensor) -> tuple[torch.Tensor, None, None]:
        states, emit, steps, ends = ctx.saved_tensors
        back = steps.T.contiguous()
        left = torch.empty_like(states)
        ahead = ends.expand(states.shape[1], -1)
        for t in range(len(states) - 1, -1, -1):
            left[t] = ahead
            ahead = (ahead * emit[t]) @ back
            ahead = ahead.div_(ahead.sum(dim=1, keepdim=True))
        both = states * left
        both = both / both.sum(dim=2, keepdim=True)
        shares = both[..., :OUTPUTS].clone()
        shares[..., BLANK] += both[..., OUTPUTS:].sum(dim=2)
        return shares.transpose(0, 1) * outward[:, None, None], None, None


def all_paths(log_likelihoods: torch.Tensor, follow: torch.Tensor, end: torch.Tensor) -> torch.Tensor:
    """Log of the summed scores of every phone string's every path, for each row.

    log_likelihoods: (batch, time, 40). follow, end: from `bigram`. States are
    each phone sounding and each phone followed by a blank (0: none said yet).
    """
    found: torch.Tensor = _AllPaths.apply(log_likelihoods, follow, end)
    return found


def crf(
    log_likelihoods: torch.Tensor, targets: torch.Tensor, lengths: torch.Tensor, follow: torch.Tensor, end: torch.Tensor
) -> torch.Tensor:
    """Minus the log share of the targets' paths among all paths, up to the bigram's own constant, for each row."""
    return ctc(log_likelihoods, targets, lengths) + all_paths(log_likelihoods, follow, end)
