""" "I smell gas" through every engine that ships, beside a running blower, wherever a reading is asked for.

A large grammar of numbers once pushed the phrase out of the search altogether.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from assistant.hearing.audio.files import chunks
from assistant.hearing.engines.base import ENGINES, Final
from assistant.hearing.engines.choose import recognizer
from assistant.hearing.weigh.policy import weigh
from audio_fixtures.rooms import level, mix, noise, padded
from audio_fixtures.voices import say
from flows.judge.profiles import equipment, meter
from flows.procedure.compile import load_plan
from flows.procedure.session import Session
from flows.talk.prompts import scope_for
from grammar.answers import Command

PLAN = load_plan("flame_sensing", equipment("larkspur"), meter("dunlin"))
ASKING = [name for name, step in PLAN.procedure.steps.items() if step.ask]


def test_readings_are_asked_for_and_the_default_engine_is_among_those_tried(tmp_path):
    made, chosen = recognizer(home=tmp_path)
    made.close()
    assert len(ASKING) > 10 and chosen.engine in ENGINES


@pytest.fixture(scope="module", params=ENGINES)
def engine(request, tmp_path_factory):
    """Each with the models that ship: the folder of placed ones is empty."""
    made, chosen = recognizer(home=tmp_path_factory.mktemp("models"), wanted=request.param)
    assert chosen.engine == request.param
    yield made
    made.close()


@cache
def beside_a_blower(voice: str) -> np.ndarray:
    speech = padded(level(say("i smell gas", voice), -26), 1.0, 0.8)
    return mix(speech, noise("blower", len(speech), np.random.default_rng(7)), 20)


@pytest.mark.parametrize("voice", ["flite-rms", "us-f2"])
@pytest.mark.parametrize("step", ASKING)
def test_gas_is_heard_at_every_reading(engine, step, voice):
    scope = scope_for(PLAN, Session(step))
    engine.open(scope)
    events = [event for chunk in chunks(beside_a_blower(voice)) for event in engine.feed(chunk)] + engine.finish()
    answers = [weigh(event.heard, scope) for event in events if isinstance(event, Final)]
    assert any(isinstance(answer, Command) and answer.id == "gas" for answer in answers), answers
