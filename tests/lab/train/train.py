"""Train the network: `python -m tests.lab.train.train CORPUS... OUT --minutes 9 --device cuda`.

OUT gets `last.pt` (weights, their running mean, optimiser, step; `--resume`
goes on from it), `model.pt` (the running mean, for `export`) and
`manifest.json` (what was run and how it went). The first part of a run is
trained with CTC, the rest, from `--crf-from` on, with CTC-CRF, which sharpens
a network that CTC has trained.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Iterator, Sequence
from copy import deepcopy
from pathlib import Path

import click
import numpy as np
import torch
from torch import nn
from tqdm import tqdm

from grammar.errors import GrammarError
from tests.lab import made_with
from tests.lab.train import losses, noises, shards
from tests.lab.train.augment import MILD, RATE, WARPS, Ranges, Situations
from tests.lab.train.features import Mfcc, frames_in
from tests.lab.train.network import Network, Shape
from tests.lab.train.people import people_file
from tests.lab.train.phones import OUTPUTS
from tests.lab.train.unfolded import network_of, settled

PRIOR_POWER = 0.4
"""How much of an output's share the CTC stage divides out."""
MEAN_MEMORY = 0.999
SETTLING = 24
"""Batches on which a shipped network gets its normalisation back."""


def batches(lengths: np.ndarray, seconds: float, rng: np.random.Generator) -> Iterator[np.ndarray]:
    """Rows of like length, about `seconds` of sound together, in random order, without end."""
    while True:
        order = np.argsort(lengths * rng.uniform(0.85, 1.18, len(lengths)))
        groups: list[np.ndarray] = []
        at = 0
        while at < len(order):
            room = max(1, int(seconds * RATE / (lengths[order[min(at + 64, len(order) - 1)]] + 1.1 * RATE)))
            room = max(1, room // 16 * 16)  # few different sizes, which the device likes
            groups.append(order[at : at + room])
            at += room
        for i in rng.permutation(len(groups)):
            yield groups[i]


def greedy(log_likelihoods: torch.Tensor) -> list[list[int]]:
    """The best output of each time, repeats and blanks dropped."""
    out = []
    for row in log_likelihoods.argmax(dim=2).cpu().tolist():
        out.append([one for i, one in enumerate(row) if one and (i == 0 or row[i - 1] != one)])
    return out


def distance(a: list[int], b: list[int]) -> int:
    """Insertions, deletions and substitutions from a to b."""
    row = list(range(len(b) + 1))
    for i, left in enumerate(a, 1):
        before, row[0] = row[0], i
        for j, right in enumerate(b, 1):
            before, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, before + (left != right))
    return row[-1]


