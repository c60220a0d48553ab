"""A picture of a procedure: the machine that a visit runs on, drawn by Graphviz through `transitions`."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

from transitions import State
from transitions.extensions import GraphMachine

from assistant.authoring.errors import AuthoringError
from assistant.authoring.ways import on_the_way
from assistant.colours import colour
from assistant.errors import MissingLibrary
from flows.procedure.schema import Power, Procedure, Step, When

KINDS = (".png", ".svg", ".pdf")
COLOURS = {"on": colour("doubt-zone"), "off": colour("pale"), "dead": colour("good-zone"), "any": colour("card")}
"""By the power that a step needs."""
SAID: dict[Power, str] = {"on": "on", "said_off": "said to be off", "dead": "proven dead", "doubt": "in doubt"}
NOTE = "from every step"
"""A node that is no step: the ways that lead out of every step, told rather than drawn."""
WIDE, NOTE_WIDE = 28, 44
LEGEND = (
    "yellow: power on   grey: said to be off   green: proven dead   white: any\nsolid: the next check   dashed: what is"
    " done on the way to it   dotted: a proof that fails"
)
LEFT = r"\l"
"""A line's end in a label; the line stands to the left."""


_STEP = {
    "shape": "box",
    "style": "filled,rounded",
    "fontname": "sans-serif",
    "fontsize": "13",
    "margin": "0.14,0.07",
    "color": colour("firm"),
}
SHEET = {
    "directed": "true", "strict": "false", "rankdir": "TB", "nodesep": "0.25", "ranksep": "0.3",
    "fontname": "sans-serif", "fontsize": "16", "labelloc": "t", "splines": "spline", "dpi": "110",
}  # fmt: skip
STYLES: dict[str, Any] = {
    "node": {
        "default": _STEP,
        **{power: {**_STEP, "fillcolor": colour} for power, colour in COLOURS.items()},
        "end": {**_STEP, "peripheries": "2", "fillcolor": colour("card")},
        "note": {**_STEP, "shape": "note", "style": "filled", "fillcolor": colour("card"), "fontsize": "12"},
    },
    "edge": {
        "default": {"fontname": "sans-serif", "fontsize": "11", "color": colour("firm"), "arrowsize": "0.7"},
        "way": {"weight": "10"},
        "guarded": {"color": colour("blue"), "fontcolor": colour("blue")},
        "failed": {"color": colour("bad"), "fontcolor": colour("bad"), "style": "dotted", "constraint": "false"},
        "back": {"constraint": "false"},
        "errand": {"style": "dashed", "weight": "2"},
        "errand back": {"style": "dashed", "constraint": "false"},
    },
    "graph": {"default": {}},
}


class _Picture(GraphMachine):
    """The machine as it is drawn: from the top down, in colours of the power."""

    machine_attributes = SHEET
    style_attributes = STYLES


class _Labelled(State):
    label: str
    """What the drawing part of transitions looks for."""


def draw(procedure: Procedure, path: Path) -> None:
    """Write the picture as .png, .svg or .pdf. Raises MissingLibrary, AuthoringError."""
    if path.suffix.lower() not in KINDS:
        raise AuthoringError(
            f"A picture cannot be a '{path.suffix or path.name}'.", f"End its name with one of: {', '.join(KINDS)}."
        )
    try:
        import graphviz
    except ImportError as error:
        raise MissingLibrary(
            "The picture needs the package graphviz, which is missing.", "Install it: pip install 'twohands[author]'"
        ) from error
    graph = _graph(procedure)
    try:
        path.write_bytes(graph.pipe(format=path.suffix.lower().lstrip(".")))
    except graphviz.ExecutableNotFound as error:
        raise MissingLibrary(
            "The picture needs Graphviz, which is missing.", "Install it: sudo apt install graphviz"
        ) from error
    except graphviz.CalledProcessError as error:
        raise AuthoringError(
            f"Graphviz could not draw it: {str(error).splitlines()[0]}.", "Try .svg instead, or shorten the titles."
        ) from error
    except OSError as error:
        raise AuthoringError(
            f"{path} cannot be written ({error.strerror}).", "Choose another place with --out."
        ) from error


