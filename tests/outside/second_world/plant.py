"""The physical furnace: every resistance, capacitance and flame value, and the circuit they make.

Second furnace world. Whoever builds or tunes the product may not read this module nor fit anything to it; whoever
judges may. Written from plain electrical engineering; nothing here is taken from the product. Units: ohms, farads,
volts RMS.

Nodes: sh, sn the service's hot and neutral; h, n the furnace's supply terminals; gw the end of the ground wire; x the
cabinet; tn the transformer's neutral lead; si, sw, r, c the secondary (source, winding end before the fuse, R, C); bg
the board's ground post; f, k, d the board's flame feed; fs its rod terminal; s the sense node; w0, w1 the rod wire's
board and rod ends; rod, metal, face the rod's plug blade, its metal, its outer face; b the burner."""

from __future__ import annotations

from dataclasses import dataclass, replace

from tests.outside.second_world.flame import FlameLaw
from tests.outside.second_world.nodal import EARTH, OPEN, Circuit

HERTZ = 60.0
OMEGA = 2 * 3.141592653589793 * HERTZ


@dataclass(frozen=True)
class Plant:
    """One furnace as it is. A value ending in `_warm` rules while hot (after some minutes of fire); None: the same as
    cold."""

    # supply
    supply_volts: float = 120.0
    r_hot: float = 0.25
    r_neutral: float = 0.25
    r_ground: float = 0.3
    r_service_bond: float = 0.02
    source_strays: float = 0.0  # farads from each pole of an unbonded source to its frame
    reversed: bool = False
    r_ground_screw: float = 0.02
    r_pipe: float = OPEN
    stray_hot: float = 1.5e-9
    stray_neutral: float = 1.5e-9
    blower: float = 30.0
    # control transformer
    r_neutral_joint: float = 0.03
    ratio: float = 0.215
    r_winding: float = 1.2
    r_magnet: float = 3000.0
    interwinding: float = 3e-10
    phase: int = 1
    r_fuse: float = 0.08
    load_idle: float = 160.0
    load_lit: float = 30.0
    r_common_bond: float = 0.02
    bond: str = "screw"  # C reaches the cabinet through the board's ground post; "wire": by a wire of its own
    # board
    feed: str = "line"
    feed_gain: float = 1.0
    sense: str = "shunt"  # or "return"
    home: str = "bg"
    c_block: float = 1e-8
    r_source: float = 470e3
    r_divider: float = OPEN
    r_filter: float = 4.7e6
    r_sense: float = 1e6
    c_sense: float = 2.2e-7
    threshold_volts: float = 1.0
    synchronous: bool = False
    checks_supply: bool = False  # ignition begins only with hot well above the board's ground post
    deaf: bool = False
    r_board_screw: float = 0.03
    # rod and wire
    r_wire: float = 0.05
    r_wire_short: float = OPEN
    c_wire: float = 8e-11
    pickup: float = 1e-12
    r_plug: float = 0.05
    r_plug_warm: float | None = None
    loose: float = 0.0  # how much the plug or wire answers to wiggling, 0 to 1
    r_rod: float = 0.4
    r_insulator: float = 5e9
    r_insulator_warm: float | None = None
    r_coat: float = 2e4
    c_coat: float = 2e-10
    coat_mask: float = 1.0  # how much of the rod's face the coat has taken from the flame, as a factor on its ohms
    r_touch: float = OPEN
    # burner and flame
    r_burner: float = 0.2
    r_burner_pipe: float = OPEN
    flame_form: str = "steady"
    flame_scale: float = 1.0
    flame_forward: float = 8e6
    flame_ratio: float = 14.0
    flame_knee: float = 250.0
    flicker: float = 0.03

    def warm(self) -> Plant:
        """The same furnace after some minutes of fire."""
        plug = self.r_plug if self.r_plug_warm is None else self.r_plug_warm
        glass = self.r_insulator if self.r_insulator_warm is None else self.r_insulator_warm
        return replace(self, r_plug=plug, r_insulator=glass, r_plug_warm=None, r_insulator_warm=None)

    def law(self) -> FlameLaw | None:
        """The flame between rod and burner when lit; None when there is none."""
        if self.flame_form == "none":
            return None
        forward = self.flame_forward * self.flame_scale * self.coat_mask
        return FlameLaw(forward, forward * self.flame_ratio, self.flame_knee)


