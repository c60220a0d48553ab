"""Write a model folder that Vosk loads: `python -m tests.lab.train.export TRAINED OUT`.

TRAINED is a folder that `train` filled. OUT gets am/final.mdl, conf/, graph/
and manifest.json. Words: all of the language file's, the most common of
English, and those named with --words (a text file; every word in it that has
a pronunciation is taken).
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import click
import torch

from tests.lab import made_with
from tests.lab.train import kaldi
from tests.lab.train.features import BINS, MFCC_CONF
from tests.lab.train.graph import Phones, Prices
from tests.lab.train.network import SUBSAMPLING, Layer, Network, Shape, folded
from tests.lab.train.vocabulary import Lexicon, lexicon, words_in, write_graph


def config_lines(layers: Sequence[Layer]) -> list[str]:
    """nnet3's description of how the layers hang together."""
    lines = [f"input-node name=input dim={BINS}"]
    for layer in layers:
        source = "input" if layer.source == "input" else f"{layer.source}.out"
        parts = [source if offset == 0 else f"Offset({source}, {offset})" for offset in layer.offsets]
        joined = parts[0] if len(parts) == 1 else f"Append({', '.join(parts)})"
        lines.append(f"component-node name={layer.name}.affine component={layer.name}.affine input={joined}")
        result = f"{layer.name}.affine"
        if layer.adds:
            result = f"Sum({result}, {layer.adds}.out)"
        if layer.rectified:
            lines.append(f"component-node name={layer.name}.out component={layer.name}.out input={result}")
        else:
            lines.append(
                f"dim-range-node name={layer.name}.out input-node={layer.name}.affine dim-offset=0"
                f" dim={len(layer.bias)}"
            )
    lines[-1] = f"component-node name=scores component=scores input={layers[-1].name}.affine"
    return [*lines, "output-node name=output input=scores objective=linear"]


def network_bytes(layers: Sequence[Layer], context: int, priors: Sequence[float]) -> bytes:
    """The nnet3 part of final.mdl."""
    components: list[tuple[str, bytes]] = []
    for layer in layers:
        components.append((f"{layer.name}.affine", kaldi.affine(layer.weights.numpy(), layer.bias.numpy())))
        if layer.rectified:
            components.append((f"{layer.name}.out", kaldi.nonlinear("RectifiedLinearComponent", len(layer.bias))))
    components.append(("scores", kaldi.nonlinear("LogSoftmaxComponent", len(layers[-1].bias))))
    return kaldi.nnet(config_lines(layers), components, context, context, priors)


def model_conf(scale: float, beam: float, lattice_beam: float) -> str:
    """conf/model.conf. Vosk's silence weighting takes three frames an output for granted."""
    return f"""--min-active=200
--max-active=2000
--beam={beam}
--lattice-beam={lattice_beam}
--acoustic-scale={scale}
--frame-subsampling-factor={SUBSAMPLING}
--endpoint.silence-phones=1
--endpoint.rule2.min-trailing-silence=0.5
--endpoint.rule3.min-trailing-silence=1.0
--endpoint.rule4.min-trailing-silence=2.0
"""


def write_folder(
    out: Path, network: Network, words: Lexicon, prices: Prices, scale: float = 1.0, prior: torch.Tensor | None = None,
    prior_power: float = 0.0, beam: float = 10.0, lattice_beam: float = 4.0,
) -> None:  # fmt: skip
    """Write the whole folder, replacing what is there.

    scale: of the sound's scores against the prices. prior: share of each output
    (40,), of which the power `prior_power` is divided out of the scores.
    """
    shutil.rmtree(out, ignore_errors=True)
    for part in ("am", "conf"):
        (out / part).mkdir(parents=True)
    phones = Phones()
    priors = [] if prior is None or not prior_power else prior.double().pow(prior_power).tolist()
    network = network.eval().cpu()
    (out / "am" / "final.mdl").write_bytes(
        b"\0B" + phones.model() + network_bytes(folded(network), network.shape.context, priors)
    )
    (out / "conf" / "mfcc.conf").write_text(MFCC_CONF)
    (out / "conf" / "model.conf").write_text(model_conf(scale, beam, lattice_beam))
    write_graph(out, words, prices)


def load(trained: Path) -> tuple[Network, torch.Tensor, dict]:
    """Network, prior and manifest of a `model.pt`."""
    state = torch.load(trained, map_location="cpu", weights_only=True)
    network = Network(Shape(**state["shape"]))
    network.load_state_dict(state["network"])
    return network.eval(), state["prior"].cpu(), state["about"]


@click.command()
@click.argument("trained", type=click.Path(path_type=Path, exists=True))
@click.argument("out", type=click.Path(path_type=Path))
@click.option(
    "--common", type=int, default=600, show_default=True, help="How many of the most used English words to add."
)
@click.option(
    "--words",
    "files",
    type=click.Path(path_type=Path, exists=True),
    multiple=True,
    help="A text file whose words to add.",
)
@click.option("--pause", type=float, default=Prices.pause, show_default=True)
@click.option("--blank", type=float, default=Prices.blank, show_default=True)
@click.option("--filler", type=float, default=Prices.filler, show_default=True)
@click.option("--filler-start", type=float, default=Prices.filler_start, show_default=True)
@click.option("--scale", type=float, default=1.0, show_default=True)
@click.option("--prior-power", type=float, default=0.0, show_default=True)
def main(trained: Path, out: Path, common: int, files: tuple[Path, ...], pause: float, blank: float, filler: float,
         filler_start: float, scale: float, prior_power: float) -> None:  # fmt: skip
    """Export TRAINED/model.pt to the folder OUT."""
    network, prior, about = load(trained / "model.pt")
    words = lexicon(common, words_in(files))
    prices = Prices(pause, blank, filler, filler_start)
    write_folder(out, network, words, prices, scale, prior, prior_power)
    size = sum(file.stat().st_size for file in out.rglob("*") if file.is_file())
    log = about.pop("log", [])
    named = {"trained": about.pop("made_with", ""), "words": made_with.words(words, asdict(prices))}
    told = {
        "made_with": named,
        "trained": about,
        "last": log[-1] if log else None,
        "words": len(words),
        "prices": asdict(prices),
        "scale": scale,
        "prior_power": prior_power,
        "bytes": size,
    }
    (out / "manifest.json").write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    click.echo(f"{out}: {len(words)} words, {size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
