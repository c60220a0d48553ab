"""Probing a practice furnace and naming its fault: a pure function of the state and the answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np

from assistant.practice.phrases import answering_scope, confirming_scope, phrases, probing_scope
from flows.errors import CalculationError
from flows.faults import catalog
from flows.faults.lessons import lessons
from flows.practice import furnace as practice
from flows.practice.furnace import PracticeFurnace, Reply, as_displayed
from flows.procedure.session import Effect, End, Listen, Pace, Role, Say, Tone
from flows.procedure.wording import spoken_lines
from grammar.answers import Answer, Choice, Command, Unclear
from grammar.scope import Scope

Touched = tuple[practice.Function, tuple[str, str] | None]
Place = Literal["probe", "answer"]
DIALLED: dict[str, practice.Function] = {one: one for one in get_args(practice.Function)}
"""What an answer calls a function -> the function."""
TURNED: dict[str, practice.Power] = {"off": "switch", "breaker": "breaker", "on": "on"}
"""What the power is turned to by an action."""


@dataclass(frozen=True)
class Probing:
    """Where an exercise stands.

    place: "probe" while tests may be asked for, "answer" when only the fault is still to be named.
    open_faults: those that may be answered. typed: words are exact, so nothing is read back or withdrawn.
    touched: the last test asked for. before: the furnace before it, for "not what I said". withdrawn: tests taken back.
    pending: an answer waiting for its yes. named: the faults named so far. misses: answers in a row not understood.
    said: the last reply. answer: the fault or pair answered. how: "" while it runs, else answered, stopped or gas.
    """

    furnace: PracticeFurnace
    open_faults: tuple[str, ...]
    typed: bool
    place: Place = "probe"
    touched: Touched | None = None
    before: PracticeFurnace | None = None
    withdrawn: int = 0
    pending: str | None = None
    named: tuple[str, ...] = ()
    misses: int = 0
    said: str = ""
    answer: str | None = None
    how: str = ""

    @property
    def to_name(self) -> int:
        """How many faults are hidden and have to be named."""
        return len(catalog.parts(self.furnace.hidden))


Moved = tuple[Probing, list[Effect]]


def begin(state: Probing) -> Moved:
    """The opening words."""
    book = phrases()
    if state.place == "answer":
        return _tell(state, book.line("name_it"), "question")
    return _tell(state, f"{opening(state)} {book.line('begin_free')}")


def opening(state: Probing) -> str:
    """What is hidden, in one sentence or two."""
    return phrases().line("begin_one" if state.to_name == 1 else "begin_two")


def scope_for(state: Probing) -> Scope:
    """All that can be heard now."""
    if state.pending is not None:
        return confirming_scope()
    if state.place == "answer" or state.named:
        return answering_scope(state.open_faults, state.typed)
    return probing_scope(state.open_faults, state.typed)


def advance(state: Probing, given: Answer, rng: np.random.Generator) -> Moved:
    """The next state and what to do. rng: for the display's own error."""
    if isinstance(given, Command) and given.id == "gas":
        return _gas(state)
    if state.how:
        return state, []
    if isinstance(given, Command):
        return COMMANDS.get(given.id, _missed)(state)
    if isinstance(given, Choice) and state.pending is not None:
        return (
            _named(state, state.pending)
            if given.id == "yes"
            else _tell(replace(state, pending=None), phrases().line("again"), "question")
        )
    if not isinstance(given, Choice):
        return _missed(state, given.reason == "nothing" if isinstance(given, Unclear) else False)
    kind, *rest = given.id.split(":")
    state = replace(state, misses=0)
    if kind == "answer":
        return _answered(state, rest[0])
    if kind == "touch":
        return _touch(state, (DIALLED[rest[0]], (rest[1], rest[2])), rng)
    return _do(state, rest[0], rng)


def _do(state: Probing, action: str, rng: np.random.Generator) -> Moved:
    p = state.furnace
    match action:
        case "show":
            return (
                _touch(state, state.touched, rng) if state.touched else _tell(state, phrases().line("nothing_touched"))
            )
        case "off" | "breaker" | "on":
            return _moved(state, practice.turn(p, TURNED[action]))
        case "heat":
            return _moved(state, practice.light(p))
        case "series" | "out":
            return _moved(state, practice.put_in_series(p, action == "series"))
        case "jack":
            return _moved(state, practice.set_jack(p, "volts"))
        case "unplug" | "plug":
            return _moved(state, practice.plug(p, action == "plug"))
        case "current":
            return _touch(state, ("dc_amps", None), rng)
        case "watch" | "leads" | "outlet":
            return _touch(state, (action, None), rng)
        case "undo":
            return _undo(state)
        case "faults":
            listed = "; ".join(phrases().faults[name].phrases[0] for name in state.open_faults)
            return _tell(state, phrases().line("faults", list=listed))
        case _:
            return _over(state, "stopped")


