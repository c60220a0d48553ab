"""The prior of a display: a distribution, and one that knows what the step expects."""

from __future__ import annotations

from dataclasses import replace
from statistics import NormalDist

import pytest

from assistant.hearing.weigh.evidence import candidates
from assistant.hearing.weigh.meanings import meanings, texts_of
from assistant.hearing.weigh.prior import prior
from assistant.hearing.weigh.settings import hearing_settings
from grammar.answers import Heard, Reading
from grammar.parse import understand
from grammar.scope import Asked, Expected, Scope

ASKED = Asked("ac_volts", "volt", 0.0, 600.0, 1)
SETTINGS = hearing_settings()


def reading(text: str, asked: Asked = ASKED) -> Reading:
    answer = understand(Heard(text), Scope("x", asked))
    assert isinstance(answer, Reading)
    return answer


def test_shares_of_all_displays_sum_to_one():
    """Every tenth of a volt from 0 to 600, taken as spoken with its tenth, less the half steps at both ends."""
    scope = Scope("x", ASKED, expected=(Expected(86, 4, 5), Expected(26, 1, 1)))
    total = sum(prior(reading(f"{tenths / 10:.1f}"), scope, SETTINGS) for tenths in range(0, 6001))
    assert total == pytest.approx(1 - SETTINGS.said_whole - SETTINGS.said_partly, rel=5e-3)


def test_expected_part_is_the_normal_distribution():
    """Held against the standard library's normal distribution."""
    scope = Scope("x", ASKED, expected=(Expected(86, 4, 1),))
    bare = Scope("x", ASKED)
    got = prior(reading("88.0"), scope, SETTINGS) - SETTINGS.anything * prior(reading("88.0"), bare, SETTINGS)
    normal = NormalDist(86, 4)
    share = (1 - SETTINGS.anything) * (normal.cdf(88.05) - normal.cdf(87.95))
    assert got == pytest.approx((1 - SETTINGS.said_whole - SETTINGS.said_partly) * share, rel=1e-6)


@pytest.mark.parametrize(("likelier", "other"), [("84.7", "54.7"), ("139", "239"), ("84", "84.4"), ("3", "553.7")])
def test_likelier_here(likelier, other):
    scope = Scope("x", ASKED, expected=(Expected(86, 4, 5), Expected(139, 5, 3)))
    assert prior(reading(likelier), scope, SETTINGS) > prior(reading(other), scope, SETTINGS)


def test_nothing_is_impossible():
    scope = Scope("x", ASKED, expected=(Expected(86, 4, 5),))
    assert all(
        prior(reading(text), scope, SETTINGS) > 0 for text in ("600", "0", "0.1", "over limit", "between 2 and 3")
    )


@pytest.mark.parametrize(
    ("whole", "partly"),
    [("3.87", "3.8"), ("42.31", "42.3"), ("42", "42.3")],
)
def test_decimals_are_left_out_together(whole, partly):
    """On a display with hundredths a lone tenth is rarely read out, though it stands for ten displays."""
    ranged = Asked("ac_volts", "volt", 0.0, 600.0, 2, ranges=((60.0, 0.01), (600.0, 0.1)))
    assert prior(reading(whole, ranged), Scope("x", ranged), SETTINGS) > prior(
        reading(partly, ranged), Scope("x", ranged), SETTINGS
    )


def test_a_higher_range_shows_fewer_decimals():
    ranged = Asked("ac_volts", "volt", 0.0, 600.0, 2, ranges=((60.0, 0.01), (600.0, 0.1)))
    unknown = Asked("ac_volts", "volt", 0.0, 600.0, 2)
    said = {asked: prior(reading("120.4", asked), Scope("x", asked), SETTINGS) for asked in (ranged, unknown)}
    assert said[ranged] == pytest.approx(
        said[unknown] * (1 - SETTINGS.said_whole - SETTINGS.said_partly) / SETTINGS.said_partly
    )


def test_a_refused_reading_is_the_less_likely_the_more_often_it_was_refused_and_never_impossible():
    plain = Scope("x", ASKED, expected=(Expected(94, 4, 5),))
    once, twice = (replace(plain, refused=(93.4,) * times) for times in (1, 2))
    whole = prior(reading("93.4"), plain, SETTINGS)
    assert prior(reading("93.4"), once, SETTINGS) == pytest.approx(whole * SETTINGS.refused)
    assert prior(reading("93.4"), twice, SETTINGS) == pytest.approx(whole * SETTINGS.refused**2)
    assert prior(reading("93.5"), once, SETTINGS) == prior(reading("93.5"), plain, SETTINGS)
    assert 0 < SETTINGS.refused < 1


def test_what_sounds_like_a_refused_reading_comes_up_after_it():
    heard = Heard(
        "nine three point four",
        0.41,
        alternatives=(("nine three point four", 0.41), ("nine three point five", 0.21)),
        seconds=2.0,
        level_db=25.0,
        engine="twohands-two",
        free="nine three point four",
    )
    plain = Scope("phasing/digits", ASKED, digits_only=True, expected=(Expected(94, 4, 5),))
    engine = SETTINGS.engines["twohands-two"]
    said = meanings(texts_of(heard), plain)
    for times, wanted in ((0, "93.4"), (1, "93.5")):
        scope = replace(plain, refused=(93.4,) * times)
        assert candidates(heard, said, scope, engine, SETTINGS)[0].answer.digits == wanted
