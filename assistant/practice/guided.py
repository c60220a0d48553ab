"""A practice furnace beside the dialogue: it shows the meter at each step and follows what is done."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from assistant.hearing.engines.base import Final
from assistant.practice.phrases import Guided, phrases
from assistant.visit.loop import Ears, Mouth, Understand, Watcher
from flows.circuit import probes as table
from flows.circuit import readings
from flows.faults.lessons import lessons
from flows.judge.measured import Measured
from flows.practice import furnace as practice
from flows.practice.furnace import PracticeFurnace, Reply
from flows.procedure.compile import Plan
from flows.procedure.schema import Ask
from flows.procedure.session import Save, Say
from flows.procedure.wording import unit_words
from flows.reason.assess import Assessment, Evidence
from grammar.answers import Answer, Choice
from grammar.scope import Option, Scope
from grammar.units import from_si, to_si

SHOW, SEE = "show", "see"
Write = Callable[[str, dict[str, Any]], object]


def without_names(plan: Plan) -> Plan:
    """The plan of the ordinary dialogue, which keeps its reasoning on the record but leaves naming the fault to the
    trainee."""
    if plan.assess is None:
        return plan
    full = plan.assess

    def silent(evidence: Mapping[str, Evidence]) -> Assessment:
        return replace(full(evidence), sentence=phrases().line("think"), next_probe=None, next_why="", advice="")

    return replace(plan, assess=silent, next_test=None)


@dataclass(frozen=True)
class GivenReading:
    """A reading given to the dialogue. shown: what the display showed at that step (SI), None when nobody looked."""

    said: float
    step: float
    shown: float | None
    resolution: float

    @property
    def is_right(self) -> bool:
        """Whether it is the display, rounded at most to the digits said."""
        if self.shown is None:
            return False
        return self.said == self.shown or abs(self.said - self.shown) <= max(self.step, self.resolution) * 0.5001


class GuidedFurnace:
    """Ears around the trainee's own, and a watcher of the visit.

    "What does my meter show" is answered here and never reaches the dialogue; everything else
    goes through. The furnace follows the answers that the dialogue has taken.
    """

    def __init__(
        self,
        plan: Plan,
        guided: Guided,
        furnace: PracticeFurnace,
        rng: np.random.Generator,
        ears: Ears,
        mouth: Mouth,
        understand: Understand,
        watchers: list[Watcher],
        write: Write,
        typed: bool,
    ) -> None:
        """rng: for the display's own error. watchers: see what is asked of the furnace and what it says. write: adds
        a line to the journal."""
        self.furnace = furnace
        self.given: dict[str, GivenReading] = {}
        self._plan, self._guided, self._rng = plan, guided, rng
        self._ears, self._mouth, self._understand, self._watchers, self._write = (
            ears,
            mouth,
            understand,
            watchers,
            write,
        )
        self._typed = typed
        self._calling = False
        self._shown: dict[str, Measured] = {}

    @property
    def misread(self) -> int:
        """Readings given that the display did not show."""
        return sum(one.shown is not None and not one.is_right for one in self.given.values())

    @property
    def unseen(self) -> int:
        """Readings given with no look at the display."""
        return sum(one.shown is None for one in self.given.values())

    def hear(self, scope: Scope) -> Final | None:
        """The next utterance that is meant for the dialogue."""
        wide, step = self._with_question(scope), scope.name.split("/")[0]
        while True:
            final = self._ears.hear(wide)
            if final is None:
                return None
            answer = self._understand(final.heard, wide)
            if not isinstance(answer, Choice) or answer.id not in (SHOW, SEE):
                return final
            for watcher in self._watchers:
                watcher.heard(final, answer, wide)
            self._tell(step, self._show(step) if answer.id == SHOW else self._see(step))
            for watcher in self._watchers:
                watcher.listening(wide)

    def reopen(self) -> bool:
        return self._ears.reopen()

    def said(self, say: Say) -> None:
        """What the dialogue says changes nothing in a furnace."""

    def heard(self, final: Final, answer: Answer, scope: Scope) -> None:
        """Only what the dialogue has taken counts: see `saved`."""

    def listening(self, scope: Scope) -> None:
        """The furnace does not mind who listens."""

    def saved(self, save: Save) -> None:
        """Follow a confirmed answer; note a confirmed reading."""
        if save.kind == "choice":
            self._do(f"{save.data['step']}/{save.data['choice']}")
        elif save.kind == "reading":
            step, shown = save.data["step"], self._shown.get(save.data["step"])
            resolution = 0.0
            if shown is not None and not shown.over_limit:
                resolution = self._plan.meter.function(shown.quantity).range_for(shown.value).resolution
            self.given[step] = GivenReading(
                save.data["value"], save.data["step_size"], shown.value if shown else None, resolution
            )

    def _with_question(self, scope: Scope) -> Scope:
        """The scope with the question that fits it: for the meter, or for what is to be seen."""
        book, step = phrases(), scope.name.split("/")[0]
        if scope.asked is not None:
            question = Option(SHOW, book.actions["show"].of(self._typed))
        elif step in self._guided.sees and scope.name.endswith("/ask"):
            question = Option(SEE, book.sees.of(self._typed))
        else:
            return scope
        return replace(scope, options=(*scope.options, question))

    def _do(self, answer: str) -> None:
        p = self.furnace
        match self._guided.does.get(answer):
            case "off":
                # Said a second time, after a dead test that failed: then it is the breaker.
                self.furnace, _ = practice.turn(p, "breaker" if p.power != "on" else "switch")
            case "on":
                self.furnace, _ = practice.turn(p, "on")
                if self._calling:
                    self.furnace, _ = practice.light(self.furnace)
            case "series" | "out" as way:
                self._moved(answer, practice.put_in_series(p, way == "series"))
            case "unplug" | "plug" as way:
                self._moved(answer, practice.plug(p, way == "plug"))
            case "volts_jack" | "microamp_jack" as way:
                self._moved(answer, practice.set_jack(p, "volts" if way == "volts_jack" else "microamps"))
            case "clean":
                self._moved(answer, practice.clean(p))
            case "call" | "uncall" as way:
                self._calling = way == "call"

    def _moved(self, answer: str, moved: tuple[PracticeFurnace, Reply]) -> None:
        """Take a move; one that was stopped is told."""
        self.furnace, reply = moved
        if reply.slip:
            self._tell(answer.split("/")[0], reply)

    def _show(self, step: str) -> Reply:
        ask = self._plan.step(step).ask
        if ask is None:
            return Reply(phrases().line("nothing_to_read"))
        reply = self._ask(ask.probe)
        if reply.taken is None or reply.taken.value is None:
            return reply
        value = reply.taken.value
        if (coarser := _in_range(value, ask, self._plan)) is not None:
            text, value = coarser
            reply = replace(reply, text=text, taken=replace(reply.taken, value=value))
        self._shown[step] = value
        return reply

    def _ask(self, probe: str) -> Reply:
        known = table.table().get(probe)
        if known and known.lit:
            self._relight()
        self.furnace, reply = practice.ask(self.furnace, probe, self._rng)
        return reply

    def _relight(self) -> None:
        """The board tries again while heat is called for."""
        if self.furnace.power == "on" and self._calling and not self.furnace.lit:
            self.furnace, _ = practice.light(self.furnace)

    def _see(self, step: str) -> Reply:
        what = self._guided.sees[step]
        if what == "burner":
            self._relight()
            return Reply(phrases().line("burner_lit" if self.furnace.lit else "burner_out"))
        if what == "flame":
            self.furnace, reply = practice.touch(self.furnace, "watch", None, self._rng)
            return reply
        keeps = bool(readings.board_proves_flame(self.furnace.now)[0]) and self.furnace.plugged
        return Reply(phrases().line("cycle_good" if keeps else "cycle_bad"))

    def _tell(self, step: str, reply: Reply) -> None:
        """Say it, show it, and keep it in the journal first."""
        value = reply.taken.value if reply.taken else None
        if reply.slip:
            self._write("slip", {"step": step, "slip": reply.slip, "text": reply.text})
        else:
            self._write(
                "display",
                {
                    "step": step,
                    "text": reply.text,
                    "value": value.value if value else None,
                    "quantity": value.quantity if value else None,
                },
            )
        say = Say(reply.text, "caution" if reply.slip else "info", "practice/display")
        for watcher in self._watchers:
            watcher.said(say)
        self._mouth.say(reply.text)
        self._mouth.tone("look_again" if reply.slip else "listening")
        self._mouth.speak()


def _in_range(value: Measured, ask: Ask, plan: Plan) -> tuple[str, Measured] | None:
    """The display on the range that the step asks for, and what it says, where the meter by itself would show more
    digits than can be said there; None where it would not."""
    if value.over_limit:
        return None
    resolution = plan.meter.function(ask.quantity).range_for(value.value).resolution
    if not resolution < to_si(f"1e-{ask.decimals}", ask.unit) * 0.999:
        return None
    digits = f"{from_si(value.value, ask.unit):.{ask.decimals}f}"
    text = lessons().lines["shows"].format(value=f"{digits} {unit_words(ask.unit, plan.language)}")
    return text, replace(value, value=to_si(digits, ask.unit))
