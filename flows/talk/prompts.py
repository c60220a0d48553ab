"""What is said and what can be heard where a visit stands."""

from __future__ import annotations

from flows.procedure.compile import Plan
from flows.procedure.schema import Step
from flows.procedure.session import Effect, Listen, Say, Session, Tone
from flows.procedure.wording import answer_option, digit_words, quantity_words
from flows.talk.foresee import expected_here
from flows.talk.levels import again_words, caution_of, lines_of
from grammar.answers import Reading
from grammar.language import Language, language
from grammar.scope import Asked, Option, Scope
from grammar.words import plain_words


def ask_again(plan: Plan, session: Session) -> list[Effect]:
    """The prompt of the present mode, then open ears."""
    return [*prompt(plan, session), *listen(plan, session)]


def listen(plan: Plan, session: Session) -> list[Effect]:
    at_once = ("no",) if session.mode in ("confirm", "again") else ()
    return [Tone("listening"), Listen(scope_for(plan, session), _to_the_end(plan, session), at_once)]


def _to_the_end(plan: Plan, session: Session) -> bool:
    """Whether what is asked here must be heard to its end before an answer counts: a proof, and whatever moves the
    power or a thing."""
    step = plan.step(session.step)
    return step.proves is not None or any(one.sets.power or one.sets.things for one in step.answers.values())


def prompt(plan: Plan, session: Session) -> list[Effect]:
    """What the present mode asks, without the listening."""
    lines = plan.lines
    if session.mode == "confirm" and session.pending is not None:
        return [readback(plan, session.pending)]
    if session.mode == "confirm":
        return [Say(lines.line("readback_answer", phrase=_phrase(plan, session)), "readback", "readback_answer")]
    if session.mode == "again":
        again = plan.step(session.step).answers[session.pending_answer or ""].again
        text = again_words(plan, session, again.say) if again else ""
        return [Say(text, "question", f"{session.step}/again")] if again else []
    if session.mode == "digits" and session.pending is not None and session.pending.sounds_like is not None:
        first = spoken_reading(plan, session.pending)
        other = quantity_words(session.pending.sounds_like, session.pending.quantity, plan.language)
        return [Say(lines.line("digits_please", first=first, second=other), "question", "digits_please")]
    if session.mode == "digits":
        return [Say(lines.line("miss_digits"), "question", "miss_digits")]
    if session.mode == "which":
        first, second = (spoken_reading(plan, one) for one in session.between[:2])
        return [Say(lines.line("which", first=first, second=second), "question", "which")]
    if session.mode == "offer":
        phrases = [lines.option(name).phrases[0] for name in offers(plan, session)]
        return [Say(lines.line("offer", phrases="; ".join(phrases)), "question", "offer")]
    if session.mode == "paused":
        return [Say(lines.line("paused"), "info", "paused")]
    return step_lines(plan, session)


def step_lines(plan: Plan, session: Session) -> list[Effect]:
    """Caution first (in full when the step is new), then what to do."""
    step = plan.step(session.step)
    said: list[Effect] = []
    if step.caution:
        full = session.step not in session.spoken
        said.append(Say(step.caution.full if full else step.caution.short, "caution", f"{session.step}/caution"))
    said += [Say(text, "step", f"{session.step}/say/{number}") for number, text in enumerate(step.say)]
    return said


def told_anew(plan: Plan, session: Session) -> list[Effect]:
    """What a step says when the visit comes to it, at the visit's level; asked again, it is said in full."""
    step = plan.step(session.step)
    said: list[Effect] = []
    if step.caution:
        said.append(Say(caution_of(plan, session, step.caution), "caution", f"{session.step}/caution"))
    return said + [Say(text, "step", line) for line, text in lines_of(plan, session)]


def readback(plan: Plan, reading: Reading) -> Say:
    """The reading digit by digit, as a question."""
    if reading.over_limit:
        return Say(plan.lines.line("readback_over"), "readback", "readback_over")
    if reading.low != reading.high:
        low, high = (quantity_words(end, reading.quantity, plan.language) for end in (reading.low, reading.high))
        return Say(plan.lines.line("readback_range", low=low, high=high), "readback", "readback_range")
    return Say(
        plan.lines.line("readback", digits=digit_words(reading.digits, reading.unit, plan.language)),
        "readback",
        "readback",
    )


def spoken_reading(plan: Plan, reading: Reading) -> str:
    """A reading as a person would say it back."""
    return quantity_words(reading.value, reading.quantity, plan.language)


