"""16 kHz is said once."""

from __future__ import annotations

import re
from pathlib import Path

from assistant.hearing.audio.rate import SAMPLE_RATE

ROOT = Path(__file__).parents[4]
HOUSES = ("assistant", "audio_fixtures", "flows", "grammar", "tests")
DEFINED = re.compile(r"^\s*\w*(?:RATE|HERTZ|HZ)\w*\s*(?::[^=\n]*)?=\s*16_?000\b", re.MULTILINE)


def test_no_other_module_defines_the_rate():
    files = [file for house in HOUSES for file in (ROOT / house).rglob("*.py")]
    assert len(files) > 300
    named = [file.relative_to(ROOT).as_posix() for file in files if DEFINED.search(file.read_text(encoding="utf-8"))]
    assert named == ["assistant/hearing/audio/rate.py"]


def test_a_definition_is_found_however_it_is_written():
    for line in ("RATE = 16_000", "    SAMPLE_RATE: int = 16000  # Hz", "SAMPLE_RATE_HZ = 16_000"):
        assert DEFINED.search(line)
    assert not DEFINED.search("RATE = 24_000") and not DEFINED.search("limit = 16_000")


def test_the_rate_is_that_of_the_models():
    """Kaldi's features ask for 16 kHz where mfcc.conf says nothing else, and ours says nothing else."""
    conf = (ROOT / "grammar/model/twohands-en/conf/mfcc.conf").read_text(encoding="utf-8")
    assert SAMPLE_RATE == 16_000 and "sample-frequency" not in conf
