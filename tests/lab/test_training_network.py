"""Features, losses and network of the trained model against reference programs and brute force.

References: kaldi-native-fbank (Kaldi's features), Vosk itself (its decoder's
score of a sentence), enumeration of all paths. Needs PyTorch, the extra
`twohands[train]`.
"""

from __future__ import annotations

import itertools
import json
import math
from pathlib import Path

import numpy as np
import pytest

from assistant.hearing.audio.rate import SAMPLE_RATE as RATE

torch = pytest.importorskip("torch", reason="the training room needs PyTorch: pip install 'twohands[train]'")

from tests.lab.train import augment, export, features, losses, noises, shards, train, unfolded, whisper  # noqa: E402 - after the check for PyTorch
from tests.lab.train.graph import SILENCE, Phones, Prices, Search  # noqa: E402
from tests.lab.train.network import SUBSAMPLING, Layer, Network, Shape, folded  # noqa: E402
from tests.lab.train.phones import OUTPUTS  # noqa: E402

SMALL = Shape(width=24, waist=8, fine=1, coarse=2, reach=2)
GRAPH_SCALE = 0.9
"""Vosk multiplies the graph's costs by this before it tells a sentence's score (recognizer.cc)."""


@pytest.fixture(scope="module")
def network() -> Network:
    """An untrained network with normalisation that does something."""
    torch.manual_seed(4)
    made = Network(SMALL)
    for part in made.modules():
        if isinstance(part, torch.nn.BatchNorm1d):
            part.running_mean.normal_()
            part.running_var.uniform_(0.5, 2.0)
    torch.nn.init.normal_(made.last.weight, std=0.4)
    return made.eval()


