"""What the network is trained on: CTC first, then against every other phone string.

`ctc` is connectionist temporal classification with label priors (the share of
each output is divided out, so that the blank does not swamp the phones).
`crf` is CTC-CRF: the same paths, weighed against all paths of a phone bigram,
so that scores of rivals mean something. Sources: Graves et al. 2006 (CTC);
Huang et al. 2024 (label priors); Xiang and Ou 2019 (CTC-CRF).
"""

from __future__ import annotations

import torch
from torch.nn import functional

from tests.lab.train.phones import BLANK, OUTPUTS


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


def all_paths(log_likelihoods: torch.Tensor, follow: torch.Tensor, end: torch.Tensor) -> torch.Tensor:
    """Log of the summed scores of every phone string's every path, for each row.

    log_likelihoods: (batch, time, 40). follow, end: from `bigram`. States are
    each phone sounding and each phone followed by a blank (0: none said yet).
    """
    emit = log_likelihoods.clamp_min(-30.0).exp()
    batch, time, _ = emit.shape
    apart = follow - torch.diag(torch.diagonal(follow))  # a phone right after itself needs a blank between
    sounding = emit.new_zeros(batch, OUTPUTS)
    resting = functional.one_hot(torch.zeros(batch, dtype=torch.long, device=emit.device), OUTPUTS).to(emit.dtype)
    total = emit.new_zeros(batch)
    for t in range(time):
        moved = emit[:, t] * (sounding + sounding @ apart + resting @ follow)
        resting = emit[:, t, :1] * (sounding + resting)
        size = (moved + resting).sum(dim=1, keepdim=True)
        sounding, resting = moved / size, resting / size
        total = total + size.log()[:, 0]
    return total + ((sounding + resting) @ end).log()


def crf(
    log_likelihoods: torch.Tensor, targets: torch.Tensor, lengths: torch.Tensor, follow: torch.Tensor, end: torch.Tensor
) -> torch.Tensor:
    """Minus the log share of the targets' paths among all paths, up to the bigram's own constant, for each row."""
    return ctc(log_likelihoods, targets, lengths) + all_paths(log_likelihoods, follow, end)
