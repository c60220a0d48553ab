"""Boards nobody has opened: drawn wide, and all showing what is printed."""

from __future__ import annotations

import numpy as np
import pytest

from flows.circuit import insides, read
from flows.judge.profiles import equipment, meter, names


@pytest.mark.parametrize("family", names("equipment"))
def test_every_board_shows_what_is_printed(family: str) -> None:
    e, m = equipment(family), meter("dunlin")
    drawn = insides.draw(e, np.random.default_rng(3), 120)
    exact = insides.Insides(
        **{
            **vars(drawn),
            "rod_volts": np.full(120, e.limit("rod_nominal").value),
            "flame_current": np.full(120, e.circuit.flame_current),
        }
    )
    found = insides.furnaces(e, m, exact)
    assert 40 <= found.shape[0] <= 120
    assert read(found, "rod_to_ground") == pytest.approx(np.full(found.shape, e.limit("rod_nominal").value), rel=2e-3)
    assert read(found, "flame_current") == pytest.approx(np.full(found.shape, e.circuit.flame_current), rel=0.02)
    # The sound furnace proves its flame, as it must.
    assert read(found, "board_proves_flame").mean() > 0.97


def test_the_insides_stay_wide_and_what_cannot_show_the_print_is_left_out() -> None:
    e, m = equipment("larkspur"), meter("dunlin")
    found = insides.unknown_boards(e, m, np.random.default_rng(4), 300)
    for name, low, high in (("rod_source_ohms", 3e5, 2e6), ("rod_capacitor", 6e-9, 25e-9), ("sense_ohms", 3e6, 11e6)):
        tenth, ninetieth = np.percentile(getattr(found, name), [10, 90])
        assert tenth < low and ninetieth > high, name
    assert 0.1 < np.mean(found.rod_from_secondary) < 0.6
    # A source of 1 GΩ cannot give microamps.
    stiff = insides.draw(e, np.random.default_rng(5), 50)
    none = insides.Insides(**{**vars(stiff), "rod_source_ohms": np.full(50, 1e9)})
    with pytest.raises(Exception, match="No board can show what is printed"):
        insides.furnaces(e, m, none)


def test_every_width_says_where_it_comes_from() -> None:
    book = insides.widths()
    for one in (*book.unknown.values(), *book.printed.values(), book.from_secondary, book.common_at_cabinet):
        assert one.source and one.origin
