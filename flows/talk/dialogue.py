"""What happens next: a pure function of where the visit stands and what was answered.

`begin` and `advance` give the next `Session` and the effects to perform in
their order. Nothing here knows a clock, a file, a device or a thread, so every
state and answer can be walked, and a visit can be replayed from its journal.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from flows.procedure.compile import Plan, beginning, may_enter, way_out
from flows.procedure.route import first_step, power_needed
from flows.procedure.session import Effect, End, Input, Memo, Mode, Pace, Resumed, Save, Say, Session, Tone
from flows.procedure.spoken.glossary import stand_words
from flows.procedure.wording import quantity_words, unit_words
from flows.talk.prompts import ask_again, listen, offers, scope_for, test_offered
from flows.talk.taking import (
    Moved,
    enter,
    go_on,
    readings_of_check,
    settle_answer,
    skip,
    so_far,
    stopping,
    take_reading,
    to_take_again,
)
from grammar.answers import Choice, Command, Reading, Unclear, meaning


def begin(plan: Plan) -> Moved:
    """The first step of a visit. Power is taken as on until it is proven dead."""
    session, effects = enter(plan, beginning(plan), plan.procedure.start)
    if plan.equipment.rod == "sense":
        return session, effects
    return session, [Say(plan.lines.line("one_rod"), "alarm", "one_rod"), *effects]


def advance(plan: Plan, session: Session, given: Input) -> Moved:
    """The next session and what to do, for any answer in any state."""
    if isinstance(given, Command) and given.id == "gas":
        return _gas(plan, session)
    if session.mode == "ended":
        return session, []
    if session.mode == "alarm":
        return _in_alarm(plan, session, given)
    if isinstance(given, Resumed):
        return _resumed(plan, session)
    if session.mode == "memo":
        return _in_memo(plan, session, given)
    if isinstance(given, Command):
        return COMMANDS.get(given.id, _not_open)(plan, session)
    if session.mode == "paused":
        return _missed(plan, session, Unclear("not_open", given.text))
    if isinstance(given, Unclear):
        return _unclear(plan, session, given)
    if isinstance(given, Reading):
        return _heard_reading(plan, session, given)
    return _heard_choice(plan, session, given)


def _gas(plan: Plan, session: Session) -> Moved:
    effects: list[Effect] = [
        Tone("alarm"),
        Say(plan.lines.line("alarm"), "alarm", "alarm"),
        Save("alarm", {"what": "gas", "step": session.step}),
    ]
    if session.where("jumper") not in ("", "none"):
        effects.append(
            Save(
                "trouble",
                {
                    "what": "left",
                    "problem": "The visit ended on a gas alarm with the jumper on.",
                    "remedy": "Take it off when the place is safe.",
                },
            )
        )
    session = replace(
        session,
        mode="alarm",
        pending=None,
        pending_answer=None,
        between=(),
        misses=0,
        wrong=0,
        outcome=None,
        proofs=frozenset(),
        power=_untrusted(session.power),
        back_to="ask",
    )
    return session, [*effects, Say(plan.lines.line("alarm_again"), "alarm", "alarm_again"), *listen(plan, session)]


def _in_alarm(plan: Plan, session: Session, given: Input) -> Moved:
    """Nothing but the warning, until it is called a false alarm and then, in other words, the air clear."""
    if isinstance(given, Choice) and given.id == "false_alarm":
        session = replace(session, pending_answer="false_alarm")
        return session, [Say(plan.lines.line("alarm_check"), "question", "alarm_check"), *listen(plan, session)]
    if isinstance(given, Choice) and given.id == "air_clear" and session.pending_answer == "false_alarm":
        over = plan.step(session.step).end
        if over:
            return replace(session, mode="ended", pending_answer=None), [
                Save("alarm_over", {"step": session.step}),
                End(over),
            ]
        session, more = _distrust(plan, replace(session, mode="ask", pending_answer=None))
        return session, [
            Save("alarm_over", {"step": session.step}),
            Say(plan.lines.line("back_again"), "info", "back_again"),
            *more,
        ]
    session = replace(session, pending_answer=None)
    return session, [Tone("alarm"), Say(plan.lines.line("alarm_again"), "alarm", "alarm_again"), *listen(plan, session)]


def _untrusted(power: str) -> str:
    """What is left of power that was off after a break: nobody knows."""
    return "on" if power == "on" else "doubt"


def _resumed(plan: Plan, session: Session) -> Moved:
    effects: list[Effect] = [
        Say(plan.lines.line("welcome_back", title=plan.step(session.step).title), "info", "welcome_back")
    ]
    session, more = _distrust(
        plan, replace(session, mode="ask", pending=None, pending_answer=None, between=(), misses=0, back_to="ask")
    )
    return session, [*effects, *more]


def _distrust(plan: Plan, session: Session) -> Moved:
    """Go on after a break where it was left, by first saying how everything stands.

    Power that was off may be on again, so it is proven anew where a step needs it.
    """
    session = replace(session, mode="ask", pending=None, pending_answer=None, between=())
    stands = _as_it_stands(plan, session)
    if session.power == "on":
        return session, [*stands, *ask_again(plan, session)]
    # A step that was only on the way to another is found again on the way; one that was wanted itself is gone back to.
    agenda = session.agenda
    on_the_way = bool(agenda) and first_step(plan.routes, agenda[0], session) == session.step
    target, *rest = agenda if on_the_way else (session.step, *agenda)
    session = replace(session, power="doubt", proofs=frozenset())
    effects: list[Effect] = [Save("power", {"state": "doubt", "by": session.step})]
    session, more = enter(plan, session, target, tuple(rest))
    said = [Say(plan.lines.line("reprove"), "info", "reprove")] if plan.step(session.step).power == "any" else []
    return session, [*effects, *stands, *said, *more]


def _as_it_stands(plan: Plan, session: Session) -> list[Effect]:
    """What is not as it was found, in a sentence; nothing when all of it is."""
    told = "; ".join(stand_words(session.things, plan.routes.kinds, plan.language))
    return [Say(plan.lines.line("as_it_stands", list=told), "info", "as_it_stands")] if told else []


def _in_memo(plan: Plan, session: Session, given: Input) -> Moved:
    if not (isinstance(given, Command) and given.id == "end_note"):
        return session, listen(plan, session)
    session = replace(session, mode=session.back_to, back_to="ask")
    return session, [Memo("end"), Say(plan.lines.line("memo_end"), "info", "memo_end"), *ask_again(plan, session)]


def _heard_reading(plan: Plan, session: Session, reading: Reading) -> Moved:
    if plan.step(session.step).ask is None or session.mode in ("again", "offer"):
        return _missed(plan, session, Unclear("not_open", reading.text))
    if session.mode == "digits" and session.pending is not None:
        candidates = {session.pending.value: session.pending}
        matches = reading.value in candidates or (
            session.pending.sounds_like is not None
            and abs(reading.value - session.pending.sounds_like) <= reading.step / 2
        )
        if matches:
            return take_reading(plan, session, reading, "digits")
    return _read_back(plan, session, reading)


def _read_back(plan: Plan, session: Session, reading: Reading) -> Moved:
    """Teens and tens are asked digit by digit; everything else is read back as a question."""
    mode: Mode = "digits" if reading.sounds_like is not None else "confirm"
    session = replace(session, mode=mode, pending=reading, pending_answer=None, between=(), doubtful=None, misses=0)
    return session, [Tone("heard"), *ask_again(plan, session)]


def _heard_choice(plan: Plan, session: Session, choice: Choice) -> Moved:
    if session.mode == "confirm":
        return _confirmed(plan, session, choice)
    if session.mode == "again":
        if choice.id == session.pending_answer:
            return settle_answer(plan, session, choice.id, choice.text, "again")
        return _tell_again(plan, session)
    if session.mode == "offer":
        return _offered(plan, session, choice)
    step = plan.step(session.step)
    if choice.id == "skip" and step.may_skip and session.mode in ("ask", "digits", "which"):
        return skip(plan, replace(session, mode="ask", pending=None, between=()))
    if choice.id not in step.answers or session.mode != "ask":
        return _missed(plan, session, Unclear("not_open", choice.text))
    answer = step.answers[choice.id]
    if answer.again:
        session = replace(session, mode="again", pending_answer=choice.id, misses=0)
        return session, [Tone("heard"), *ask_again(plan, session)]
    if answer.evidence or answer.outcome == "fail":
        session = replace(session, mode="confirm", pending=None, pending_answer=choice.id, misses=0)
        return session, [Tone("heard"), *ask_again(plan, session)]
    return settle_answer(plan, session, choice.id, choice.text, "once")


def _offered(plan: Plan, session: Session, choice: Choice) -> Moved:
    """What the technician wants after a check that did not pass; only what was offered is done."""
    if choice.id not in offers(plan, session):
        return _missed(plan, session, Unclear("not_open", choice.text))
    here, judge = session.step, plan.step(session.step).judge
    if choice.id == "take_again":
        first, *more_of_it = to_take_again(plan, session, here)
        return enter(plan, session, first, tuple(more_of_it))
    first, *more_of_it = readings_of_check(plan, here)
    if choice.id == "fix_now":
        verdict = dict(session.verdicts).get(here)
        finding = verdict.finding if verdict else ""
        fix = (judge.fix.get(finding) if judge else None) or plan.procedure.fix
        effects: list[Effect] = [Save("fix", {"step": here, "finding": finding})]
        again = (first, *more_of_it)
        session = replace(session, fixing=tuple(dict.fromkeys((*session.fixing, *again))))
        session, more = enter(plan, session, fix or first, again)
        return session, [*effects, Say(plan.lines.line("fix_now"), "info", "fix_now"), *more]
    if choice.id == "take_test":
        test = test_offered(plan, session) or here
        if session.power in power_needed(plan.routes, test, bool(session.safety)):
            return enter(plan, session, test)
        session = replace(session, tests=(*session.tests, test))
        session, more = go_on(plan, replace(session, mode="ask"))
        return session, [Say(plan.lines.line("test_later"), "info", "test_later"), *more]
    return go_on(plan, replace(session, mode="ask"))


def _confirmed(plan: Plan, session: Session, choice: Choice) -> Moved:
    if choice.id == "yes" and session.pending is not None:
        return take_reading(plan, session, session.pending, "yes")
    if choice.id == "yes" and session.pending_answer is not None:
        return settle_answer(plan, session, session.pending_answer, choice.text, "yes")
    if choice.id == "no" and choice.correction is not None and session.pending is not None:
        return _read_back(plan, session, choice.correction)
    if choice.id == "no":
        return _tell_again(plan, session)
    return _missed(plan, session, Unclear("not_open", choice.text))


def _tell_again(plan: Plan, session: Session) -> Moved:
    """After a wrong read-back; the second one at a step is asked for digit by digit."""
    session = replace(
        session, mode="ask", pending=None, pending_answer=None, between=(), misses=0, wrong=min(2, session.wrong + 1)
    )
    if plan.step(session.step).answers:
        return session, [Say(plan.lines.line("tell_again"), "question", "tell_again"), *ask_again(plan, session)]
    if session.wrong == 2:
        session = replace(session, mode="digits")
        return session, ask_again(plan, session)
    return session, [Say(plan.lines.line("tell_again"), "question", "tell_again"), *listen(plan, session)]


def _unclear(plan: Plan, session: Session, given: Unclear) -> Moved:
    asking = plan.step(session.step).ask
    if given.reason == "doubtful" and given.reading is not None and asking and _may_be_read_back(session):
        if heard_before(given.reading, (session.doubtful, *session.between)):
            # heard twice in doubt it is worth a read-back, which is a check of its own
            return _read_back(plan, session, given.reading)
        session = replace(session, doubtful=given.reading)
    if given.between and session.mode in ("ask", "digits", "which", "confirm") and asking and session.misses < 2:
        session = replace(
            session, mode="which", between=given.between[:2], pending=None, misses=_next_rung(plan, session)
        )
        return session, [Tone("heard"), *ask_again(plan, session)]
    if given.reading is not None and asking and session.mode not in ("offer", "again"):
        return _refused_reading(plan, session, given)
    return _missed(plan, session, given)


def heard_before(reading: Reading, doubted: Iterable[Reading | None]) -> bool:
    """Whether what is in doubt now was in doubt before."""
    return any(one is not None and meaning(one) == meaning(reading) for one in doubted)


def _may_be_read_back(session: Session) -> bool:
    """Not where one digit by digit would be taken without a read-back of its own."""
    return session.mode in ("ask", "which", "confirm") or (session.mode == "digits" and session.pending is None)


def _refused_reading(plan: Plan, session: Session, given: Unclear) -> Moved:
    """Heard, but it cannot be: say why and ask again."""
    reading, step, lines = given.reading, plan.step(session.step), plan.lines
    assert reading is not None and step.ask is not None
    if given.reason == "wrong_unit":
        said = unit_words(reading.unit, plan.language)
        why = lines.line("wrong_unit", said=said, asked=unit_words(step.ask.unit, plan.language))
    elif given.reason in ("out_of_range", "too_fine"):
        why = lines.line(given.reason, spoken=quantity_words(reading.value, reading.quantity, plan.language))
    else:
        return _missed(plan, session, given)
    session = replace(session, mode="ask", pending=None, between=(), misses=_next_rung(plan, session))
    return session, [Tone("look_again"), Say(why, "question", given.reason), *listen(plan, session)]


def _missed(plan: Plan, session: Session, given: Unclear) -> Moved:
    """Ask again, each time in another way; an unconfirmed reading is never kept on a miss in the dark."""
    ladder = plan.lines.ladder_for(given.reason == "nothing", plan.typed)
    rung = ladder[session.misses % len(ladder)]
    step = plan.step(session.step)
    session = replace(session, misses=_next_rung(plan, session))
    effects: list[Effect] = [Tone("look_again")] if given.reason != "nothing" else []
    if rung == "miss_fit":
        return session, [
            *effects,
            Say(plan.lines.line(rung, wanted=_wanted(plan, session)), "question", rung),
            *listen(plan, session),
        ]
    if rung == "miss_digits":
        if session.mode in ("ask", "digits", "which") and step.ask is not None:
            session = replace(session, mode="digits", pending=None, between=())
            return session, [*effects, Say(plan.lines.line(rung), "question", rung), *listen(plan, session)]
        phrases = _phrases_open(plan, session)
        return session, [
            *effects,
            Say(plan.lines.line("miss_answer", phrases=phrases), "question", "miss_answer"),
            *listen(plan, session),
        ]
    return session, [*effects, Say(plan.lines.line(rung), "question", rung), *listen(plan, session)]


def _next_rung(plan: Plan, session: Session) -> int:
    return (session.misses + 1) % RUNGS


def _wanted(plan: Plan, session: Session) -> str:
    """What would fit here, in words: the reading, or the phrases that are open."""
    scope = scope_for(plan, session)
    if scope.asked and session.mode in ("ask", "digits", "which"):
        return plan.lines.line("want_reading", unit=unit_words(scope.asked.unit, plan.language))
    return (
        plan.lines.line("want_phrase", phrases=_phrases_open(plan, session))
        if scope.options
        else plan.lines.line("want_command")
    )


def _phrases_open(plan: Plan, session: Session) -> str:
    return "; ".join(option.phrases[0] for option in scope_for(plan, session).options)


def _not_open(plan: Plan, session: Session) -> Moved:
    return _missed(plan, session, Unclear("not_open", ""))


def _repeat(plan: Plan, session: Session) -> Moved:
    return session, ask_again(plan, session)


def _slower(plan: Plan, session: Session) -> Moved:
    session = replace(session, rate=-1)
    return session, [Pace(-1), Say(plan.lines.line("slower"), "info", "slower"), *ask_again(plan, session)]


def _why(plan: Plan, session: Session) -> Moved:
    text = plan.step(session.step).why or plan.lines.line("no_why")
    return session, [Say(text, "why", f"{session.step}/why"), *listen(plan, session)]


def _leads(plan: Plan, session: Session) -> Moved:
    text = plan.step(session.step).leads or plan.lines.line("no_leads")
    return session, [Say(text, "step", f"{session.step}/leads"), *listen(plan, session)]


RUNGS = 4
"""So many ways of asking again follow each other before the first comes back."""


def _retake(plan: Plan, session: Session, name: str, trail: tuple[str, ...]) -> Moved:
    """Take a reading again; the visit goes on from there, or on to what it was on its way to."""
    return enter(plan, replace(session, trail=trail), name, session.agenda)


def _on_an_errand(plan: Plan, session: Session, name: str) -> bool:
    """Whether a reading may not be gone back to: on the way to a step that must be reached first, or past a danger
    that stops."""
    danger = stopping(plan, session)
    past = danger is not None and name not in readings_of_check(plan, danger)
    return (past or bool(session.agenda)) and not plan.step(name).proves


def _back(plan: Plan, session: Session) -> Moved:
    # Only readings are walked back into, never an answer that changed power or a flag.
    trail = [name for name in session.trail if name != session.step and plan.step(name).ask]
    while trail and not may_enter(plan, trail[-1], session):
        trail.pop()
    if session.mode in ("confirm", "digits", "which", "again"):
        return _tell_again(plan, session)
    if not trail or session.leaving or _on_an_errand(plan, session, trail[-1]):
        return session, [Say(plan.lines.line("back_refused"), "info", "back_refused"), *listen(plan, session)]
    session, more = _retake(plan, session, trail[-1], tuple(trail[:-1]))
    return session, [Say(plan.lines.line("back", title=plan.step(session.step).title), "info", "back"), *more]


def _change(plan: Plan, session: Session) -> Moved:
    if session.mode in ("confirm", "digits", "which", "again"):
        return _tell_again(plan, session)
    if session.mode == "offer":
        return enter(plan, session, session.step)
    last = session.taken[-1].step if session.taken else None
    if (
        last is None
        or session.leaving
        or _on_an_errand(plan, session, last)
        or not may_enter(plan, last, session)
        or (session.trail and session.trail[-1] != last)
    ):
        return session, [Say(plan.lines.line("change_refused"), "info", "change_refused"), *listen(plan, session)]
    title = plan.step(last).title
    session, more = _retake(plan, session, last, session.trail)
    return session, [Say(plan.lines.line("change", title=title), "info", "change"), *more]


def _readings(plan: Plan, session: Session) -> Moved:
    return session, [Say(so_far(plan, session), "info", "so_far"), *listen(plan, session)]


def _note(plan: Plan, session: Session) -> Moved:
    back_to = session.mode if session.mode != "paused" else "ask"
    session = replace(session, mode="memo", back_to=back_to)
    return session, [Say(plan.lines.line("memo_start"), "info", "memo_start"), Memo("start"), *listen(plan, session)]


def _pause(plan: Plan, session: Session) -> Moved:
    session = replace(session, mode="paused", pending=None, pending_answer=None, between=(), misses=0, outcome=None)
    return session, ask_again(plan, session)


def _continue(plan: Plan, session: Session) -> Moved:
    if session.mode != "paused":
        return _not_open(plan, session)
    session, more = _distrust(plan, session)
    return session, [Say(plan.lines.line("back_again"), "info", "back_again"), *more]


def _help(plan: Plan, session: Session) -> Moved:
    return session, [Say(plan.lines.line("help"), "info", "help"), *listen(plan, session)]


def _stop(plan: Plan, session: Session) -> Moved:
    if session.leaving:
        session = replace(session, mode="ask", pending=None, pending_answer=None, between=())
        return session, [Say(plan.lines.line("stop_way_out"), "info", "stop_way_out"), *ask_again(plan, session)]
    session = replace(session, leaving=True, mode="ask", tests=(), pending=None, pending_answer=None, between=())
    session, more = enter(plan, session, way_out(plan, session))
    return session, [Say(plan.lines.line("stop"), "info", "stop"), *more]


COMMANDS: dict[str, Callable[[Plan, Session], Moved]] = {
    "repeat": _repeat,
    "slower": _slower,
    "why": _why,
    "leads": _leads,
    "back": _back,
    "change": _change,
    "readings": _readings,
    "note": _note,
    "pause": _pause,
    "resume": _continue,
    "help": _help,
    "stop": _stop,
}
