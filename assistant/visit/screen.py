"""What a visit looks like in a terminal: one line for each thing said, heard, kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from assistant.hearing.engines.base import Final
from flows.procedure.session import Save, Say
from flows.talk.early import LINE as HARD_TO_HEAR
from grammar.answers import Answer, Choice, Command, Reading, Unclear
from grammar.scope import Scope

Print = Callable[[str], None]
MARKS = {
    "step": "Twohands ",
    "caution": "  caution",
    "why": "      why",
    "readback": "read back",
    "verdict": "  verdict",
    "question": "   asks  ",
    "alarm": "   ALARM ",
    "info": "Twohands ",
}
WHY = {
    "nothing": "nothing understood",
    "not_open": "not open here",
    "out_of_range": "the meter cannot show that",
    "wrong_unit": "another quantity",
    "too_fine": "more digits than the display has",
    "doubtful": "too doubtful",
}


class Screen:
    """A watcher that prints. ears: whether to show when the microphone opens. ways: printed where somebody is told that
    there are other ways to be understood."""

    def __init__(self, out: Print, ears: bool = False, ways: Sequence[str] = ()) -> None:
        self._out = out
        self._ears = ears
        self._ways = ways

    def said(self, say: Say) -> None:
        self._out(f"{MARKS[say.role]}  {say.text}")
        if say.line == HARD_TO_HEAR:
            for way in self._ways:
                self._out(f"           - {way}")

    def heard(self, final: Final, answer: Answer, scope: Scope) -> None:
        heard = final.heard
        words = f'"{heard.text}"' if heard.text else "(no words)"
        sure = f"  confidence {heard.confidence:.2f}" if heard.engine != "typed" else ""
        if heard.second is not None and heard.second.text != heard.text:
            sure += f', or "{heard.second.text}"' if heard.second.text else ", or nothing"
        rather = (
            f' taken as "{answer.text}"'
            if isinstance(answer, Reading) and heard.engine != "typed" and answer.text != heard.text
            else ""
        )
        self._out(f"    heard  {words}{sure}{rather}  -> {meaning(answer)}")

    def listening(self, scope: Scope) -> None:
        if self._ears:
            self._out("    (listening)")

    def saved(self, save: Save) -> None:
        if save.kind == "power":
            self._out(f"    power  {save.data['state'].replace('_', ' ')}")


def meaning(answer: Answer) -> str:
    """An answer in a few words."""
    match answer:
        case Reading(over_limit=True):
            return "over limit"
        case Reading():
            return f"{answer.digits} {answer.unit}"
        case Choice(correction=Reading() as right):
            return f"{answer.id}, rather {right.digits}"
        case Choice() | Command():
            return answer.id
        case Unclear():
            return f"unclear ({WHY.get(answer.reason, answer.reason)})"