class Trainer:
    """Network, optimiser and data of one run. Everything random comes from `seed`."""

    def __init__(
        self,
        speech: shards.Speech,
        shape: Shape,
        device: torch.device,
        seed: int,
        rate: float,
        noise_rows: int,
        noise_files: Sequence[Path] = (),
    ) -> None:
        torch.manual_seed(seed)
        g = torch.Generator(device=device).manual_seed(seed)
        self.speech = speech.to(device)
        noise = noises.pool(self.speech.samples, noise_rows, 30.0, g, noise_files)
        self.situations = Situations(self.speech, noise, g, Ranges())
        self.mfcc = Mfcc(WARPS).to(device)
        self.network = Network(shape).to(device)
        self.mean = deepcopy(self.network).eval()
        self.rate = rate
        self.optimiser = torch.optim.AdamW(self.network.parameters(), lr=rate, weight_decay=0.01, betas=(0.9, 0.98))
        self.follow, self.end = (one.to(device) for one in losses.bigram(speech.targets))
        self.prior = torch.full((OUTPUTS,), 1 / OUTPUTS, device=device)
        self.device = device
        self.step = self.began = 0
        self.heard_seconds = 0.0

    def loss(self, rows: np.ndarray, kind: str) -> torch.Tensor:
        """Mean loss a phone of one batch."""
        batch = self.situations.batch(torch.from_numpy(rows).to(self.device))
        count = frames_in(batch.samples.shape[1])
        cepstra = self.mfcc(batch.samples, batch.warp, self.situations.masks(len(rows), count, 40))
        self.heard_seconds += batch.samples.numel() / RATE
        with torch.autocast(self.device.type, torch.bfloat16, enabled=self.device.type == "cuda"):
            scores = self.network(cepstra)
        phones = batch.lengths.sum().clamp_min(1).to(self.device)
        if kind == "ctc":
            with torch.no_grad():
                self.prior.lerp_(scores.exp().mean(dim=(0, 1)), 0.02)
            return losses.ctc(scores - PRIOR_POWER * self.prior.log(), batch.targets, batch.lengths).sum() / phones
        plain = losses.ctc(scores, batch.targets, batch.lengths)
        rivals = losses.all_paths(scores, self.follow, self.end)
        return (1.1 * plain + rivals).sum() / phones

    def update(self, rows: np.ndarray, kind: str, done: float) -> float:
        """One step. done: share of the run that is over, for the learning rate."""
        warm = min(1.0, (self.step - self.began + 1) / 300)
        for group in self.optimiser.param_groups:
            group["lr"] = self.rate * warm * (0.02 + 0.98 * 0.5 * (1 + math.cos(math.pi * min(1.0, done))))
        loss = self.loss(rows, kind)
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(self.network.parameters(), 1.0)
        self.optimiser.step()
        self.step += 1
        memory = min(MEAN_MEMORY, (1 + self.step) / (10 + self.step))
        with torch.no_grad():
            for kept, now in zip(self.mean.state_dict().values(), self.network.state_dict().values(), strict=True):
                if kept.is_floating_point():
                    kept.lerp_(now, 1 - memory)
        return float(loss.detach())

    @torch.no_grad()
    def phone_errors(self, rows: np.ndarray, clean: bool) -> float:
        """Phone error rate of the mean network, greedy, in drawn situations or without any."""
        wrong = total = 0
        varied = self.situations.ranges
        if clean:
            self.situations.ranges = Ranges(
                (1.0, 1.0),
                (1.0, 1.0),
                clean=1.0,
                echo=0.0,
                narrow=0.0,
                clipped=0.0,
                silent=0.0,
                hidden=0.0,
                quieted=0.0,
            )
        else:
            self.situations.ranges = Ranges(silent=0.0, hidden=0.0)
        for at in range(0, len(rows), 64):
            some = rows[at : at + 64]
            batch = self.situations.batch(torch.from_numpy(some).to(self.device))
            for row, said in zip(some, greedy(self.mean(self.mfcc(batch.samples, batch.warp))), strict=True):
                wrong += distance(self.speech.targets[row], said)
                total += len(self.speech.targets[row])
        self.situations.ranges = varied
        return wrong / total

    def save(self, folder: Path, about: dict) -> None:
        """Write last.pt, model.pt and manifest.json."""
        folder.mkdir(parents=True, exist_ok=True)
        state = {
            "shape": self.network.about(),
            "network": self.network.state_dict(),
            "mean": self.mean.state_dict(),
            "prior": self.prior,
            "step": self.step,
        }
        torch.save({**state, "optimiser": self.optimiser.state_dict()}, folder / "last.pt")
        torch.save(
            {"shape": state["shape"], "network": state["mean"], "prior": self.prior, "about": about},
            folder / "model.pt",
        )
        (folder / "manifest.json").write_text(json.dumps(about, indent=1) + "\n", encoding="utf-8")

    def resume(self, file: Path) -> None:
        """Take weights (and the optimiser's memory where it is there) from a file that `save` wrote."""
        state = torch.load(file, map_location=self.device, weights_only=True)
        self.network.load_state_dict(state["network"])
        self.mean.load_state_dict(state.get("mean", state["network"]))
        self.prior = state["prior"].to(self.device)
        self.step = self.began = state.get("step", 10_000)
        if "optimiser" in state:
            self.optimiser.load_state_dict(state["optimiser"])

    def start_from(self, folder: Path, batches: Iterator[np.ndarray]) -> None:
        """Take the network of a model folder; `batches` of rows show how its layers lie. Raises GrammarError."""
        network = network_of(folder, self.network.shape.coarse - network_of(folder).shape.coarse).to(self.device)

        def heard() -> Iterator[torch.Tensor]:
            for _, rows in zip(range(SETTLING), batches, strict=False):
                batch = self.situations.batch(torch.from_numpy(rows).to(self.device))
                yield self.mfcc(batch.samples, batch.warp)

        state = settled(network, heard()).state_dict()
        self.network.load_state_dict(state)
        self.mean.load_state_dict(state)
        self.step = self.began = 10_000


