"""What is said of belief, beside what is believed."""

from __future__ import annotations

import pytest

from flows.faults import catalog
from flows.reason.naming import as_said

RANKED = (("burner_loose", 0.97), ("burner_corroded", 0.02), ("healthy", 0.01))


@pytest.mark.parametrize("top", ["burner_loose", "rod_coated", "rod_open", "supply_low+meter_fuse_blown"])
def test_some_of_the_likeliest_is_held_back_and_the_order_stays(top):
    held = catalog.settings().held_back
    share = max(held.get(one, held["other"]) for one in catalog.parts(top))
    said = as_said(((top, 0.97), *RANKED[1:]))
    assert said[0] == (top, pytest.approx(0.97 * (1 - share)))
    assert sum(p for _, p in said) == pytest.approx(1.0)
    assert [name for name, _ in said] == [top, "burner_corroded", "healthy"]
    assert said[1][1] / said[2][1] == pytest.approx(2.0)


def test_a_near_tie_is_said_as_it_is():
    tie = (("meter_fuse_blown", 0.5), ("rod_open", 0.49), ("healthy", 0.01))
    assert as_said(tie) == tie


def test_settings_that_hold_back_for_no_fault_are_refused():
    plain = catalog.settings().model_dump()
    with pytest.raises(ValueError, match="names no fault"):
        catalog.Settings.model_validate(plain | {"held_back": {"other": 0.02, "gremlins": 0.1}})
    with pytest.raises(ValueError, match="needs 'other'"):
        catalog.Settings.model_validate(plain | {"held_back": {"rod_open": 0.1}})
