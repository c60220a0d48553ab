"""What the fuzz feeds: each target takes bytes, gives whether they were taken, and lets only what is no error of ours
out."""

from __future__ import annotations

import functools
import io
import json
import shutil
from typing import Any
from urllib.parse import quote

from tests.lab.measure.fuzz_common import ROOT, Target, folder, refused, visits
from tests.lab.measure.fuzz_desk import backup_seeds, desk, desk_seeds, desk_tally, feed_backup, feed_desk
from tests.lab.measure.fuzz_models import feed_load, feed_model, model_seeds, whole_model_seeds
from tests.lab.measure.fuzz_typed import feed_typed, typed_seeds, typed_tally

# --- journals: the door, the working out of rows, the story of a report, the standing of a resume


DETAILS = {"company": "Elm Row", "licence": "L-2207", "furnace_serial": "4471", "read_back": ["furnace_serial"]}


def journal_seeds() -> list[bytes]:
    from assistant.visit.journal import FILE, Journal

    found = []
    for events in visits():
        keep = [one for place, one in enumerate(events) if place == 0 or one["kind"] != "said" or place % 9 == 0]
        keep.insert(1, {"kind": "details", "v": keep[0]["v"], "seq": 2, "at": keep[0]["at"], **DETAILS})
        found.append(b"".join(json.dumps(one).encode() + b"\n" for one in keep[:40]))
        found.append(b"".join(json.dumps(one).encode() + b"\n" for one in [keep[0], *keep[-6:]]))
    place = folder() / "seed"
    journal = Journal(place)
    for one in visits()[0][:12]:
        journal.write(one["kind"], {key: value for key, value in one.items() if key not in ("v", "seq", "at", "kind")})
    journal.close()
    return [*found, (place / FILE).read_bytes()]


def feed_journal(raw: bytes) -> bool:
    from assistant.records.derive import derive
    from assistant.records.lines import told
    from assistant.records.packing import canonical, pack, unpack
    from assistant.report.spoken import spoken_summary
    from assistant.report.story import tell
    from assistant.visit.chain import check
    from assistant.visit.journal_door import FILE, ends, name_problem, read

    place = folder() / "v"
    place.mkdir(exist_ok=True)
    (place / FILE).write_bytes(raw)
    refused(lambda: ends(place / FILE))
    got: list[Any] = []
    if refused(lambda: got.append(read(place))):
        return False
    events, torn = got[0]
    check(events)
    if name_problem(events):
        return False
    derive(events, torn)
    assert unpack(pack(canonical(events))) == events
    spoken_summary(tell(events, torn))
    list(told(events))
    return True


def feed_report(raw: bytes) -> bool:
    """A journal as the report's page and as the desk's, which take longest."""
    from assistant.records.importing import Journal, import_events
    from assistant.report.page import html
    from assistant.report.story import tell
    from assistant.visit.journal_door import FILE, name_problem, read

    place = folder() / "r"
    place.mkdir(exist_ok=True)
    (place / FILE).write_bytes(raw)
    got: list[Any] = []
    if refused(lambda: got.append(read(place))) or name_problem(got[0][0]):
        return False
    events, torn = got[0]
    html(tell(events, torn))
    one = desk()
    import_events(one.store, [Journal(events, torn, "")])
    status, _, answer = one.look(f"/visit/{quote(str(events[0]['visit']), safe='')}")
    assert status < 500, f"{status} {answer[:200]!r}"
    return status == 200


# --- YAML: the reader, and a procedure that a trainer wrote


@functools.cache
def yaml_seeds_() -> tuple[bytes, ...]:
    found = [path.read_bytes() for path in sorted((ROOT / "flows").rglob("*.yaml"))]
    parts = []
    for raw in found:
        blocks = raw.split(b"\n\n")
        parts += [b"\n\n".join(blocks[at : at + 2])[:1500] for at in range(0, len(blocks), 3)]
    small = [
        b"a: &x [1, 2]\nb: *x\n",
        b"a: {b: [c, {d: e}]}\n",
        b"a: |\n  text\n  more\nb: >-\n  folded\n",
        b"a: 2026-03-02\nb: 1:30\nc: 0x1f\nd: 1e3\ne: ~\n",
        b"? a\n: b\n<<: {c: d}\n",
    ]
    return (*small * 20, *(part for part in parts if part.strip()))