def _touch(state: Probing, touched: Touched, rng: np.random.Generator) -> Moved:
    function, points = touched
    if points and points[0] == points[1]:
        return _tell(state, phrases().line("same_point"), "question")
    try:
        moved = practice.touch(state.furnace, function, points, rng)
    except CalculationError:
        return _tell(state, phrases().line("no_reading"), "question")
    return _moved(replace(state, touched=touched), moved, _heard(state, touched))


def _heard(state: Probing, touched: Touched) -> str:
    """What was understood, said before the answer where it was heard and not typed."""
    function, points = touched
    book = phrases()
    if state.typed or points is None:
        return ""
    a, b = (lessons().points[one].name for one in points)
    return book.line("heard", function=book.line(function), a=a, b=b) + " "


def _moved(state: Probing, moved: tuple[PracticeFurnace, Reply], heard: str = "") -> Moved:
    furnace, reply = moved
    text = f"{heard}{reply.text} {reply.proof}".strip()
    if furnace.dead and not state.furnace.dead:
        text = f"{text} {phrases().line('dead')}"
    state = replace(state, furnace=furnace, before=state.furnace)
    if reply.slip is None:
        return _tell(state, text)
    state, effects = _tell(state, text, "caution")
    return state, [Tone("look_again"), *effects]


def _undo(state: Probing) -> Moved:
    """Back to the furnace before the last test or act, where it was heard wrong. Counted, for the record."""
    if state.before is None:
        return _tell(state, phrases().line("nothing_to_undo"), "question")
    return _tell(
        replace(state, furnace=state.before, before=None, touched=None, withdrawn=state.withdrawn + 1),
        phrases().line("undone"),
        "question",
    )


def _answered(state: Probing, fault: str) -> Moved:
    if state.typed:
        return _named(state, fault)
    return _tell(replace(state, pending=fault), phrases().line("confirm", fault=catalog.spoken_name(fault)), "readback")


def _named(state: Probing, fault: str) -> Moved:
    named = tuple(dict.fromkeys((*state.named, fault)))
    state = replace(state, pending=None, named=named)
    if len(named) < state.to_name:
        return _tell(state, phrases().line("second"), "question")
    return _over(state, "answered")


def _over(state: Probing, how: str) -> Moved:
    # One of two named and then given up is still an answer: it is half right or it is wrong.
    answer = catalog.JOIN.join(state.named) or None
    return replace(state, answer=answer, how="answered" if answer else how, pending=None), [
        End("answered" if answer else how)
    ]


def _gas(state: Probing) -> Moved:
    alarm = spoken_lines(phrases().language).line("alarm")
    said: list[Effect] = [
        Tone("alarm"),
        Say(alarm, "alarm", "alarm"),
        Say(phrases().line("gas_ends"), "alarm", "gas_ends"),
        End("gas"),
    ]
    return replace(state, how="gas", pending=None, named=()), said


def _missed(state: Probing, silence: bool = False) -> Moved:
    book = phrases()
    rung = min(state.misses + 1, 3)
    answering = scope_for(state).name == "practice/answer"
    line = "miss_2_answer" if rung == 2 and answering else f"miss_{rung}"
    state = replace(state, misses=rung % 3)
    tones: list[Effect] = [] if silence else [Tone("look_again")]
    return state, [*tones, Say(book.line(line), "question", line), *_listen(state)]


def _readings(state: Probing) -> Moved:
    latest = {one.what: one for one in state.furnace.taken if one.value is not None}
    if not latest:
        return _tell(state, phrases().line("nothing_yet"))
    meter = state.furnace.meter.meter
    told = "; ".join(f"{_name_of(what)}, {_shown(one.value, meter)}" for what, one in latest.items())
    return _tell(state, phrases().line("so_far", list=told))


def _shown(value, meter) -> str:
    return "over limit" if value.over_limit else as_displayed(value.value, value.quantity, meter)


def _name_of(what: str) -> str:
    """A test by the name of its probe, else by its two points."""
    known = catalog.probes().get(what)
    if known:
        return known.name
    places = [lessons().points[one].name for one in what.split() if one in lessons().points]
    return " to ".join(places) or what.replace("_", " ")


def _repeat(state: Probing) -> Moved:
    return _tell(state, state.said)


def _slower(state: Probing) -> Moved:
    state, effects = _tell(state, phrases().line("slower"))
    return state, [Pace(-1), *effects]


def _help(state: Probing) -> Moved:
    return _tell(state, phrases().line("help_answer" if scope_for(state).name == "practice/answer" else "help"))


def _stop(state: Probing) -> Moved:
    return _over(state, "stopped")


def _tell(state: Probing, text: str, role: Role = "info") -> Moved:
    state = replace(state, said=text)
    return state, [Say(text, role), *_listen(state)]


def _listen(state: Probing) -> list[Effect]:
    return [Tone("listening"), Listen(scope_for(state))]


COMMANDS: dict[str, Callable[[Probing], Moved]] = {
    "repeat": _repeat,
    "slower": _slower,
    "readings": _readings,
    "help": _help,
    "stop": _stop,
}
