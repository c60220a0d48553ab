"""A furnace as an ngspice netlist, written from its parameters alone, and ngspice run in batch.

Nothing of flows.circuit's network is used: the netlist is the second opinion.
"""

from __future__ import annotations

import math
import re
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory

from flows.circuit import OPEN, Furnace

SECONDS = 2.0
"""Long enough that the blocking capacitor has settled; the last six cycles are averaged."""


def parts(f: Furnace, *, powered: bool, lit: bool, plugged: bool, drive: str) -> list[str]:
    """The netlist's cards, without analysis. drive: the text behind the source's nodes."""
    first, second = ("white", "black") if f.swapped else ("black", "white")
    rod = f.rod_ohms + f.rod_plug_ohms * (1.0 if lit else f.rod_plug_rest) if plugged else OPEN
    sensed_at, tied_to = ("common", "chassis") if f.common_at_cabinet else ("board", "board")
    plug = f.connector_ohms * (1.0 if lit else f.connector_rest)
    insulator = f.insulator_ohms * (1.0 if lit else f.insulator_rest)
    coat = f.coating_ohms * (1.0 if lit else f.coat_to_tips)
    cards = [
        f"Vservice panel 0 {drive}",
        f"Rsource panel black {f.source_ohms + f.hot_ohms}",
        f"Rneutral white 0 {f.neutral_ohms}",
        f"Rswitch {first} hot {1e-6 if powered else OPEN}",
        f"Rjoint {second} neutral 1e-6",
        f"Rbond earth 0 {f.bond_ohms}",
        f"Regc earth ground {f.ground_ohms}",
        f"Rpipe chassis earth {f.pipe_ohms}",
        f"Rbootleg ground neutral {f.bootleg_ohms}",
        f"Rload hot neutral {f.load_ohms}",
        # An ideal transformer: volts forward, current back.
        f"Esec ideal common hot neutral {f.orientation / f.turns}",
        "Vsense24 ideal wound 0",
        f"Fprim hot neutral Vsense24 {f.orientation / f.turns}",
        f"Rwinding wound r {f.winding_ohms}",
        f"R24 r common {f.secondary_load_ohms}",
        f"Cfh hot chassis {f.filter_hot_farads}",
        f"Cfn neutral chassis {f.filter_neutral_farads}",
        f"Csp common neutral {f.stray_primary_farads}",
        f"Csc common chassis {f.stray_chassis_farads}",
        f"Rbondc ground chassis {f.chassis_bond_ohms}",
        f"Rburner burner chassis {f.burner_chassis_ohms}",
        f"Rboard board chassis {f.board_chassis_ohms}",
        f"Rcommon common {tied_to} {f.common_ground_ohms}",
        # Rod supply: neutral + share of hot to neutral; its current comes from both by the same shares.
        *_rod_supply(f),
        f"Rrods behind cap {f.rod_source_ohms}",
        f"Crod cap terminal {f.rod_capacitor}",
        f"Rsense terminal {sensed_at} {f.sense_ohms}",
        f"Rw1 terminal cin {f.wire_ohms / 2}",
        f"Rconn cin cout {plug}",
        f"Rchafe cout chassis {f.chafe_ohms}",
        f"Rw2 cout end {f.wire_ohms / 2}",
        "Vmeter end series 0",
        f"Rrod series rod {rod}",
        f"Rcoat rod blade {coat}",
        f"Rins rod burner {insulator}",
    ]
    if lit:
        forward_extra = 1 / (1 / f.forward_ohms - 1 / f.reverse_ohms)
        cards += [
            f"Rlit hot neutral {f.lit_load_ohms}",
            f"Rreverse blade burner {f.reverse_ohms}",
            f"Rforward blade anode {forward_extra}",
            "Dflame anode burner flame",
            ".model flame D(IS=1e-12 N=0.02)",
        ]
    return cards


def _rod_supply(f: Furnace) -> list[str]:
    if f.rod_from_secondary:
        step = f.rod_share * f.turns
        stands_on = "common" if f.common_at_cabinet else "board"
        return [f"Erod boost {stands_on} r common {step}", "Vrod boost behind 0", f"Frod r common Vrod {step}"]
    return [
        f"Erod boost neutral hot neutral {f.rod_share}",
        "Vrod boost behind 0",
        f"Frod hot neutral Vrod {f.rod_share}",
    ]