@click.command()
@click.argument("corpus", nargs=-1, required=True, type=click.Path(path_type=Path, exists=True))
@click.argument("out", type=click.Path(path_type=Path))
@click.option(
    "--crf-from",
    type=float,
    default=0.6,
    show_default=True,
    help="Share of the run after which CTC-CRF takes over; 1 for never.",
)
@click.option(
    "--minutes", type=float, default=9.0, show_default=True, help="Wall time; the learning rate falls to nothing in it."
)
@click.option("--steps", type=int, default=0, help="End after so many steps, whatever the time.")
@click.option("--batch-seconds", type=float, default=900.0, show_default=True)
@click.option("--rate", type=float, default=2e-3, show_default=True)
@click.option("--width", type=int, default=512, show_default=True)
@click.option("--waist", type=int, default=128, show_default=True)
@click.option("--reach", type=int, default=2, show_default=True, help="Frames to each side of the first layer.")
@click.option("--fine", type=int, default=2, show_default=True, help="Blocks at every frame.")
@click.option("--coarse", type=int, default=8, show_default=True, help="Blocks at every third frame.")
@click.option(
    "--noises",
    "noise_folder",
    type=click.Path(path_type=Path, exists=True),
    help="A folder of real noises; those that people.yaml gives to training are used.",
)
@click.option(
    "--people",
    type=int,
    default=1,
    show_default=True,
    help="How many times more often than their weight people come up.",
)
@click.option(
    "--check",
    multiple=True,
    type=click.Path(path_type=Path, exists=True),
    help="A corpus that is not trained on; its wrong phones are counted at the end.",
)
@click.option("--resume", type=click.Path(path_type=Path, exists=True), help="A last.pt or model.pt to go on from.")
@click.option(
    "--start-from",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="A model folder to go on from; its shape is taken.",
)
@click.option("--more-blocks", type=int, default=0, show_default=True, help="Coarse blocks to add to --start-from.")
@click.option("--leave-out", multiple=True, help="A voice not to train on; may be given more than once.")
@click.option("--mild", is_flag=True, help="Gentler situations, for a last pass.")
@click.option("--noise-rows", type=int, default=40, show_default=True, help="Half minutes of each kind of noise.")
@click.option("--device", default="cpu", show_default=True)
@click.option("--seed", type=int, default=1, show_default=True)
def main(
    corpus: tuple[Path, ...],
    out: Path,
    crf_from: float,
    minutes: float,
    steps: int,
    batch_seconds: float,
    rate: float,
    width: int,
    waist: int,
    reach: int,
    fine: int,
    coarse: int,
    noise_folder: Path | None,
    people: int,
    check: tuple[Path, ...],
    resume: Path | None,
    start_from: Path | None,
    more_blocks: int,
    leave_out: tuple[str, ...],
    mild: bool,
    noise_rows: int,
    device: str,
    seed: int,
) -> None:
    """Train on CORPUS into OUT."""
    began = time.monotonic()
    try:
        everyone = shards.load(*corpus)
    except GrammarError as error:
        raise click.ClickException(error.text) from error
    speech, unseen = everyone.without(leave_out), everyone.only(leave_out)
    files = [noise_folder / f"{name}.ogg" for name in people_file().noises["train"]] if noise_folder else []
    shape = Shape(width=width, waist=waist, fine=fine, coarse=coarse, reach=reach)
    trainer = Trainer(
        speech,
        network_of(start_from, more_blocks).shape if start_from else shape,
        torch.device(device),
        seed,
        rate,
        noise_rows,
        files,
    )
    if mild:
        trainer.situations.ranges = MILD
    if resume:
        trainer.resume(resume)
    rng = np.random.default_rng(seed)
    about = {
        "crf_from": crf_from,
        "seed": seed,
        "hours": round(speech.hours, 3),
        "utterances": len(speech),
        "left_out": list(leave_out),
        "shape": trainer.network.about(),
        "parameters": sum(p.numel() for p in trainer.network.parameters()),
        "rate": rate,
        "batch_seconds": batch_seconds,
        "people": people,
        "person_hours": round(
            sum(int(speech.length[i]) for i in range(len(speech)) if speech.person[i]) / RATE / 3600, 3
        ),
        "mild": mild,
        "made_with": made_with.trained(trainer.network.about(), any(speech.person)),
        "resumed": resume.name if resume else None,
        "started_from": start_from.name if start_from else None,
        "log": [],
    }
    print(
        f"{len(speech)} utterances, {speech.hours:.2f} h, {about['parameters']} parameters, ready after"
        f" {time.monotonic() - began:.0f} s",
        flush=True,
    )
    held = rng.permutation(len(speech))[: min(256, len(speech) // 10)]
    taught = np.setdiff1d(np.arange(len(speech)), held)
    # an utterance stands in a round as often as its weight says
    taught = np.concatenate([np.full(speech.weight[i] * (people if speech.person[i] else 1), i) for i in taught])
    lengths = speech.length.numpy()[taught]
    if start_from:
        trainer.start_from(start_from, (taught[rows] for rows in batches(lengths, batch_seconds, rng)))
        print(f"before: {trainer.phone_errors(held, False):.4f} varied, {trainer.phone_errors(held, True):.4f} clean")
    losses_seen: list[float] = []
    taken = 0
    bar = tqdm(total=round(minutes * 60), unit="s", desc="training", mininterval=10)
    for rows in batches(lengths, batch_seconds, rng):
        spent = time.monotonic() - began
        if spent > minutes * 60 or (steps and taken >= steps):
            break
        done = max(spent / (minutes * 60), taken / steps if steps else 0.0)
        losses_seen.append(trainer.update(taught[rows], "crf" if done >= crf_from else "ctc", done))
        taken += 1
        bar.update(round(spent) - bar.n)
        if taken % 500 == 0:
            line = {
                "step": trainer.step,
                "seconds": round(spent),
                "loss": round(float(np.mean(losses_seen[-500:])), 4),
                "hours_heard": round(trainer.heard_seconds / 3600, 1),
                "errors_varied": round(trainer.phone_errors(held, False), 4),
                "errors_clean": round(trainer.phone_errors(held, True), 4),
            }
            about["log"].append(line)
            print(line, flush=True)
        if taken % 2000 == 0:
            trainer.save(out, about)
    bar.close()
    about |= {
        "steps": taken,
        "hours_heard": round(trainer.heard_seconds / 3600, 1),
        "seconds": round(time.monotonic() - began),
    }
    if len(held):
        about |= {"errors_varied": trainer.phone_errors(held, False), "errors_clean": trainer.phone_errors(held, True)}
    if len(unseen):
        trainer.speech = trainer.situations.speech = unseen.to(trainer.device)
        rows = np.arange(min(512, len(unseen)))
        about |= {
            "errors_left_out_varied": trainer.phone_errors(rows, False),
            "errors_left_out_clean": trainer.phone_errors(rows, True),
        }
    for folder in check:
        trainer.speech = trainer.situations.speech = shards.load(folder).to(trainer.device)
        rows = np.arange(min(1024, len(trainer.speech)))
        about |= {
            f"errors_{folder.name}_varied": trainer.phone_errors(rows, False),
            f"errors_{folder.name}_clean": trainer.phone_errors(rows, True),
        }
    trainer.save(out, about)
    print(json.dumps({key: value for key, value in about.items() if key != "log"}), flush=True)


if __name__ == "__main__":
    main()
