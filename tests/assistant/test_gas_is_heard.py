""""I smell gas" through the real recogniser, beside a running blower, wherever a reading is asked for.

A large grammar of numbers once pushed the phrase out of the search altogether.
"""

from __future__ import annotations

import numpy as np
import pytest

from assistant.hearing.audio.files import chunks
from assistant.hearing.engines.base import Final
from assistant.hearing.engines.listener import Listener
from assistant.hearing.engines.sphinx import SphinxEngine
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


@pytest.fixture(scope="module")
def recognizer():
    made = Listener(SphinxEngine())
    yield made
    made.close()


@pytest.mark.parametrize("voice", ["flite-rms", "us-f2"])
@pytest.mark.parametrize("step", ASKING)
def test_gas_is_heard_at_every_reading(recognizer, step, voice):
    scope = scope_for(PLAN, Session(step))
    speech = padded(level(say("i smell gas", voice), -26), 1.0, 0.8)
    sound = mix(speech, noise("blower", len(speech), np.random.default_rng(7)), 20)
    recognizer.open(scope)
    events = [event for chunk in chunks(sound) for event in recognizer.feed(chunk)] + recognizer.finish()
    answers = [weigh(event.heard, scope) for event in events if isinstance(event, Final)]
    assert any(isinstance(answer, Command) and answer.id == "gas" for answer in answers), answers
