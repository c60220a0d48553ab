"""Gas, a break, and what neither leaves believed: afterwards power counts as on until it is proven dead again."""

from __future__ import annotations

from dataclasses import replace

from flows.procedure.compile import Plan
from flows.procedure.route import first_step
from flows.procedure.session import Effect, End, Input, Moved, Save, Say, Session, Tone
from flows.procedure.spoken.glossary import stand_words
from flows.talk.moving import enter
from flows.talk.prompts import ask_again, listen
from grammar.answers import Choice


def gas(plan: Plan, session: Session) -> Moved:
    """The alarm: what to do now, and nothing else is asked until the air is said to be clear."""
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


def in_alarm(plan: Plan, session: Session, given: Input) -> Moved:
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
        session, more = distrust(plan, replace(session, mode="ask", pending_answer=None))
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


def resumed(plan: Plan, session: Session) -> Moved:
    """The visit goes on after a break, with what was known of the power in doubt."""
    effects: list[Effect] = [
        Say(plan.lines.line("welcome_back", title=plan.step(session.step).title), "info", "welcome_back")
    ]
    session, more = distrust(
        plan, replace(session, mode="ask", pending=None, pending_answer=None, between=(), misses=0, back_to="ask")
    )
    return session, [*effects, *more]


def distrust(plan: Plan, session: Session) -> Moved:
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
