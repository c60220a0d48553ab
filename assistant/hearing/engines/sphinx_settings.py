"""PocketSphinx's search and confidence settings; where each value comes from stands in sphinx.yaml."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field

from grammar.datafile import Strict

SETTINGS = Path(__file__).with_name("sphinx.yaml")


class SphinxSettings(Strict):
    """Search and confidence settings.

    wip: word insertion probability, 0 to 1. lw: language weight, 1 to 20.
    scale: divisor of score differences in shares, 1 to 100.
    fit_middle: score above the phone loop, nats a frame, at which the fit is one half.
    fit_width: nats a frame from there to a fit of 0.73, above 0.
    beam, word_beam: how far a path may fall behind the best, 1e-80 to 1e-5; a narrow word beam keeps the
        lattice small, and the alternatives come out of the lattice. alarm_beam, alarm_word_beam: the same in the
        second search, for an alarm; sentence_beam, sentence_word_beam: where no reading is asked.
    room_db: dB below the voice at which a room's noise is added where the sound is digitally silent, 0 to 100.
    nbest_depth: sentences looked at for alternatives, 1 to 5000.
    cached_scopes: grammars kept, 2 to 1000.
    """

    version: int = Field(ge=1, le=1)
    wip: float = Field(gt=0, le=1)
    lw: float = Field(ge=1, le=20)
    scale: float = Field(ge=1, le=100)
    fit_middle: float = Field(ge=-20, le=20)
    fit_width: float = Field(gt=0, le=10)
    beam: float = Field(ge=1e-80, le=1e-5)
    word_beam: float = Field(ge=1e-80, le=1e-5)
    alarm_beam: float = Field(ge=1e-80, le=1e-5)
    alarm_word_beam: float = Field(ge=1e-80, le=1e-5)
    sentence_beam: float = Field(ge=1e-80, le=1e-5)
    sentence_word_beam: float = Field(ge=1e-80, le=1e-5)
    room_db: float = Field(ge=0, le=100)
    nbest_depth: int = Field(ge=1, le=5000)
    cached_scopes: int = Field(ge=2, le=1000)
