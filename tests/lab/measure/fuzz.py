"""Long fuzz: journals, YAML, sound, typed lines, desk requests, model folders, backups. Counts what was fed and what
broke.

    python -m tests.lab.measure.fuzz --inputs 1000000            all harnesses, shared out
    python -m tests.lab.measure.fuzz --only yaml --inputs 50000 --seed 7
    python -m tests.lab.measure.fuzz --only yaml --guided 600    ten minutes, guided by coverage (needs the package
    atheris)

A find is an exception that is none of ours (a person would see a traceback),
or an input that takes more than 5 s. Each is written to the folder --finds
and printed; it belongs into a test next. Inputs are made from honest ones by
cutting, doubling, splicing and by words that have hurt readers before.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import random
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.lab.measure.fuzz_targets import SHARES, TARGETS, Target

SLOW = 5.0
"""Seconds."""
NASTY = [
    b"\x00",
    b"\xff\xfe",
    b"\xed\xa0\x80",
    b"\\ud800",
    b"9" * 400,
    b"1e999",
    b"NaN",
    b"-0",
    b"null",
    b"true",
    b"{}",
    b"[]",
    b"[" * 200,
    b'{"a":' * 200,
    b"&a [*a,*a]",
    b"<<: *a",
    b"!!python/object:os.system x",
    b"9999-12-31T23:59:59+00:00",
    b"0001-01-01T00:00:00+23:59",
    b"{:>400000000}",
    b"{0.__class__}",
    b"%s%n",
    b"../../etc/passwd",
    b"\r\n\r\n",
    b"\xe2\x80\xae",
    b"\xf0\x9f\x94\xa5",
    b"A" * 5000,
    b"\n" * 50,
    b"? ",
    b"- ",
    b": ",
    b"\t",
    b"%YAML 9.9\n",
    b"---\n...\n",
    b"!!int ",
    b"!!timestamp x",
    b"0x" + b"f" * 300,
]


VALUES: list[Any] = [
    None,
    True,
    -1,
    0,
    2**31,
    2**63,
    10**30,
    1e308,
    float("inf"),
    float("nan"),
    "@1e999@",
    "",
    "x" * 5000,
    "\ud800",
    "\x00",
    "\x1b[2J",
    "../../x",
    "2026-13-45",
    "9999-12-31T23:59:59+00:00",
    [],
    {},
    [[None, "x"]],
    {"value": "x"},
]
"""What a field of a JSON object may be changed to."""


def changed_json(raw: bytes, chance: random.Random) -> bytes:
    """One field of one line that is a JSON object, at any depth, made something else; the same bytes where there is
    none."""
    lines = raw.split(b"\n")
    at = chance.randrange(len(lines))
    try:
        top = here = json.loads(lines[at])
        while isinstance(here, dict) and here:
            key = chance.choice(list(here))
            if not (isinstance(here[key], dict) and here[key] and chance.random() < 0.7):
                here[key] = chance.choice(VALUES)
                break
            here = here[key]
    except (ValueError, RecursionError):
        return raw
    lines[at] = json.dumps(top).encode().replace(b'"@1e999@"', b"1e999")
    return b"\n".join(lines)


def mutated(seed: bytes, other: bytes, chance: random.Random) -> bytes:
    """`seed` with one to six changes, one time in ten with none; `other` is spliced from."""
    raw = bytearray(seed)
    if chance.random() < 0.1:
        return seed
    for _ in range(chance.choice((1, 1, 1, 2, 3, 6))):
        at = chance.randrange(len(raw) + 1)
        length = chance.choice((1, 1, 2, 4, 16, 200))
        match chance.randrange(10):
            case 0:
                raw[at : at + length] = b""
            case 1:
                raw[at:at] = chance.choice(NASTY)
            case 2:
                raw[at : at + length] = chance.choice(NASTY)
            case 3:
                raw[at:at] = raw[at : at + length] * chance.choice((1, 2, 20))
            case 4:
                begin = chance.randrange(len(other) + 1)
                raw[at : at + length] = other[begin : begin + length]
            case 5 if raw:
                at %= len(raw)
                raw[at] ^= 1 << chance.randrange(8)
            case 6 if raw:
                raw[at % len(raw)] = chance.randrange(256)
            case 7:
                lines = bytes(raw).split(b"\n")
                one, two = chance.randrange(len(lines)), chance.randrange(len(lines))
                lines[one], lines[two] = lines[two], lines[one]
                raw = bytearray(b"\n".join(lines))
            case 8:
                del raw[at:]
            case 9:
                raw = bytearray(changed_json(bytes(raw), chance))
    return bytes(raw)


def random_run(name: str, target: Target, inputs: int, seed: int, finds: Path) -> Counter[str]:
    """Feed `inputs` made inputs; counts by what became of them."""
    chance, counts, begun = random.Random(f"{name}/{seed}"), Counter[str](), time.monotonic()
    corpus = target.seeds()
    for number in range(inputs):
        raw = mutated(chance.choice(corpus), chance.choice(corpus), chance)
        kind = fed(name, target.feed, raw, finds)
        counts[kind] += 1
        if kind == "taken" and len(corpus) < 3000 and chance.random() < 0.02:
            corpus.append(raw[:20_000])  # What got through is a seed for what gets further.
        if number % 20_000 == 19_999:
            print(f"  {name}: {number + 1} so far, {dict(counts)}, {time.monotonic() - begun:.0f} s", flush=True)
    counts["seconds"] = round(time.monotonic() - begun)
    return counts


def fed(name: str, feed: Callable[[bytes], bool], raw: bytes, finds: Path) -> str:
    """What became of one input: "taken", "refused", "TRACEBACK" or "SLOW"."""
    begun = time.thread_time()
    try:
        kind = "taken" if feed(raw) else "refused"
    except Exception:
        kind = "TRACEBACK"
        keep(finds, name, raw, traceback.format_exc())
    # Its own processor time: the machine may be busy with other things.
    took = time.thread_time() - begun
    if took > SLOW:
        kind = "SLOW"
        keep(finds, name, raw, f"{took:.1f} s")
    return kind


def keep(finds: Path, name: str, raw: bytes, why: str) -> None:
    finds.mkdir(parents=True, exist_ok=True)
    path = finds / f"{name}-{hashlib.sha256(raw).hexdigest()[:12]}"
    if not path.exists():
        path.write_bytes(raw)
        path.with_suffix(".txt").write_text(why)
        print(f"FIND {path}: {why.strip().splitlines()[-1][:150]}", flush=True)


def guided(name: str, target: Target, seconds: int, finds: Path) -> None:
    """Guided by coverage for some seconds, with atheris. Does not return."""
    import atheris

    corpus = Path(tempfile.mkdtemp(prefix=f"fuzz-{name}-"))
    for number, seed in enumerate(target.seeds()[:400]):
        (corpus / str(number)).write_bytes(seed[:8000])
    for module in [
        module
        for key, module in list(sys.modules.items())
        if key.split(".")[0] in ("grammar", "assistant", "yaml", "json")
    ]:
        for key, value in list(vars(module).items()):
            if getattr(value, "__module__", None) == module.__name__ and type(value).__name__ == "function":
                setattr(module, key, atheris.instrument_func(value))
    counts: Counter[str] = Counter()

    def one(raw: bytes) -> None:
        counts[fed(name, target.feed, raw, finds)] += 1
        if sum(counts.values()) % 5000 == 0:
            print(f"  {name}, guided: {sum(counts.values())} so far, {dict(counts)}", flush=True)

    atheris.Setup(
        [
            sys.argv[0],
            str(corpus),
            f"-max_total_time={seconds}",
            "-max_len=8000",
            "-verbosity=0",
            "-timeout=30",
            "-rss_limit_mb=4096",
        ],
        one,
    )
    atheris.Fuzz()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--inputs", type=int, default=20_000, help="all together")
    parser.add_argument("--only", choices=sorted(TARGETS))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guided", type=int, metavar="SECONDS", help="guided by coverage; needs --only")
    parser.add_argument("--finds", type=Path, default=Path(tempfile.gettempdir()) / "twohands-finds")
    given = parser.parse_args()
    if given.guided:
        guided(given.only, TARGETS[given.only], given.guided, given.finds)
    total: Counter[str] = Counter()
    for name in [given.only] if given.only else TARGETS:
        inputs = given.inputs if given.only else round(given.inputs * SHARES[name])
        counts = random_run(name, TARGETS[name], inputs, given.seed, given.finds)
        total += counts
        print(
            f"{name:10} {inputs:8} inputs: {counts['taken']} taken, {counts['refused']} refused in plain words, "
            f"{counts['TRACEBACK']} tracebacks, {counts['SLOW']} over {SLOW:.0f} s; {counts['seconds']} s",
            flush=True,
        )
        if told := TARGETS[name].tally():
            print(f"{'':10} {told}", flush=True)
    print(
        f"{'all':10} {sum(total[key] for key in ('taken', 'refused', 'TRACEBACK', 'SLOW')):8} inputs: "
        f"{total['TRACEBACK']} tracebacks, {total['SLOW']} over {SLOW:.0f} s"
    )
    sys.exit(1 if total["TRACEBACK"] or total["SLOW"] else 0)


if __name__ == "__main__":
    main()