def _graph(procedure: Procedure) -> Any:
    moves, styles = _moves(procedure)
    states = [_state(name, _label(step)) for name, step in procedure.steps.items()] + [_state(NOTE, _note(procedure))]
    machine = _Picture(
        states=states, transitions=moves, initial=procedure.start, auto_transitions=False, graph_engine="graphviz"
    )
    graph: Any = machine.model_graphs[id(machine)]
    for name, step in procedure.steps.items():
        graph.set_node_style(name, "end" if step.end else step.power)
    graph.set_node_style(NOTE, "note")
    for (source, target), style in styles.items():
        graph.custom_styles["edge"][source][target] = style
    return graph.get_graph(title=f"{procedure.title}\n{LEGEND}")


def _state(name: str, label: str) -> State:
    state = _Labelled(name)
    state.label = label
    return state


def _moves(procedure: Procedure) -> tuple[list[dict[str, Any]], dict[tuple[str, str], str]]:
    """The arrows, and the style of each by its two ends."""
    moves: list[dict[str, Any]] = []
    styles: dict[tuple[str, str], str] = {}

    def add(source: str, target: str, label: str, style: str) -> None:
        moves.append({"trigger": "next", "source": source, "dest": target, "label": label or " "})
        styles.setdefault((source, target), style)

    for name, step in procedure.steps.items():
        for go in step.next:
            label = guard(go.when, step) if go.when else "else" if len(step.next) > 1 else ""
            backward = _place(procedure, go.go) <= _place(procedure, name)
            add(name, go.go, label, "back" if backward else "guarded" if go.when else "way")
        if step.judge and step.judge.otherwise:
            add(name, step.judge.otherwise, "not passed", "failed")
    for source, target in sorted(on_the_way(procedure) - styles.keys()):
        backward = _place(procedure, target) <= _place(procedure, source)
        add(source, target, "", "errand back" if backward else "errand")
    return moves, styles


def _note(procedure: Procedure) -> str:
    """What leads out of every step, in words."""
    lines = ['"stop" is said:']
    for go in procedure.leave:
        lines += textwrap.wrap(
            f"{guard(go.when, None) if go.when else 'else'} → {procedure.steps[go.go].title}",
            NOTE_WIDE,
            initial_indent="   ",
            subsequent_indent="      ",
        )
    lines += ["   all is put back as it was found first"]
    if procedure.fix:
        lines += [
            '"fix it now" is said after a check that failed:',
            f"   → {procedure.steps[procedure.fix].title}, then the same check again",
        ]
    for step in procedure.steps.values():
        for finding, fix in step.judge.fix.items() if step.judge else ():
            lines += [f"   {step.title}, {finding.replace('_', ' ')} → {procedure.steps[fix].title}"]
    lines += ["a break while the power was off:", "   → it is turned off and proven anew"]
    return LEFT.join([*lines, "gas is smelled:", "   → alarm, and out"])


def _place(procedure: Procedure, name: str) -> int:
    return list(procedure.steps).index(name)


def _label(step: Step) -> str:
    number = f"{step.check}  " if step.check else ""
    what = [step.ask.quantity.replace("_", " ")] if step.ask else []
    return LEFT.join([*textwrap.wrap(number + step.title, WIDE), *what])


def guard(when: When, step: Step | None) -> str:
    """A guard in a few words: "jumper none, leaving"."""
    said = []
    if when.outcome is not None:
        said.append(" or ".join(when.outcome))
    if when.answer is not None:
        said.append(" or ".join(f'"{_phrase(step, name)}"' for name in when.answer))
    if when.taken is not None:
        said.append(f"{when.taken.replace('_', ' ')} read")
    if when.power is not None:
        said.append("power " + " or ".join(SAID[power] for power in when.power))
    said += [f"{thing.replace('_', ' ')} {place.replace('_', ' ')}" for thing, place in when.things.items()]
    if when.danger is not None:
        said.append("a danger stands" if when.danger else "no danger stands")
    if when.leaving is not None:
        said.append("leaving" if when.leaving else "not leaving")
    return ", ".join(said)


def _phrase(step: Step | None, answer: str) -> str:
    return step.answers[answer].phrases[0] if step and answer in step.answers else answer