def _phrase(plan: Plan, session: Session) -> str:
    return plan.step(session.step).answers[session.pending_answer or ""].phrases[0]


def offers(plan: Plan, session: Session) -> tuple[str, ...]:
    """What may be done after a check that did not pass. A danger that stops leaves no way on but a fix."""
    found = [] if stops_here(plan, session) else ["carry_on"]
    found.append("take_again")
    if session.outcome == "fail":
        found.append("fix_now")
    if not stops_here(plan, session) and test_offered(plan, session):
        found.append("take_test")
    return tuple(found)


def stops_here(plan: Plan, session: Session) -> bool:
    """Whether the finding at this step lets the visit go on only through a fix."""
    judge, finding = plan.step(session.step).judge, dict(session.safety).get(session.step)
    return bool(judge and finding and judge.danger[finding].stops)


def test_offered(plan: Plan, session: Session) -> str | None:
    """The step that takes the next best test, where the reasoning names one that is not taken of itself."""
    if plan.next_test is None:
        return None
    probe = plan.next_test(session)
    steps = plan.procedure.steps
    return next(
        (name for name, step in steps.items() if step.extra and name not in session.done and _takes(step, probe)), None
    )


def _takes(step: Step, probe: str | None) -> bool:
    return (step.ask is not None and step.ask.probe == probe) or any(
        probe in answer.evidence for answer in step.answers.values()
    )


def scope_for(plan: Plan, session: Session) -> Scope:
    """All that can be heard where the visit stands, and nothing else."""
    words = language(plan.language)
    step = plan.step(session.step)
    asked = _asked(plan, session)
    options: tuple[Option, ...] = ()
    commands = words.always_open
    digits_only = False
    if session.mode == "paused":
        asked, commands = None, ("resume", "repeat", "help", "stop", "gas")
    elif session.mode == "memo":
        asked, commands = None, ("end_note", "gas")
    elif session.mode == "alarm":
        asked, commands = None, ("gas",)
        options = (plan.lines.option("air_clear" if session.pending_answer else "false_alarm"),)
    elif session.mode == "confirm":
        options = (words.option("yes"), words.option("no"))
        asked = asked if session.pending is not None else None
    elif session.mode == "digits":
        digits_only = True
    elif session.mode == "again":
        again = step.answers[session.pending_answer or ""].again
        options = (Option(session.pending_answer or "", tuple(again.phrases if again else ())), words.option("no"))
        asked = None
    elif session.mode == "offer":
        options = tuple(plan.lines.option(name) for name in offers(plan, session))
        asked = None
    else:
        options = tuple(answer_option(name, one, plan.language) for name, one in step.answers.items())
        if step.may_skip:
            options += (plan.lines.option("skip"),)
        options += _late_answers(session, options, words)
        options += readings_named(plan, session)
    expected = expected_here(plan, session) if asked else ()
    refused = session.refused if asked else ()
    name = f"{session.step}/{session.mode}"
    return Scope(name, asked, options, commands, digits_only, expected, plan.language, refused)


def _late_answers(session: Session, options: tuple[Option, ...], words: Language) -> tuple[Option, ...]:
    """Yes and no to a reading that was taken without a question; not where an answer of the step begins alike, or
    means that one is ready. "Change that" takes it back everywhere."""
    if not session.unasked:
        return ()
    heard = {phrase.split()[0] for one in options for phrase in (*one.phrases, *one.typed)}
    late = (words.option("yes"), words.option("no"))
    return tuple(one for one in late if not {phrase.split()[0] for phrase in one.phrases} & heard)


SAID_FOR = "said_for:"
"""What the id of an option begins with that asks what was said at a step."""


def readings_named(plan: Plan, session: Session) -> tuple[Option, ...]:
    """A question for each reading that was taken: what was said for it."""
    found: dict[str, str] = {}
    for one in session.taken:
        title = " ".join(plain_words(plan.step(one.step).title, language(plan.language)))
        if title not in found.values():
            found.setdefault(one.step, title)
    return tuple(Option(f"{SAID_FOR}{name}", (f"{plan.lines.said_for} {title}",)) for name, title in found.items())


def _asked(plan: Plan, session: Session) -> Asked | None:
    ask = plan.step(session.step).ask
    if ask is None:
        return None
    ranges = plan.meter.function(ask.quantity).display()
    return Asked(
        ask.quantity, ask.unit, ask.low, ask.high, ask.decimals, ask.signed, ask.over_limit, jumping=True, ranges=ranges
    )
