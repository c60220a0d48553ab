"""A second furnace world, written apart from the product, to judge it from outside.

WHO MAY READ WHAT. Whoever builds or tunes the product may use the family sheets and readings of `part="tune"` as a
judge hands them over, `truth_classes()`, and this docstring; not the plant, its values, the faults' severities or
rates, and nothing at all of `part="test"` (file designs_test.yaml, sheets, furnaces) before the product stands.
Whoever judges may read all of it. `designs.SPLIT` holds the split and is never changed. Nothing here imports the
product; values come from plain electrical engineering and every rate is invented by judgement.

    from tests.outside.second_world import furnaces, truth_classes
    for furnace in furnaces("tune", 100, seed=1):      # calls=False, only=("rod_coated",): see `population.furnaces`
        furnace.sheet, furnace.construction       # may be told
        furnace.readings["rod_to_ground"]         # ProbeAnswer(value=98.4, ...), made when asked, the same each time
        furnace.truth                             # ("rod_coated",): kept from whoever is judged

The flame loop is solved by `periodic` (harmonic balance), which a test holds against ngspice; the rest by `nodal`.

READINGS (`ProbeAnswer`: value in SI; low, high when it jumps; over_limit; word). Volts are alternating RMS through 10
MΩ, board powered, no call for heat. Ohms are power off, leads included; over_limit is an open reading. Currents are
direct, in amperes. supply_hot_neutral, supply_hot_ground, supply_neutral_ground: at the supply terminals; ground is
the cabinet's bare metal. secondary_r_c: R to C behind the fuse. line_to_r: the wire that should be hot to R.
secondary_c_ground: C to the cabinet. chassis_to_earth: cabinet to a ground outside. rod_to_ground: rod end of the
wire, wire off the rod, to bare burner metal. rod_plugged_to_ground: the same point, wire on the rod.
board_rod_terminal: terminal with the wire off the board, to the cabinet. leads_together: the leads alone.
ground_path: burner to the board's ground post. burner_to_chassis, chassis_to_board_ground, ground_wire_to_chassis
(end of the ground wire to cabinet), common_to_chassis (C to cabinet): with whatever runs beside them. rod_wire: end
to end. rod_wire_to_chassis: free at both ends. rod_insulation: rod to burner, wire off. rod_through: blade to scraped
rod metal. rod_surface: rod metal to its face; the tip may pierce the coat. rod_connector: across the plug.
flame_current: in series at the board after some minutes of fire, or in the trial if the board drops it; low and high
when it flickers or when cold and hot differ; word "never lit" and no value without a flame.
flame_current_after_cleaning: the same with the rod cleaned and plugged back. flame_current_wiggled: only low and
high. Negative: leads swapped. board_proves_flame: "yes", "no" (also when it drops out once hot) or "never lit".
flame_seen: "steady", "lifting", "lazy", "not reaching rod", "none". `read(furnace, probe, rng, meter=..., hands=...)`
takes a fresh reading; `STEADY_HANDS` never slip.
"""

from tests.outside.second_world.designs import SPLIT, Sheet, designs
from tests.outside.second_world.draws import SOUND, faults, truth_classes
from tests.outside.second_world.meter import METER_5000, METER_6000, STEADY_HANDS, Hands, Meter, ProbeAnswer, display
from tests.outside.second_world.population import Construction, Furnace, furnaces
from tests.outside.second_world.probes import PROBES, read

__all__ = [
    "METER_5000",
    "METER_6000",
    "PROBES",
    "SOUND",
    "SPLIT",
    "STEADY_HANDS",
    "Construction",
    "Furnace",
    "Hands",
    "Meter",
    "ProbeAnswer",
    "Sheet",
    "designs",
    "display",
    "faults",
    "furnaces",
    "read",
    "truth_classes",
]
