"""How much is said at each level on a visit without a finding, and how many readings are taken wrong.

First the visit of a sound furnace (larkspur with dunlin, all invented), answered as it is asked, at each level:
answers given, words spoken, minutes of talk (the real voice's sentences where espeak-ng is there, else words at the
rate that was measured with it), and of how many confirmations each change of the power and the proof of dead power
were made.

Then the same visit with hearing that goes wrong now and then: one digit is another one, or one is lost. The
technician finds a share of the wrong read-backs, whether he is asked or not (`--notices`), and may find fewer where
he is not asked (`--unasked`; the literature holds that starting a correction is harder than answering a question).
Counted are the readings that stand wrong at the end, and the wrong ones among them that changed a verdict.

python -m tests.lab talk
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from assistant.errors import AssistantError
from assistant.hearing.audio.rate import SAMPLE_RATE
from assistant.visit.plans import ready_plan
from flows.procedure.compile import Plan
from flows.procedure.session import Effect, Level, Listen, Save, Say, Session
from flows.talk.dialogue import advance, begin
from flows.talk.levels import ORDER
from grammar.answers import Heard
from grammar.parse import understand
from grammar.scope import Scope
from tests.flows.technician import GOOD, Furnace, Technician

WORDS_A_MINUTE = 150.0
"""Of the real voice with its pauses, measured by this stage; used where the voice is not there."""
MOST = 400


@dataclass
class Course:
    """One visit: everything that was said and kept, and the answers given."""

    session: Session
    effects: list[Effect] = field(default_factory=list)
    answers: list[str] = field(default_factory=list)

    @property
    def sentences(self) -> list[str]:
        return [one.text for one in self.effects if isinstance(one, Say)]

    def saved(self, kind: str) -> list[dict]:
        return [one.data for one in self.effects if isinstance(one, Save) and one.kind == kind]


@dataclass
class Mishearing:
    """A technician whose words are heard wrong now and then, and who finds a share of it.

    rate: of readings heard wrong. notices, unasked: shares of wrong read-backs that are found, with a question and
    without.
    """

    plan: Plan
    rng: np.random.Generator
    rate: float
    notices: float
    unasked: float
    heard: dict[str, str] = field(default_factory=dict)
    watched: set[str] = field(default_factory=set)

    def answer(self, scope: Scope, session: Session) -> str:
        step, mode = scope.name.split("/")
        options = {one.id: one.phrases[0] for one in scope.options}
        if mode == "ask" and session.unasked and session.unasked not in self.watched:
            self.watched.add(session.unasked)
            if self._wrong(session.unasked) and self.rng.random() < self.unasked:
                self.watched.discard(session.unasked)
                return options.get("no", "change that")
        if mode == "confirm" and session.pending is not None:
            self.watched.discard(step)
            found = self._wrong(step) and self.rng.random() < self.notices
            return options["no"] if found else options["yes"]
        if scope.asked is not None and mode in ("ask", "digits", "which"):
            return self._told(step, scope)
        if mode == "offer":
            # Who is told that a good furnace is bad looks at the meter again.
            return options.get("take_again", options.get("carry_on", "stop"))
        return Technician(self.plan, Furnace()).answer(scope)

    def _told(self, step: str, scope: Scope) -> str:
        right = GOOD[step]
        text = wrongly(right, self.rng) if self.rng.random() < self.rate else right
        if scope.digits_only:
            text = right
        self.heard[step] = text
        return text

    def _wrong(self, step: str) -> bool:
        return float(self.heard.get(step, GOOD[step])) != float(GOOD[step])


def wrongly(text: str, rng: np.random.Generator) -> str:
    """A reading as it may be heard wrong: one digit is another, or one is lost."""
    places = [place for place, one in enumerate(text) if one.isdigit()]
    place = int(rng.choice(places))
    if len(places) > 2 and rng.random() < 0.25 and place != places[-1]:
        return text[:place] + text[place + 1 :]
    other = str(int(rng.choice([one for one in range(10) if str(one) != text[place]])))
    return text[:place] + other + text[place + 1 :]


def course(plan: Plan, answer: Callable[[Scope, Session], str]) -> Course:
    """A visit to its end."""
    session, effects = begin(plan)
    done = Course(session, list(effects))
    for _ in range(MOST):
        listen = next((one for one in effects if isinstance(one, Listen)), None)
        if listen is None:
            break
        text = answer(listen.scope, session)
        session, effects = advance(plan, session, understand(Heard(text), listen.scope))
        done.answers.append(text)
        done.effects += effects
    done.session = session
    return done


def plain(plan: Plan) -> Course:
    """The visit of a sound furnace, answered as it is asked."""
    technician = Technician(plan, Furnace())
    return course(plan, lambda scope, _: technician.answer(scope))


def confirmations(done: Course) -> list[str]:
    """How each change of the power, and each proof that it is gone, came to be: ("said_off", "again"), ..."""
    told = [(one["power"], one["confirmed"]["how"]) for one in done.saved("reading") if one["power"] == "said_off"]
    return [f"proof {how}" for _, how in told] + [
        f"{one['step']} {one['confirmed']}" for one in done.saved("choice") if one["confirmed"] == "again"
    ]


def minutes(sentences: list[str]) -> tuple[float, str]:
    """Minutes of talk, and how that was found."""
    try:
        from assistant.speaking.voice import EspeakVoice

        voice = EspeakVoice()
        try:
            return sum(len(voice.render(text)) for text in sentences) / SAMPLE_RATE / 60, "spoken by espeak-ng"
        finally:
            voice.close()
    except AssistantError:
        return sum(len(text.split()) for text in sentences) / WORDS_A_MINUTE, f"at {WORDS_A_MINUTE:g} words a minute"


@dataclass(frozen=True)
class Taken:
    """Of `readings`: wrong ones that stood at the end, wrong ones behind a verdict that is not the right one, visits
    that did not end."""

    readings: int
    wrong: int
    misled: int
    unended: int


def accepted_wrong(plan: Plan, visits: int, rate: float, notices: float, unasked: float, seed: int) -> Taken:
    """So many visits with hearing that goes wrong; the same chances for every level."""
    readings = wrong = misled = unended = 0
    for number in range(visits):
        technician = Mishearing(plan, np.random.default_rng([seed, number]), rate, notices, unasked)
        done = course(plan, technician.answer)
        unended += done.session.mode != "ended"
        last = {one.step: one for one in done.session.taken}
        readings += len(last)
        off = {name for name, one in last.items() if not math.isclose(float(one.reading.digits), float(GOOD[name]))}
        wrong += len(off)
        verdicts = dict(done.session.verdicts)
        misled += sum(name in verdicts and verdicts[name].line not in ("pass", "edge") for name in off)
    return Taken(readings, wrong, misled, unended)


def table(plans: dict[str, Plan]) -> Iterator[str]:
    """What is said at each level."""
    base = None
    for name, plan in plans.items():
        done = plain(plan)
        words = sum(len(text.split()) for text in done.sentences)
        taken, how = minutes(done.sentences)
        base = base or confirmations(done)
        same = "as the learner's" if confirmations(done) == base else "NOT as the learner's"
        yield (
            f"  {name:28} {len(done.answers):3} answers {words:5} words {taken:5.1f} minutes ({how});"
            f" confirmations of power and proof: {same}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--visits", type=int, default=400)
    parser.add_argument("--rate", type=float, default=0.05, help="share of readings that are heard wrong")
    parser.add_argument("--notices", type=float, default=0.9, help="share of wrong read-backs found where one is asked")
    parser.add_argument("--unasked", type=float, nargs="*", default=[0.9, 0.8], help="the same where one is not asked")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    plan = ready_plan("flame_sensing", "larkspur", "dunlin")
    levels: dict[Level, Plan] = {level: replace(plan, level=level) for level in ORDER}
    shown: dict[str, Plan] = dict(levels)
    shown["brief, finished one before"] = replace(plan, level="brief", knows=True)
    print("A visit without a finding:")
    for line in table(shown):
        print(line)
    print(f"Hearing that is wrong in {chosen.rate:.0%} of readings, {chosen.visits} visits a row:")
    for share in chosen.unasked:
        for level, one in levels.items():
            bare = replace(one, assess=None, next_test=None)
            got = accepted_wrong(bare, chosen.visits, chosen.rate, chosen.notices, share, chosen.seed)
            print(
                f"  {level:8} finds {chosen.notices:.0%} asked, {share:.0%} unasked: {got.wrong:4} of {got.readings:,}"
                f" readings stand wrong ({got.wrong / got.readings:.2%}), {got.misled} behind a wrong verdict,"
                f" {got.unended} visits without an end"
            )


if __name__ == "__main__":
    main()
