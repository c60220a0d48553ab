"""One simulated visit: the readings a fault gives, judged with the meter's error, as journal lines."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any

from assistant.records.packing import finite
from flows.judge.measured import Measured, Verdict, measured
from flows.judge.profiles import Equipment, Meter, equipment, meter
from flows.judge.verdict import facts_of, judge
from flows.procedure.schema import Procedure, load_procedure
from flows.procedure.wording import fill
from grammar.answers import Reading
from tests.lab.invented.world import Furnace, Technician

UNITS = {"volt": 1.0, "ohm": 1.0, "microamp": 1e-6}
SPOKEN = {"volt": "volts", "ohm": "ohms", "microamp": "microamps"}
SENTENCE = {
    "rod_coated": "The rod is fouled: voltage and ground path are right and the flame current is low.",
    "connector_resistance": "There is resistance between the board and the rod.",
    "burner_corroded": "The ground path from the burner to the board is poor.",
    "board_not_sensing": "The flame current is right and the board does not prove flame: the board is at fault.",
    "polarity_reversed": "Hot and neutral are swapped at the furnace.",
    "secondary_swapped": "The transformer is out of phase with the supply.",
    "supply_low": "The supply to the furnace is low.",
    "": "No fault was found: the flame-sensing circuit is sound.",
}
FAULTS = tuple(key for key in SENTENCE if key)
CHECKS = (
    "supply", "polarity_hot", "polarity_neutral", "secondary", "phasing", "rod_voltage", "meter_live",
    "hot_neutral_dead", "hot_ground_dead", "neutral_ground_dead", "meter_still_live", "lead_zero", "ground_path",
    "flame_seen", "flame_current", "board_proof",
)  # fmt: skip
"""Steps that a whole simulated visit goes through."""
MEMOS = (
    "water stain above the board",
    "new rod on the truck",
    "wire rubs on the burner edge",
    "blower door switch is taped",
)


@dataclass
class Teller:
    """Writes journal lines with rising numbers and times."""

    clock: datetime
    chance: random.Random
    pace: float
    events: list[dict[str, Any]] = field(default_factory=list)
    snippets: int = 0

    def tell(self, kind: str, pause: float = 0.4, /, **data: Any) -> None:
        self.clock += timedelta(seconds=pause * self.pace)
        self.events.append(
            {
                "v": 1,
                "seq": len(self.events) + 1,
                "at": self.clock.isoformat(timespec="microseconds"),
                "kind": kind,
                **data,
            }
        )

    def say(self, text: str, role: str, line: str = "") -> None:
        self.tell("said", 0.6 + len(text.split()) / 2.6, line=line, text=text, role=role)

    def hear(self, scope: str, text: str, answer: dict[str, Any], thinking: float = 3.0) -> str:
        self.snippets += 1
        sure = round(self.chance.uniform(0.72, 0.99), 3)
        snippet = f"audio/{self.snippets:04d}.flac"
        length = round(0.4 + 0.33 * len(text.split()), 2)
        self.tell(
            "heard",
            thinking + length,
            scope=scope,
            text=text,
            confidence=sure,
            alternatives=[[text, sure]],
            seconds=length,
            level_db=round(self.chance.uniform(9, 24), 1),
            engine="vosk",
            answer=answer,
            snippet=snippet,
        )
        return snippet


def visit_events(
    name: str, start: datetime, furnace: Furnace, person: Technician, day: float, chance: random.Random
) -> list[dict[str, Any]]:
    """The journal of one visit; changes `furnace` (mended or not) and `person` (one visit more)."""
    family, tool = equipment(furnace.family), meter(person.meter)
    skill = person.skill()
    teller = Teller(start, chance, person.pace * (1.9 - 0.9 * skill))
    teller.tell(
        "visit",
        0.0,
        visit=name,
        procedure=procedure().id,
        procedure_title=procedure().title,
        procedure_version=procedure().version,
        equipment=family.id,
        equipment_name=family.name,
        meter=tool.id,
        meter_name=tool.name,
        language="en",
        engine="vosk",
        voice="en",
        program="0.1.0",
        invented=True,
        technician=person.name,
        site=furnace.site,
    )
    walk = Walk(teller, family, tool, furnace, 1 - skill, day, procedure())
    finished = chance.random() > 0.03
    walk.checks(whole=finished)
    if not finished:
        walk.end(None, "The visit was stopped before the end.")
        return teller.events
    cause = furnace.trouble
    named = (
        cause
        if cause is None or chance.random() < skill
        else chance.choice(("board_not_sensing", "board_not_sensing", "rod_coated", "connector_resistance"))
    )
    walk.assess(named)
    teller.say(SENTENCE[named or ""], "verdict", "assessment")
    mended = named is not None and named == cause
    if named is not None and chance.random() < 0.8:
        if mended:
            furnace.trouble = None
            if cause == "rod_coated":
                furnace.cleaned_day = day
        teller.tell(
            "memo",
            20 + chance.uniform(60, 900),
            file=f"audio/{teller.snippets + 1:04d}.flac",
            seconds=round(chance.uniform(2, 9), 1),
            step="board_proof",
            text=chance.choice(MEMOS),
        )
        if mended:
            walk.again_after_repair(cause)
    elif named is None:
        furnace.trouble = None
    person.visits += 1
    walk.end(named, SENTENCE[named or ""])
    return teller.events


@dataclass
class Walk:
    """The checks of one visit, in the order and by the calculations of the procedure that ships."""

    teller: Teller
    family: Equipment
    meter: Meter
    furnace: Furnace
    clumsy: float
    day: float
    plan: Procedure
    taken: dict[str, Measured] = field(default_factory=dict)
    weights: dict[str, float] = field(default_factory=lambda: dict.fromkeys(FAULTS, 1 / len(FAULTS)))
    out: dict[str, str] = field(default_factory=dict)
    done: set[str] = field(default_factory=set)
    safety: dict[str, str] = field(default_factory=dict)
    found: dict[str, str] = field(default_factory=dict)

    def end(self, named: str | None, summary: str) -> None:
        """The last line; a visit with a check missing or a danger standing is not finished."""
        missing = [name for name in CHECKS if name not in self.done]
        self.teller.tell(
            "end", how="stopped" if missing or self.safety else "finished", fault=named, summary=summary, left_set=[],
            missing=missing, missing_titles=[self.plan.steps[name].title for name in missing],
            safety=[list(one) for one in self.safety.items()], power="dead" if self.safety else "on",
        )  # fmt: skip

    def checks(self, whole: bool) -> None:
        """All checks, or only those before the power goes off."""
        one, volts = self.one, self._true_volts()
        one("supply", volts["hn"], ("supply_low",))
        one("polarity_hot", volts["hg"], ())
        one("polarity_neutral", volts["ng"], ("polarity_reversed",))
        secondary = volts["hn"] / self.family.turns_ratio
        one("secondary", secondary, ())
        one(
            "phasing",
            volts["hn"] + secondary if self.furnace.trouble == "secondary_swapped" else volts["hn"] - secondary,
            ("secondary_swapped",),
        )
        one("rod_voltage", self._true_rod(), ("connector_resistance",))
        if not whole:
            return
        tell = self.teller.tell
        self.choose("power_off", "opened", "I opened the switch")
        tell("power", state="said_off", by="power_off")
        one("meter_live", volts["hn"], ())
        for step in ("hot_neutral_dead", "hot_ground_dead", "neutral_ground_dead"):
            one(step, abs(self.teller.chance.gauss(0.1, 0.1)), ())
        one("meter_still_live", volts["hn"], ())
        tell("power", state="dead", by="meter_still_live")
        one("lead_zero", abs(self.teller.chance.gauss(0.2, 0.04)), ())
        if self.teller.chance.random() < 0.04:
            self.teller.hear(
                "ground_path/ask", "skip this check", {"type": "choice", "id": "skip", "text": "skip this check"}
            )
            tell("skipped", step="ground_path", why="asked for")
        else:
            one("ground_path", self._true_path(), ("burner_corroded",))
        self.choose("jumper_on", "jumped", "jumper is in place")
        tell("moved", thing="jumper", to="r_to_w", step="jumper_on")
        tell("jumper", on=True, step="jumper_on")
        self.choose("power_on_heat", "running", "furnace is running")
        tell("power", state="on", by="power_on_heat")
        self.choose("flame_seen", "burning", "I see a flame")
        self.flame()
        tell("moved", thing="jumper", to="none", step="jumper_off")
        tell("jumper", on=False, step="jumper_off")

    def flame(self) -> None:
        current = self._true_current()
        self.one("flame_current", current, ("rod_coated", "connector_resistance", "burner_corroded"))
        proves = self.furnace.trouble != "board_not_sensing" and current > self.family.limit("flame_minimum").value
        self.choose("board_proof", "stays" if proves else "drops", "flame stays lit" if proves else "it dropped out")
        self._weigh("board_not_sensing", proves, "board_proves_flame")

    def again_after_repair(self, cause: str) -> None:
        """The check that failed and the flame once more, now that the fault is mended. Both readings stand."""
        volts = self._true_volts()
        checks = {
            "connector_resistance": (("rod_voltage", self._true_rod()),),
            "burner_corroded": (("ground_path", self._true_path()),),
            "secondary_swapped": (("phasing", volts["hn"] * (1 - 1 / self.family.turns_ratio)),),
            "supply_low": (("supply", volts["hn"]),),
            "polarity_reversed": (("polarity_hot", volts["hg"]), ("polarity_neutral", volts["ng"])),
        }.get(cause, ())
        mended = checks[-1][0] if checks else "flame_current"
        self.teller.tell("fix", step=mended, finding=self.found.get(mended, ""))
        for step, true in checks:
            self.one(step, true, ())
        self.flame()

    def one(self, name: str, true: float, points_to: tuple[str, ...]) -> None:
        """Ask, hear, confirm and judge one reading; now and then one that is taken back at once."""
        if name not in self.done and self.teller.chance.random() < 0.06 * self.clumsy + 0.01:
            self._one(name, true * 1.01, points_to)
            self.teller.hear(
                f"{name}/ask", "change that", {"type": "command", "id": "change", "text": "change that"}, 1.0
            )
            self.teller.tell("retaken", step=name, probe=self.plan.steps[name].ask.probe)  # type: ignore[union-attr]
        self._one(name, true, points_to)

    def _one(self, name: str, true: float, points_to: tuple[str, ...]) -> None:
        chance, tell, step = self.teller.chance, self.teller.tell, self.plan.steps[name]
        ask = step.ask
        assert ask is not None  # only steps that ask are walked here
        for number, line in enumerate(step.say):
            self.teller.say(line, "step", f"{name}/say/{number}")
        if chance.random() < 0.25 * self.clumsy + 0.03:
            self.teller.hear(f"{name}/ask", "", {"type": "unclear", "reason": "nothing", "text": ""})
            self.teller.say("I did not get that. Please say it again.", "question", "miss_again")
        scale = UNITS[ask.unit]
        resolution = max(0.1 * scale, self.meter.function(ask.quantity).range_for(true).resolution)
        digits = f"{round(true / resolution) * resolution / scale:.1f}"
        shown = float(digits) * scale
        text = " ".join("point" if mark == "." else mark for mark in digits)
        result = _measured(shown, 0.1 * scale, ask.quantity, ask.unit, self.meter.id)
        snippet = self.teller.hear(
            f"{name}/ask",
            text,
            {"type": "reading", "value": shown, "unit": ask.unit, "digits": digits},
            8 + 8 * chance.random(),
        )
        self.teller.say(f"{digits} {SPOKEN[ask.unit]}. Is that right?", "readback", "readback")
        how = "correction" if chance.random() < 0.3 * self.clumsy + 0.02 else "yes"
        self.teller.hear(
            f"{name}/confirm", "yes" if how == "yes" else f"no {text}", {"type": "choice", "id": how, "text": how}, 0.5
        )
        power = "dead" if step.power == "dead" else "said_off" if step.power == "off" else "on"
        tell(
            "reading",
            step=name,
            check_title=step.title,
            probe=ask.probe,
            quantity=ask.quantity,
            value=shown,
            low=shown,
            high=shown,
            step_size=0.1 * scale,
            unit=ask.unit,
            digits=digits,
            over_limit=False,
            text=text,
            snippet=snippet,
            alternatives=[],
            confirmed={"how": how, "text": "yes"},
            measured={"value": result.value, "u": result.u, "low": result.low, "high": result.high},
            power=power,
        )
        self.taken[ask.probe] = result
        self.done.add(name)
        if step.judge is None:
            return
        verdict, said = _judged(
            name,
            self.family.id,
            (("value", result), *((role, self.taken[probe]) for role, probe in step.judge.probes.items())),
        )
        tell(
            "verdict",
            step=name,
            check=verdict.check,
            outcome=verdict.outcome,
            finding=verdict.finding,
            value=verdict.value,
            low=verdict.low,
            high=verdict.high,
            unit=verdict.unit,
            limits=[
                {"name": role, "value": one.value, "origin": one.origin, "source": one.source}
                for role, one in verdict.limits
            ],
            text=said,
            numbers=finite(dict(verdict.numbers)),
            power=power,
        )
        self.teller.say(said, "verdict", f"{name}/{verdict.line}")
        self.found[name] = verdict.finding
        self._danger(name, verdict)
        for fault in points_to:
            self._weigh(fault, verdict.outcome == "pass", ask.probe)

    def _danger(self, name: str, verdict: Verdict) -> None:
        """A finding that puts somebody at risk, and its taking back."""
        judge = self.plan.steps[name].judge
        danger = judge.danger.get(verdict.finding) if judge and verdict.outcome == "fail" else None
        before = self.safety.pop(name, None)
        if danger:
            self.safety[name] = verdict.finding
            self.teller.tell("safety", step=name, finding=verdict.finding, text=danger.say, stands=True)
            self.teller.say(danger.say, "alarm", f"{name}/danger/{verdict.finding}")
        elif before:
            self.teller.tell("safety", step=name, finding=before, text="", stands=False)

    def choose(self, step: str, choice: str, text: str) -> None:
        for number, line in enumerate(self.plan.steps[step].say):
            self.teller.say(line, "step", f"{step}/say/{number}")
        self.teller.hear(f"{step}/ask", text, {"type": "choice", "id": choice, "text": text}, 6.0)
        self.teller.tell("choice", step=step, choice=choice, text=text, confirmed="again", power="on")
        self.done.add(step)

    def assess(self, named: str | None) -> None:
        """A last line that puts the named cause first."""
        if named:
            self.weights[named] = 0.9
            self._say_weights(named)

    def _weigh(self, fault: str, good: bool, probe: str) -> None:
        self.weights[fault] *= 0.02 if good else 6.0
        self.out.pop(fault, None)
        if good:
            self.out[fault] = probe
        self._say_weights(None)

    def _say_weights(self, named: str | None) -> None:
        total = sum(self.weights.values())
        self.weights = {key: value / total for key, value in self.weights.items()}
        ranked = sorted(self.weights.items(), key=lambda pair: -pair[1])
        self.teller.tell(
            "assessment",
            ranked=[[key, round(value, 4)] for key, value in ranked[:5]],
            next_probe="flame_current",
            sentence=SENTENCE[ranked[0][0]],
            ruled_out=[list(one) for one in self.out.items()],
            named=named,
            cannot_tell=[],
            unproven=[],
        )

    def _true_volts(self) -> dict[str, float]:
        volts = self.teller.chance.gauss(105.5 if self.furnace.trouble == "supply_low" else 120.4, 1.4)
        small = abs(self.teller.chance.gauss(0.4, 0.2))
        swapped = self.furnace.trouble == "polarity_reversed"
        return {"hn": volts, "hg": small if swapped else volts - small, "ng": volts if swapped else small}

    def _true_rod(self) -> float:
        share = (
            self.teller.chance.uniform(0.55, 0.75)
            if self.furnace.trouble == "connector_resistance"
            else self.teller.chance.gauss(0.99, 0.025)
        )
        return self.family.limit("rod_nominal").value * share

    def _true_path(self) -> float:
        return (
            self.teller.chance.uniform(1.9, 7)
            if self.furnace.trouble == "burner_corroded"
            else self.teller.chance.uniform(0.25, 0.65)
        )

    def _true_current(self) -> float:
        chance, least = self.teller.chance, self.family.limit("flame_minimum").value
        years = max(0.0, self.day - self.furnace.cleaned_day) / 365
        sound = max(1.25, 3.6 * math.exp(-0.35 * self.furnace.fouling * years)) * least * chance.gauss(1, 0.05)
        share = {"rod_coated": (0.25, 0.8), "connector_resistance": (0.3, 0.8), "burner_corroded": (0.35, 0.9)}.get(
            self.furnace.trouble or ""
        )
        return least * chance.uniform(*share) if share else sound


@lru_cache
def procedure() -> Procedure:
    """The procedure that the simulated visits follow."""
    return load_procedure("flame_sensing")


@lru_cache(maxsize=20_000)
def _measured(shown: float, step: float, quantity: str, unit: str, meter_id: str) -> Measured:
    return measured(Reading(shown, shown, shown, step, quantity, unit, False, False, "", ""), meter(meter_id))


@lru_cache(maxsize=50_000)
def _judged(step: str, family_id: str, roles: tuple[tuple[str, Measured], ...]) -> tuple[Verdict, str]:
    """The verdict of a step and what is said of it. Kept, since simulated displays repeat."""
    plan, family = procedure(), equipment(family_id)
    asked = plan.steps[step]
    assert asked.judge is not None and asked.ask is not None  # only steps that judge a reading come here
    limits = {role: plan.limits.get(key) or family.limit(key) for role, key in asked.judge.limits.items()}
    verdict = judge(asked.judge.check, dict(roles), limits, facts_of(family))
    return verdict, fill(asked.judge.say[verdict.line], dict(verdict.numbers), asked.ask.quantity, "en")