def ac_volts(f: Furnace, a: str, b: str, *, powered: bool = True, plugged: bool = True) -> float:
    """AC volts rms across a meter of the furnace's input resistance, by an AC analysis at line frequency."""
    cards = parts(f, powered=powered, lit=False, plugged=plugged, drive=f"AC {f.supply_volts}")
    cards += [f"Rmeter {a} lead {f.input_ohms}", f"Rleads lead {b} {f.lead_ohms}"]
    out = run([*cards, ".control", f"ac lin 1 {f.frequency} {f.frequency}", f"print mag(v({a})-v(lead))", ".endc"])
    return _number(out, r"mag\(.*?\) = (\S+)")


def dead_ohms(f: Furnace, a: str, b: str, *, plugged: bool = True) -> float:
    """Ohms between two points of the furnace switched off, by one microampere pushed through.

    The transformer gives its windings to direct current; the service gives nothing.
    """
    cards = [
        card
        for card in parts(f, powered=False, lit=False, plugged=plugged, drive="DC 0")
        if not card.startswith(("Esec", "Fprim", "Vsense24", "Rwinding", "Erod", "Vrod", "Frod", "Rrods", "Crod"))
    ]
    cards += [
        f"Rprim hot neutral {f.primary_ohms}",
        f"Rsec r common {f.winding_ohms / 2}",
        "Itest 0 probe DC 1u",
        f"Rleads probe {a} {f.lead_ohms}",
        f"Ireturn {b} 0 DC 1u",
    ]
    out = run([*cards, ".control", "op", f"print v(probe)-v({b})", ".endc"])
    return _number(out, r"v\(probe\)\S* = (\S+)") / 1e-6


def flame(f: Furnace, *, meter: bool, volts: tuple[str, str] | None = None) -> dict[str, float]:
    """Averages of the lit rod circuit over its last six cycles: `wire` and `sense` (A), and rms, mean of `volts`."""
    drive = f"SIN(0 {f.supply_volts * math.sqrt(2)} {f.frequency})"
    cards = parts(f, powered=True, lit=True, plugged=True, drive=drive)
    cards = [card.replace("Vmeter end series 0", "Vmeter end inmeter 0") for card in cards]
    cards.append(f"Rburden inmeter series {f.burden_ohms + f.lead_ohms if meter else 1e-3}")
    start = SECONDS - 6 / f.frequency
    wanted = [
        f"meas tran wire avg i(Vmeter) from={start} to={SECONDS}",
        f"meas tran drop avg vsense from={start} to={SECONDS}",
    ]
    lets = [f"let vsense=v(terminal)-v({'common' if f.common_at_cabinet else 'board'})"]
    if volts:
        cards += [f"Rmeter {volts[0]} lead {f.input_ohms}", f"Rleads lead {volts[1]} {f.lead_ohms}"]
        lets.append(f"let shown=v({volts[0]})-v(lead)")
        wanted += [
            f"meas tran rms rms shown from={start} to={SECONDS}",
            f"meas tran mean avg shown from={start} to={SECONDS}",
        ]
    out = run(
        [
            *cards,
            ".options reltol=1e-5 abstol=1e-15 vntol=1e-7",
            ".control",
            f"tran 50u {SECONDS} {start - 1e-3} 50u uic",
            *lets,
            *wanted,
            ".endc",
        ]
    )
    found = {"wire": _number(out, r"wire\s+=\s+(\S+)"), "sense": -_number(out, r"drop\s+=\s+(\S+)") / f.sense_ohms}
    if volts:
        rms, mean = _number(out, r"rms\s+=\s+(\S+)"), _number(out, r"mean\s+=\s+(\S+)")
        found |= {"rms": rms, "mean": mean, "ac": math.sqrt(max(rms * rms - mean * mean, 0.0))}
    return found


def run(cards: list[str]) -> str:
    """ngspice's output for the cards."""
    with TemporaryDirectory() as folder:
        netlist = Path(folder) / "furnace.cir"
        netlist.write_text("\n".join(["furnace", *cards, ".end", ""]), encoding="utf-8")
        done = subprocess.run(["ngspice", "-b", str(netlist)], capture_output=True, text=True, timeout=120, check=False)
    return done.stdout + done.stderr


def _number(text: str, pattern: str) -> float:
    found = re.search(pattern, text)
    assert found, f"ngspice gave no '{pattern}':\n{text[-2000:]}"
    return float(found.group(1))