def speech(seed: int) -> np.ndarray:
    """Something with the loudness and the slope of speech; int16."""
    rng = np.random.default_rng(seed)
    loud = np.repeat(rng.uniform(0.2, 1.0, 20), RATE // 20)
    return (
        (np.convolve(rng.normal(0, 3000, RATE), [1, 0.9, 0.7, 0.4], "same") * loud).clip(-32000, 32000).astype(np.int16)
    )


@pytest.mark.parametrize("seed", [0, 1])
def test_features_equal_kaldis(seed: int):
    reference = pytest.importorskip("kaldi_native_fbank")
    options = reference.MfccOptions()
    options.use_energy = False
    options.num_ceps = options.mel_opts.num_bins = features.BINS
    options.mel_opts.low_freq, options.mel_opts.high_freq = features.LOW, features.HIGH
    options.frame_opts.dither = 0
    options.frame_opts.snip_edges = True
    sound = speech(seed)
    made = reference.OnlineMfcc(options)
    made.accept_waveform(RATE, sound.astype(np.float32).tolist())
    made.input_finished()
    theirs = np.stack([made.get_frame(i) for i in range(made.num_frames_ready)])
    ours = features.Mfcc()(torch.from_numpy(sound)[None].float())[0].numpy()
    assert ours.shape == theirs.shape == (features.frames_in(len(sound)), features.BINS)
    assert np.abs(ours - theirs).max() < 1e-3


def test_a_higher_warp_moves_a_tone_up():
    at = []
    tone = 8000 * torch.sin(2 * math.pi * 1500 * torch.arange(RATE) / RATE)[None]
    for warp in (0.8, 1.0, 1.25):
        at.append(int(features.Mfcc((warp,)).log_mel(tone)[0].mean(dim=0).argmax()))
    assert at == sorted(set(at))


def test_no_warp_leaves_a_filter_deaf():
    """A filter without any input would give a floor value that real sound never has."""
    for warp in augment.WARPS:
        assert (features.mel_filters(warp).sum(dim=1) > 0).all(), warp


def test_all_paths_equal_the_sum_over_every_path():
    """Brute force over 40^3 paths of three frames."""
    torch.manual_seed(0)
    scores = torch.log_softmax(torch.randn(1, 3, OUTPUTS), dim=2)
    follow, end = losses.bigram([[1, 2, 3], [5, 5, 2]])
    chances, follow_, end_ = scores[0].exp().double().numpy(), follow.double().numpy(), end.double().numpy()
    total = 0.0
    for path in itertools.product(range(OUTPUTS), repeat=3):
        string = [one for i, one in enumerate(path) if one and (i == 0 or path[i - 1] != one)]
        weight = (
            math.prod(follow_[a, b] for a, b in itertools.pairwise([0, *string])) * end_[string[-1] if string else 0]
        )
        total += weight * math.prod(chances[t, one] for t, one in enumerate(path))
    assert float(losses.all_paths(scores, follow, end)[0]) == pytest.approx(math.log(total), rel=1e-5)


def test_the_slope_of_all_paths_is_the_numerical_one():
    torch.manual_seed(1)
    scores = torch.log_softmax(torch.randn(2, 7, OUTPUTS, dtype=torch.double), dim=2).requires_grad_()
    follow, end = (one.double() for one in losses.bigram([[1, 2, 3], [5, 5, 2], [4]]))
    weights = torch.tensor([0.7, 2.0], dtype=torch.double)
    (losses.all_paths(scores, follow, end) * weights).sum().backward()
    for place in ((0, 0, 0), (0, 2, 3), (1, 4, 0), (1, 6, 2), (0, 3, 9)):
        moved = scores.detach().clone()
        moved[place] += 1e-6
        before, after = (losses.all_paths(one, follow, end) for one in (scores.detach(), moved))
        slope = float(((after - before) * weights).sum()) / 1e-6
        assert float(scores.grad[place]) == pytest.approx(slope, abs=1e-6)


def test_ctc_of_scores_that_do_not_add_up_has_the_right_slope():
    """Against a numerical derivative; PyTorch's own gradient holds only for normalised scores."""
    torch.manual_seed(0)
    scores = torch.randn(1, 6, OUTPUTS, dtype=torch.double, requires_grad=True)
    targets, lengths = torch.tensor([[3, 3, 7]]), torch.tensor([3])
    loss = losses.ctc(scores, targets, lengths).sum()
    loss.backward()
    for place in ((0, 2, 3), (0, 4, 0), (0, 1, 9)):
        moved = scores.detach().clone()
        moved[place] += 1e-5
        slope = (float(losses.ctc(moved, targets, lengths).sum().detach()) - float(loss.detach())) / 1e-5
        assert float(scores.grad[place]) == pytest.approx(slope, abs=1e-3)


def test_bigram_rows_add_up_to_one():
    follow, end = losses.bigram([[1, 2], [2, 2, 5]])
    assert torch.allclose(follow.sum(dim=1) + end, torch.ones(OUTPUTS), atol=1e-6)


def by_layers(layers: list[Layer], cepstra: np.ndarray, context: int) -> np.ndarray:
    """What Kaldi computes from the exported layers, frame by frame, before the weights are rounded."""
    padded = np.pad(cepstra.astype(np.float64), ((context, context), (0, 0)), mode="edge")
    values = {"input": padded}
    for layer in layers:
        source, weights = values[layer.source], layer.weights.numpy()
        out = np.zeros((len(padded), len(layer.bias)))
        reach = max(map(abs, layer.offsets))
        for t in range(reach, len(padded) - reach):
            out[t] = weights @ np.concatenate([source[t + offset] for offset in layer.offsets]) + layer.bias.numpy()
        if layer.adds:
            out += values[layer.adds]
        values[layer.name] = np.maximum(out, 0.0) if layer.rectified else out
    last = values[layers[-1].name][context : context + len(cepstra) : SUBSAMPLING]
    return last - np.log(np.exp(last).sum(axis=1, keepdims=True))


def test_exported_layers_equal_the_network(network: Network):
    cepstra = torch.from_numpy(np.random.default_rng(1).normal(0, 8, (41, features.BINS))).float()
    with torch.no_grad():
        whole = network(cepstra[None])[0].numpy()
    layers = by_layers(folded(network), cepstra.numpy(), SMALL.context)
    assert whole.shape == layers.shape == (14, OUTPUTS)
    assert np.abs(whole - layers).max() < 5e-3


def best_score(scores: np.ndarray, sounds: list[str], prices: Prices) -> tuple[float, float]:
    """Score of the best path of one word through its graph: sound's part and graph's cost, by dynamic programming."""
    phones = Phones()
    search = Search(phones, prices)
    search.add_word(sounds, 1)
    output = {0: None}
    for (_, state, out, _), number in phones.transition.items():
        output[number] = out if state == 0 else 0
    best = {(0, False): (0.0, 0.0, 0.0)}

    def settle(front: dict) -> dict:
        todo = list(front)
        while todo:
            at, said = todo.pop()
            for arc in search.states[at]:
                key = (arc.to, said or bool(arc.olabel))
                if arc.ilabel or (said and arc.olabel):
                    continue
                total = front[at, said][0] - arc.cost
                if key not in front or total > front[key][0]:
                    front[key] = (total, front[at, said][1], front[at, said][2] + arc.cost)
                    todo.append(key)
        return front

    for frame in scores:
        front: dict = {}
        for (at, said), (total, sound, cost) in settle(best).items():
            for arc in search.states[at]:
                if not arc.ilabel or (said and arc.olabel):
                    continue
                key, gain = (arc.to, said or bool(arc.olabel)), float(frame[output[arc.ilabel]])
                if key not in front or total + gain - arc.cost > front[key][0]:
                    front[key] = (total + gain - arc.cost, sound + gain, cost + arc.cost)
        best = front
    _, sound, cost = settle(best)[search.loop, True]
    return sound, cost


def test_vosk_gives_a_sentence_the_score_that_pytorch_gives_it(network: Network, tmp_path: Path):
    """The best path of the word "nine" through features, network and graph, here and in Vosk.

    Vosk adds the cost of its own two-word language model, which is the same
    for both sounds; so the difference of two scores is compared.
    """
    import vosk

    vosk.SetLogLevel(-1)
    prices, sounds = Prices(), ["N", "AY", "N"]
    export.write_folder(tmp_path / "model", network, {"nine": [sounds]}, prices, beam=60.0, lattice_beam=6.0)
    model = vosk.Model(str(tmp_path / "model"))
    network = unfolded.network_of(tmp_path / "model")  # with the weights as they are stored
    ours, theirs = [], []
    for seed in (3, 4):
        sound = speech(seed)
        recogniser = vosk.KaldiRecognizer(model, RATE, json.dumps(["nine"]))
        recogniser.SetMaxAlternatives(1)
        recogniser.AcceptWaveform(sound.tobytes())
        found = json.loads(recogniser.FinalResult())["alternatives"][0]
        assert found["text"] == "nine"
        theirs.append(found["confidence"])
        with torch.no_grad():
            scores = network(features.Mfcc()(torch.from_numpy(sound)[None].float()))[0].numpy()
        part, cost = best_score(scores, sounds, prices)
        ours.append(part - GRAPH_SCALE * cost)
    assert abs(theirs[0] - theirs[1]) > 0.5, "the two sounds are too alike to tell anything"
    print(f"Vosk {theirs[0] - theirs[1]:.4f}, PyTorch {ours[0] - ours[1]:.4f}")
    assert theirs[0] - theirs[1] == pytest.approx(ours[0] - ours[1], abs=0.05)


def test_phone_files_name_the_same_ids(network: Network, tmp_path: Path):
    folder = tmp_path / "model"
    export.write_folder(folder, network, {"nine": [["N", "AY", "N"]]}, Prices())
    ids = {int(line.split()[1]) for line in (folder / "graph/phones.txt").read_text().splitlines()} - {0}
    bounds = {int(line.split()[0]) for line in (folder / "graph/phones/word_boundary.int").read_text().splitlines()}
    assert ids == bounds
    assert SILENCE in ids


def toy_speech() -> shards.Speech:
    """Six utterances of tones, a phone a tone."""
    rng = np.random.default_rng(0)
    t = np.arange(RATE // 5) / RATE
    rows, targets = [], []
    for _ in range(6):
        string = [int(one) for one in rng.integers(1, 4, 3)]
        rows.append(np.concatenate([8000 * np.sin(2 * math.pi * 400 * one * t) for one in string]).astype(np.int16))
        targets.append(string)
    length = len(rows[0])
    start = torch.arange(6) * length
    return shards.Speech(
        torch.from_numpy(np.concatenate(rows)),
        start,
        torch.full((6,), length),
        targets,
        ["toy"] * 6,
        ["toy"] * 6,
        [1] * 6,
        [False] * 6,
    )


def test_batches_repeat_with_the_seed_and_stay_in_range():
    def one() -> augment.Batch:
        g = torch.Generator().manual_seed(9)
        made = toy_speech()
        noise = noises.pool(made.samples, 1, 5.0, g)
        return augment.Situations(made, noise, g).batch(torch.arange(6))

    first, second = one(), one()
    assert torch.equal(first.samples, second.samples)
    assert first.samples.abs().max() <= 32768
    assert torch.isfinite(first.samples).all()
    assert first.samples.shape[1] % augment.ROUND == 0


def test_tempo_changes_length_and_not_the_words():
    made = toy_speech()
    length = made.length[:1]
    slow = augment.stretched(made.samples, made.start[:1], length, torch.tensor([0.8]), torch.tensor([0.0]), 16_000)
    fast = augment.stretched(made.samples, made.start[:1], length, torch.tensor([1.25]), torch.tensor([0.0]), 16_000)
    assert int(torch.nonzero(slow[0]).max()) == pytest.approx(9600 / 0.8, abs=8)
    assert int(torch.nonzero(fast[0]).max()) == pytest.approx(9600 / 1.25, abs=8)


def test_speech_far_into_a_long_corpus_is_read_sample_for_sample():
    """Beyond 2^24 samples a float32 cannot tell neighbours apart."""
    far = 2**24 + 40_001
    row = torch.zeros(far + 3000, dtype=torch.int16)
    row[far:] = torch.from_numpy(np.random.default_rng(0).integers(-9000, 9000, 3000).astype(np.int16))
    start, length = torch.tensor([far]), torch.tensor([3000])
    read = augment.stretched(row, start, length, torch.tensor([1.0]), torch.tensor([0.0]), 2990)
    assert torch.allclose(read[0], row[far : far + 2990].float(), atol=1e-2)


def test_a_few_steps_lower_the_loss():
    trainer = train.Trainer(toy_speech(), SMALL, torch.device("cpu"), seed=1, rate=5e-3, noise_rows=1)
    rows = np.arange(6)
    seen = [trainer.update(rows, "ctc", 0.0) for _ in range(40)]
    assert np.mean(seen[-5:]) < np.mean(seen[:5]) - 1.0
    assert math.isfinite(trainer.update(rows, "crf", 0.5))


def test_edit_distance_by_hand():
    assert train.distance([1, 2, 3], [1, 3]) == 1
    assert train.distance([], [4, 4]) == 2
    assert train.distance([1, 2], [2, 1]) == 2


def test_rooms_are_taken_out_in_training_as_in_the_product():
    """Against the product's own subtraction, which is made with scipy's transforms."""
    from assistant.hearing.engines import looks
    from tests.lab.train import quieting

    rng = np.random.default_rng(2)
    t = np.arange(16_000) / RATE
    sound = (
        rng.normal(0, 300, 16_000) + 6000 * np.sin(2 * math.pi * 700 * t) * (np.sin(2 * math.pi * 2 * t) > 0)
    ).astype(np.int16)
    ours = quieting.quieted(torch.from_numpy(sound).float()[None])[0].numpy()
    theirs = looks.quieted(sound).astype(np.float64)
    inside = slice(1024, -1024)
    assert np.sqrt(np.mean((ours - theirs)[inside] ** 2)) < 0.02 * np.sqrt(np.mean(theirs[inside] ** 2))
    assert (quieting.MORE, quieting.LEFT, quieting.ROOM_PERCENT) == (looks.MORE, looks.LEFT, looks.ROOM_PERCENT)


def test_utterances_come_up_as_often_as_their_weight_says():
    made = toy_speech()
    assert made.without(["toy"]).weight == [] and made.only(["toy"]).weight == [1] * 6
    assert len(made.only(["toy"]).person) == 6


def test_a_network_read_back_from_a_folder_hears_the_same_and_can_be_trained_on(network: Network, tmp_path: Path):
    words = {"yes": [["Y", "EH", "S"]]}
    export.write_folder(tmp_path / "made", network, words, Prices())
    back = unfolded.network_of(tmp_path / "made")
    assert back.shape == network.shape
    torch.manual_seed(1)
    cepstra = [torch.randn(4, 150, features.BINS) * 3 + 2 for _ in range(4)]
    with torch.no_grad():
        wanted, got = network(cepstra[0]), back(cepstra[0])
    assert (wanted - got).abs().mean() < 0.05
    settled = unfolded.settled(back, cepstra)
    with torch.no_grad():
        assert torch.allclose(got, settled(cepstra[0]), atol=1e-3)
        # in training each layer is normalised by the batch: the same outputs there, nearly
        assert (settled.train()(torch.cat(cepstra)) - settled.eval()(torch.cat(cepstra))).abs().mean() < 0.05


def test_blocks_put_on_top_change_nothing_until_they_are_trained(network: Network, tmp_path: Path):
    export.write_folder(tmp_path / "made", network, {"yes": [["Y", "EH", "S"]]}, Prices())
    small, grown = unfolded.network_of(tmp_path / "made"), unfolded.network_of(tmp_path / "made", 2)
    assert grown.shape.coarse == small.shape.coarse + 2
    torch.manual_seed(1)
    cepstra = [torch.randn(4, 150, features.BINS) * 3 + 2 for _ in range(4)]
    grown = unfolded.settled(grown, cepstra)
    with torch.no_grad():
        wanted, got = small(cepstra[0]), grown(cepstra[0])
    assert torch.allclose(wanted, got, atol=1e-3)
    grown.train()(cepstra[0]).square().mean().backward()
    assert float(grown.coarse[-1].norm.weight.grad.abs().max()) > 0


def test_a_whisper_keeps_the_resonances_and_loses_the_pitch():
    t = np.arange(2 * RATE) / RATE
    voiced = sum(np.sin(2 * math.pi * 125 * k * t) * math.exp(-(((125 * k - 1500) / 300) ** 2)) for k in range(1, 40))
    sound = torch.from_numpy(4000 * voiced).float()[None].repeat(8, 1)
    said = whisper.whispered(sound, torch.Generator().manual_seed(3)).numpy()

    def beat(row: np.ndarray) -> float:
        """How alike it is to itself one period of the pitch later."""
        lag = RATE // 125
        return float(np.corrcoef(row[RATE // 2 : RATE], row[RATE // 2 + lag : RATE + lag])[0, 1])

    assert beat(sound[0].numpy()) > 0.99
    assert min(abs(beat(row)) for row in said) < 0.2
    assert max(abs(beat(row)) for row in said) < 0.95
    for row in said:
        spectrum = np.abs(np.fft.rfft(row[: 1 << 14] * np.hanning(1 << 14))) ** 2
        hertz = np.fft.rfftfreq(1 << 14, 1 / RATE)
        assert abs((spectrum * hertz).sum() / spectrum.sum() - 1500) < 200
        assert np.sqrt(np.mean(row**2)) == pytest.approx(float(sound[0].square().mean().sqrt()), rel=0.6)