def feed_yaml(raw: bytes) -> bool:
    """The reader, and where it can read it, a model of ours on what it read."""
    from flows.judge.profiles import Equipment, Meter
    from flows.procedure.schema import Procedure
    from grammar.datafile import problems_in, read_yaml

    path = folder() / "data.yaml"
    path.write_bytes(raw)
    if refused(lambda: read_yaml(path)):
        return False
    text = raw[:4000]
    model = Meter if b"functions" in text else Equipment if b"circuit" in text else Procedure
    value, problems = problems_in(path, model)
    assert value is not None or problems[0].problem
    return True


def whole_procedure_seeds() -> list[bytes]:
    return [
        (ROOT / "assistant" / "authoring" / "template.yaml").read_bytes(),
        *(path.read_bytes() for path in sorted((ROOT / "flows" / "procedures").glob("*_check.yaml"))),
    ]


def feed_procedure(raw: bytes) -> bool:
    from flows.judge.profiles import equipment
    from flows.procedure.compile import check_file

    path = folder() / "procedure.yaml"
    path.write_bytes(raw)
    procedure, problems = check_file(path, equipment("larkspur"))
    return procedure is not None and not problems


# --- sound


def sound_seeds() -> list[bytes]:
    import numpy as np
    import soundfile

    found = []
    tone = (np.sin(np.arange(4000) / 7) * 9000).astype(np.int16)
    for rate, channels, form, kind in (
        (16000, 1, "WAV", "PCM_16"),
        (8000, 2, "WAV", "FLOAT"),
        (44100, 1, "FLAC", "PCM_16"),
        (22050, 1, "OGG", "VORBIS"),
        (48000, 2, "AIFF", "PCM_24"),
        (8000, 1, "AU", "ULAW"),
        (16000, 1, "WAV", "IMA_ADPCM"),
    ):
        file = io.BytesIO()
        soundfile.write(file, np.stack([tone] * channels, axis=1), rate, format=form, subtype=kind)
        found.append(file.getvalue())
    return found


def feed_sound(raw: bytes) -> bool:
    from assistant.hearing.audio.files import read

    path = folder() / "sound.wav"
    path.write_bytes(raw)
    return not refused(lambda: read(path))


# --- archives of models


@functools.cache
def archive_seeds_() -> tuple[bytes, ...]:
    import zipfile

    found = []
    for names in (
        ["m/am/final.mdl", "m/conf/model.conf", "m/graph/words.txt"],
        ["../x"],
        ["m/a", "n/b"],
        ["m/"],
        ["m/" + "d/" * 50 + "x"],
    ):
        file = io.BytesIO()
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed:
            for name in names:
                packed.writestr(name, b"0" * 3000)
        found.append(file.getvalue())
    return tuple(found)


def feed_archive(raw: bytes) -> bool:
    from assistant.models.unpack import unpack

    path, into = folder() / "model.zip", folder() / "into"
    path.write_bytes(raw)
    shutil.rmtree(into, ignore_errors=True)
    into.mkdir()
    taken = not refused(lambda: unpack(path, into))
    assert not (folder() / "x").exists(), "it led out of its folder"
    return taken


TARGETS: dict[str, Target] = {
    "journals": Target(journal_seeds, feed_journal),
    "reports": Target(journal_seeds, feed_report),
    "yaml": Target(lambda: list(yaml_seeds_()), feed_yaml),
    "procedures": Target(whole_procedure_seeds, feed_procedure),
    "sound": Target(sound_seeds, feed_sound),
    "typed": Target(typed_seeds, feed_typed, typed_tally),
    "desk": Target(desk_seeds, feed_desk, desk_tally),
    "archives": Target(lambda: list(archive_seeds_()), feed_archive),
    "models": Target(model_seeds, feed_model),
    "loads": Target(whole_model_seeds, feed_load),
    "backups": Target(backup_seeds, feed_backup),
}
SHARES = {
    "journals": 0.08,
    "reports": 0.002,
    "yaml": 0.238,
    "procedures": 0.002,
    "sound": 0.2,
    "typed": 0.366,
    "desk": 0.05,
    "archives": 0.04,
    "models": 0.01,
    "loads": 0.002,
    "backups": 0.01,
}
"""How many of all inputs each target gets; the slow ones get fewer."""