def circuit(plant: Plant, *, lit: bool, powered: bool = True, wire: str = "on", shunt: float = 0.01) -> Circuit:
    """The furnace's circuit. `wire`: "on", "off rod" (unplugged at the rod) or "off board"; `shunt`: ohms in series
    at fs."""
    p, net = plant, Circuit()
    if powered:
        net.supply("service", "sh", "sn", p.supply_volts)
    net.resistor("sn", EARTH, p.r_service_bond)
    net.capacitor("sh", EARTH, p.source_strays)
    net.capacitor("sn", EARTH, p.source_strays)
    hot, neutral = ("n", "h") if p.reversed else ("h", "n")
    net.resistor("sh", hot, p.r_hot if powered else OPEN)
    net.resistor("sn", neutral, p.r_neutral)
    net.resistor("gw", EARTH, p.r_ground)
    net.resistor("gw", "x", p.r_ground_screw)
    net.resistor("x", EARTH, p.r_pipe)
    net.capacitor("h", "x", p.stray_hot)
    net.capacitor("n", "x", p.stray_neutral)
    if lit:
        net.resistor("h", "n", p.blower)
    _transformer(net, p, lit)
    _board(net, p)
    _rod(net, p, wire, shunt)
    return net


def _transformer(net: Circuit, p: Plant, lit: bool) -> None:
    net.resistor("n", "tn", p.r_neutral_joint)
    net.resistor("h", "tn", p.r_magnet)
    net.transformer("winding", ("si", "c"), ("h", "tn"), p.ratio * p.phase)
    net.resistor("si", "sw", p.r_winding)
    net.resistor("sw", "r", p.r_fuse)
    net.resistor("r", "c", p.load_lit if lit else p.load_idle)
    net.capacitor("h", "c", p.interwinding)
    net.capacitor("tn", "c", p.interwinding)
    net.resistor("c", "bg" if p.bond == "screw" else "x", p.r_common_bond)
    net.resistor("bg", "x", p.r_board_screw)


def _board(net: Circuit, p: Plant) -> None:
    low = "s" if p.sense == "return" else p.home
    if p.feed == "line":
        feed = "h"
    elif p.feed == "secondary":
        feed = "r"
    else:
        feed = "f"
        over = ("h", "n") if p.feed == "line winding" else ("r", "c")
        net.follower("feed", "f", low, over, p.feed_gain)
    if p.c_block > 0:
        net.capacitor(feed, "k", p.c_block)
        feed = "k"
    net.resistor(feed, "d", p.r_source)
    net.resistor("d", low, p.r_divider)
    net.resistor("d", "fs", 1.0)
    if p.sense == "shunt":
        net.resistor("fs", "s", p.r_filter)
    net.resistor("s", p.home, p.r_sense)
    net.capacitor("s", p.home, p.c_sense)


def _rod(net: Circuit, p: Plant, wire: str, shunt: float) -> None:
    net.ammeter("terminal", "fs", "w0", OPEN if wire == "off board" else 0.05 + shunt)
    net.resistor("w0", "w1", p.r_wire)
    net.resistor("w1", "x", p.r_wire_short)
    net.capacitor("w1", "x", p.c_wire)
    net.capacitor("w1", "h", p.pickup)
    net.resistor("w1", "rod", OPEN if wire == "off rod" else p.r_plug)
    net.resistor("rod", "x", p.r_insulator)
    net.resistor("rod", "metal", p.r_rod)
    net.resistor("metal", "face", p.r_coat)
    net.capacitor("metal", "face", p.c_coat)
    net.resistor("metal", "b", p.r_touch)
    net.resistor("b", "x", p.r_burner)
    net.resistor("b", EARTH, p.r_burner_pipe)
