"""Moving an acoustic model: its files, its densities and its re-estimation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from assistant.errors import ModelError
from assistant.hearing.adapt.aligned import Aligner, Cepstra
from assistant.hearing.adapt.moved import Caution, Frames, adapt, likelihood
from assistant.hearing.engines import room_model as room_model_module
from assistant.hearing.engines.acoustic import (
    PHONES,
    WEIGHT_STEP,
    Acoustic,
    features,
    merged,
    read_acoustic,
    wheel_folder,
    write_acoustic,
)
from assistant.hearing.engines.room_model import furnace_room, furnace_room_model, room_model, write_moved
from assistant.hearing.engines.sphinx import SphinxEngine
from audio_fixtures.rooms import padded
from audio_fixtures.voices import installed, say
from grammar.emit import pronunciations

needs_flite = pytest.mark.skipif(not installed("flite-rms"), reason="flite is not installed")


@pytest.fixture(scope="module")
def wheel() -> Acoustic:
    return read_acoustic(wheel_folder())


def small(rng: np.random.Generator, gaussians: int = 4, senones: int = 6) -> Acoustic:
    shape = (len(PHONES), 3, gaussians, 13)
    weights = rng.dirichlet(np.ones(gaussians), size=(3, senones)).transpose(0, 2, 1)
    return Acoustic(rng.normal(size=shape), rng.uniform(0.5, 2.0, size=shape), np.log(weights))


def some(rng: np.random.Generator, count: int = 300, senones: int = 6) -> Frames:
    return Frames(rng.normal(2.0, 1.5, (count, 39)), rng.integers(0, 3, count), rng.integers(0, senones, count))


def test_files_come_back_as_they_were_written(wheel, tmp_path):
    write_acoustic(wheel, tmp_path)
    again = read_acoustic(tmp_path)
    assert np.array_equal(again.means, wheel.means)
    assert np.allclose(again.variances, wheel.variances, rtol=1e-6)
    assert (tmp_path / "sendump").read_bytes() == (wheel_folder() / "sendump").read_bytes()


def test_stored_weights_of_a_senone_sum_to_about_one(wheel):
    """They are rounded to steps of a tenth of a neper, so only about."""
    totals = np.exp(wheel.weights).sum(axis=1)
    assert totals.min() > 0.85 and totals.max() < 1.05


def test_a_broken_model_is_one_plain_error(tmp_path):
    with pytest.raises(ModelError, match="cannot be read"):
        read_acoustic(tmp_path)
    for name in ("means", "variances", "sendump"):
        (tmp_path / name).write_bytes(b"s3\nendhdr\n1234567890123456789012345")
    with pytest.raises(ModelError, match="cannot be read"):
        read_acoustic(tmp_path)


def test_a_merged_model_is_the_mean_of_both_densities():
    rng = np.random.default_rng(8)
    one, other, frames = small(rng), small(rng, gaussians=3), some(rng, count=1)
    both = merged(one, other)
    assert both.means.shape[2] == 7
    for stream in range(3):
        here, phone, senone = frames.features[0, 13 * stream : 13 * (stream + 1)], frames.phones[0], frames.senones[0]
        densities = [
            sum(
                np.exp(m.weights[stream, g, senone])
                * multivariate_normal.pdf(here, m.means[phone, stream, g], np.diag(m.variances[phone, stream, g]))
                for g in range(m.means.shape[2])
            )
            for m in (one, other, both)
        ]
        assert densities[2] == pytest.approx((densities[0] + densities[1]) / 2)


def test_a_merged_model_is_written_read_and_loaded(wheel, tmp_path):
    both = merged(wheel, wheel)
    write_acoustic(both, tmp_path)
    assert read_acoustic(tmp_path).weights.shape == both.weights.shape
    engine = SphinxEngine(acoustic=room_model(tmp_path))
    engine.close()
    with pytest.raises(ModelError, match="256 Gaussians"):
        merged(both, wheel)


def test_density_against_scipy():
    rng = np.random.default_rng(1)
    model, frames = small(rng), some(rng, 5)
    expected = 0.0
    for x, phone, senone in zip(frames.features, frames.phones, frames.senones, strict=True):
        for stream in range(3):
            parts = [
                np.exp(model.weights[stream, one, senone])
                * multivariate_normal(
                    model.means[phone, stream, one], np.diag(model.variances[phone, stream, one])
                ).pdf(x[13 * stream : 13 * stream + 13])
                for one in range(4)
            ]
            expected += np.log(sum(parts))
    assert likelihood(model, frames) == pytest.approx(expected / 5, rel=1e-9)


def test_adaptation_raises_the_likelihood_of_what_it_saw():
    rng = np.random.default_rng(2)
    model, frames = small(rng), some(rng)
    assert likelihood(adapt(model, frames), frames) > likelihood(model, frames) + 1.0


def test_without_frames_nothing_changes():
    rng = np.random.default_rng(3)
    model, none = small(rng), Frames(np.zeros((0, 39)), np.zeros(0, int), np.zeros(0, int))
    after = adapt(model, none)
    assert np.allclose(after.means, model.means) and np.allclose(after.variances, model.variances)
    assert np.array_equal(after.weights, model.weights)


def test_great_caution_keeps_the_old_model():
    rng = np.random.default_rng(4)
    model, frames = small(rng), some(rng)
    after = adapt(model, frames, Caution(1e12, 1e12, 1e12))
    assert np.allclose(after.means, model.means, atol=1e-6) and np.allclose(after.weights, model.weights, atol=1e-6)


def test_no_caution_gives_the_sample_mean():
    """With one Gaussian a codebook and no prior, maximum likelihood is the mean and variance of the frames."""
    rng = np.random.default_rng(5)
    model, frames = small(rng, gaussians=1), some(rng)
    after = adapt(model, frames, Caution(1e-9, 1e-9, 1e-9), rounds=1)
    rows = frames.features[frames.phones == 1][:, 13:26]
    assert np.allclose(after.means[1, 1, 0], rows.mean(axis=0))
    assert np.allclose(after.variances[1, 1, 0], rows.var(axis=0))


def test_differences_of_a_ramp_are_its_slope():
    ramp = np.outer(np.arange(20.0), np.ones(13))
    seen = features(ramp)
    assert np.allclose(seen[:, :13].mean(axis=0), 0)
    assert np.allclose(seen[5:-5, 13:26], 4.0)
    assert np.allclose(seen[5:-5, 26:], 0.0)


@needs_flite
def test_the_engine_says_the_same_with_an_unchanged_model(wheel, tmp_path):
    """The written files load into PocketSphinx and give the same score as its own."""
    import pocketsphinx

    write_acoustic(wheel, tmp_path)
    sound = padded(say("ninety two point six", "flite-rms"), 0.2, 0.2)
    scores = []
    for parts in ({}, room_model(tmp_path)):
        assert parts or not scores
        decoder = pocketsphinx.Decoder(lm=None, loglevel="FATAL", dither=True, seed=1, **parts)
        decoder.add_jsgf_string("a", "#JSGF V1.0; grammar a; public <a> = ninety two point (six | five);")
        decoder.activate_search("a")
        decoder.start_utt()
        decoder.process_raw(sound.tobytes(), full_utt=True)
        decoder.end_utt()
        scores.append((decoder.hyp().hypstr, decoder.hyp().score))
    assert scores[0] == scores[1]
    assert scores[0][0] == "ninety two point six"


@needs_flite
def test_states_follow_the_words(wheel):
    sound = padded(say("ninety two point six", "flite-rms"), 0.3, 0.3)
    sound = (sound + np.random.default_rng(1).normal(0, 3, len(sound))).astype(np.int16)
    phones, senones = Aligner(pronunciations("en")).align("ninety two point six", sound)
    cepstra = Cepstra().of(sound)
    assert len(phones) == len(senones) and abs(len(cepstra) - len(phones)) <= 1
    order = [PHONES[phone] for at, phone in enumerate(phones) if phone >= 0 and (at == 0 or phones[at - 1] != phone)]
    spoken = [name for name in order if name != "SIL"]
    assert spoken[:4] == ["N", "AY", "N", "T"] and spoken[-4:] == ["S", "IH", "K", "S"]
    kept = np.flatnonzero(phones[: len(cepstra)] >= 0)
    frames = Frames(features(cepstra)[kept], phones[kept], senones[kept])
    wrong = Frames(frames.features, np.roll(frames.phones, 40), np.roll(frames.senones, 40))
    assert likelihood(wheel, frames) > likelihood(wheel, wrong) + 5


def test_the_model_that_ships_is_whole():
    assert set(room_model()) == {"mean", "var", "sendump"}
    assert "moved towards furnace rooms" in SphinxEngine().description


def test_the_moved_half_is_kept_bit_for_bit(tmp_path, wheel):
    """Where only the moved half ships, what the engine reads must be what was measured."""
    rng = np.random.default_rng(5)
    steps = rng.integers(-100, 100, wheel.weights.shape)
    moved = Acoustic(wheel.means * 1.01, wheel.variances * 1.1, wheel.weights - steps * WEIGHT_STEP)
    write_moved(moved, tmp_path / "moved.npz")
    with np.load(tmp_path / "moved.npz") as kept:
        assert np.array_equal(kept["means"], moved.means.astype("<f4"))
        assert np.allclose(wheel.weights - kept["steps"] * WEIGHT_STEP, moved.weights)
    whole, shipped = read_acoustic(furnace_room()), furnace_room_model()
    assert np.array_equal(whole.means[:, :, :128].astype("<f4"), wheel.means.astype("<f4"))
    # The engine keeps steps from 0 to 159; what lies beyond is cut off.
    likely = shipped.weights > -150 * WEIGHT_STEP
    assert likely.mean() > 0.9
    assert np.allclose(whole.weights[likely], shipped.weights[likely], atol=WEIGHT_STEP / 2 + 1e-9)
    assert not np.allclose(whole.means[:, :, 128:], wheel.means)


def test_a_cache_that_cannot_be_written_costs_only_time(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("no folder")
    monkeypatch.setattr(room_model_module.platformdirs, "user_cache_path", lambda _: tmp_path / "file")
    furnace_room.cache_clear()
    try:
        assert set(room_model()) == {"mean", "var", "sendump"}
    finally:
        furnace_room.cache_clear()
