"""The same circuits handed to ngspice, whose transient analysis is the judge of `periodic`. Any one may read it.

One netlist holds many furnaces, each with its own node prefix. ngspice (binary `ngspice`, batch mode) integrates in
time from rest until the direct currents have settled, and reports means over the last periods."""

from __future__ import annotations

import re
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.outside.second_world.flame import ROUNDING, FlameLaw
from tests.outside.second_world.nodal import EARTH, Circuit

CHARGE = 1e-6  # farads that gather the ammeter's charge


@dataclass(frozen=True)
class Case:
    """A circuit, the two nodes of the flame, and its law."""

    circuit: Circuit
    rod: str
    burner: str
    law: FlameLaw


def lines(case: Case, mark: str, hertz: float) -> list[str]:
    """The netlist lines of one case; every name carries `mark`."""

    def n(name: str) -> str:
        return "0" if name == EARTH else f"{mark}{name}"

    out = []
    for k, part in enumerate(case.circuit.parts):
        kind, label = part[0], f"{mark}p{k}"
        if kind in "rc":
            out.append(f"{kind}{label} {n(part[1])} {n(part[2])} {part[3]:.9g}")
        elif kind == "v":
            out.append(f"v{label} {n(part[2])} {n(part[3])} sin(0 {part[4] * 2**0.5:.9g} {hertz:g})")
        elif kind == "a":
            out += [f"r{label} {n(part[2])} {label}m {part[4]:.9g}", f"v{mark}{part[1]} {label}m {n(part[3])} 0"]
        elif kind == "e":
            out.append(f"e{label} {n(part[2])} {n(part[3])} {n(part[4][0])} {n(part[4][1])} {part[5]:.9g}")
        elif kind == "t":
            (sa, sb), (pa, pb), ratio = part[2:]
            out += [f"e{label} {label}m {n(sb)} {n(pa)} {n(pb)} {ratio:.9g}", f"v{label} {n(sa)} {label}m 0"]
            # the branch current here runs into the secondary, as in `nodal`, so the primary takes ratio times its
            # opposite
            out.append(f"f{label} {n(pb)} {n(pa)} v{label} {ratio:.9g}")
    law, v = case.law, f"v({n(case.rod)},{n(case.burner)})"
    up, down = (f"(sqrt(max({x},0)*max({x},0)+{ROUNDING**2:g})-{ROUNDING:g})" for x in (v, f"(-{v})"))
    out.append(
        f"b{mark}flame {n(case.rod)} {n(case.burner)} i = {law.knee:.9g}*"
        f"(tanh({up}/{law.knee:.9g})/{law.forward:.9g}-tanh({down}/{law.knee:.9g})/{law.backward:.9g})"
    )
    out += [f"rfloor{mark}{k} {n(name)} 0 1e12" for k, name in enumerate(_nodes(case.circuit))]
    return out


def _nodes(circuit: Circuit) -> list[str]:
    named = {part[1] for part in circuit.parts if part[0] in "vaet"}
    return [name for name in circuit.index if name not in named and name != EARTH]


def means(
    cases: Sequence[Case], ammeter: str, sense: tuple[str, str], hertz: float, seconds: float = 3.0, step: float = 1e-4
) -> list[tuple[float, float]]:
    """(mean amperes through `ammeter`, mean volts over `sense`) of each case, from one ngspice run. Raises
    RuntimeError."""
    deck = ["* furnaces"]
    start = seconds - 12 / hertz
    for k, case in enumerate(cases):
        mark = f"x{k}_"
        deck += lines(case, mark, hertz)
        pair = [f"{mark}{name}" if name != EARTH else "0" for name in sense]
        # the charge is integrated in the circuit: a mean over printed points drifts by the step times the swing
        deck += [f"f{mark}q 0 {mark}q v{mark}{ammeter} 1", f"c{mark}q {mark}q 0 {CHARGE:g}", f"r{mark}q {mark}q 0 1e12"]
        deck += [
            f".meas tran {end}{k} find v({mark}q) at={at:.9g}" for end, at in (("a", start), ("b", seconds - 1e-9))
        ]
        deck.append(f".meas tran s{k} avg par('v({pair[0]})-v({pair[1]})') from={start:.9g} to={seconds:.9g}")
    early = start - 3 / hertz  # the window begins inside what is kept
    deck += [
        f".tran {step:g} {seconds:g} {early:.9g} {step:g}",
        ".options gmin=1e-15 abstol=1e-13 reltol=1e-4",
        ".end",
        "",
    ]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "furnaces.cir"
        path.write_text("\n".join(deck), encoding="ascii")
        run = subprocess.run(["ngspice", "-b", str(path)], capture_output=True, text=True, check=False, cwd=folder)
    found = {
        name: float(value)
        for name, value in re.findall(r"^([abs]\d+)\s*=\s*([-+0-9.eE]+)", run.stdout, flags=re.MULTILINE)
    }
    missing = [k for k in range(len(cases)) if not {f"a{k}", f"b{k}", f"s{k}"} <= set(found)]
    if missing:
        raise RuntimeError(f"ngspice gave no figure for cases {missing}: {(run.stdout + run.stderr)[-600:]}")
    per_volt = CHARGE / (seconds - start)
    return [((found[f"b{k}"] - found[f"a{k}"]) * per_volt, found[f"s{k}"]) for k in range(len(cases))]
