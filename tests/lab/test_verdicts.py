"""Good furnaces are walked through on every family that the procedure is made for, and on no other."""

from __future__ import annotations

from flows.judge.profiles import equipment, meter, names
from tests.lab.measure.verdicts import families, too_close


def test_families_whose_rod_sparks_are_left_out():
    assert set(names("equipment")) - set(families()) == {
        one for one in names("equipment") if equipment(one).rod == "spark_and_sense"
    }
    assert families()


def test_few_verdicts_on_good_furnaces_are_too_close():
    dunlin = meter("dunlin")
    assert 0 <= too_close(dunlin, dunlin, 30) < 0.03
