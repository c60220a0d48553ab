"""What the fuzz feeds: each target takes bytes, gives whether they were taken, and lets only what is no error of ours out."""

from __future__ import annotations

import asyncio
import functools
import io
import json
import shutil
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from grammar.errors import TwohandsError

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Target:
    """seeds: honest inputs. feed: whether an input was taken; raises only what nobody foresaw."""

    seeds: Callable[[], list[bytes]]
    feed: Callable[[bytes], bool]


@functools.cache
def folder() -> Path:
    """A folder of this run's own, in memory where the system has such a place."""
    memory = Path("/dev/shm")
    return Path(tempfile.mkdtemp(prefix="twohands-fuzz-", dir=memory if memory.is_dir() else None))


def refused(call: Callable[[], object]) -> bool:
    """Whether a call ended in one of our errors."""
    try:
        call()
    except TwohandsError as error:
        assert error.problem
        return True
    return False


# --- journals: the door, the working out of rows, the story of a report, the standing of a resume


@functools.cache
def visits() -> tuple[list[dict[str, Any]], ...]:
    from assistant.records.invented import invented_visits

    return tuple(invented_visits(12, seed=4))


def journal_seeds() -> list[bytes]:
    from assistant.journal import FILE, Journal

    found = []
    for events in visits():
        keep = [one for place, one in enumerate(events) if place == 0 or one["kind"] != "said" or place % 9 == 0]
        found.append(b"".join(json.dumps(one).encode() + b"\n" for one in keep[:40]))
        found.append(b"".join(json.dumps(one).encode() + b"\n" for one in [keep[0], *keep[-6:]]))
    place = folder() / "seed"
    journal = Journal(place)
    for one in visits()[0][:12]:
        journal.write(one["kind"], {key: value for key, value in one.items() if key not in ("v", "seq", "at", "kind")})
    journal.close()
    return [*found, (place / FILE).read_bytes()]


def feed_journal(raw: bytes) -> bool:
    from assistant.chain import check
    from assistant.journal_door import FILE, ends, name_problem, read
    from assistant.records.commands import _told
    from assistant.records.derive import derive
    from assistant.records.packing import canonical, pack, unpack
    from assistant.report.spoken import spoken_summary
    from assistant.report.story import tell

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
    list(_told(events))
    return True


# --- YAML: the reader, and a procedure that a trainer wrote


@functools.cache
def yaml_seeds_() -> tuple[bytes, ...]:
    found = [path.read_bytes() for path in sorted((ROOT / "flows").rglob("*.yaml"))]
    parts = []
    for raw in found:
        blocks = raw.split(b"\n\n")
        parts += [b"\n\n".join(blocks[at : at + 2])[:1500] for at in range(0, len(blocks), 3)]
    small = [b"a: &x [1, 2]\nb: *x\n", b"a: {b: [c, {d: e}]}\n", b"a: |\n  text\n  more\nb: >-\n  folded\n", b"a: 2026-03-02\nb: 1:30\nc: 0x1f\nd: 1e3\ne: ~\n", b"? a\n: b\n<<: {c: d}\n"]
    return (*small * 20, *(part for part in parts if part.strip()))


def feed_yaml(raw: bytes) -> bool:
    from flows.profiles import Equipment, Meter
    from flows.schema import Procedure
    from grammar.datafile import problems_in

    path = folder() / "data.yaml"
    path.write_bytes(raw)
    text = raw[:4000]
    model = Meter if b"functions" in text else Equipment if b"circuit" in text else Procedure
    value, problems = problems_in(path, model)
    assert value is not None or problems[0].problem
    return value is not None


def whole_procedure_seeds() -> list[bytes]:
    return [(ROOT / "assistant" / "authoring" / "template.yaml").read_bytes(), *(path.read_bytes() for path in sorted((ROOT / "flows" / "procedures").glob("*_check.yaml")))]


def feed_procedure(raw: bytes) -> bool:
    from flows.compile import check_file
    from flows.profiles import equipment

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
    for rate, channels, form, kind in ((16000, 1, "WAV", "PCM_16"), (8000, 2, "WAV", "FLOAT"), (44100, 1, "FLAC", "PCM_16"), (22050, 1, "OGG", "VORBIS"), (48000, 2, "AIFF", "PCM_24"), (8000, 1, "AU", "ULAW"), (16000, 1, "WAV", "IMA_ADPCM")):
        file = io.BytesIO()
        soundfile.write(file, np.stack([tone] * channels, axis=1), rate, format=form, subtype=kind)
        found.append(file.getvalue())
    return found


def feed_sound(raw: bytes) -> bool:
    from assistant.audio.files import read

    path = folder() / "sound.wav"
    path.write_bytes(raw)
    return not refused(lambda: read(path))


# --- typed lines: bytes, the grammar, the dialogue in every state it comes to


@functools.cache
def dialogue() -> tuple[Any, Any]:
    from dataclasses import replace

    from flows.compile import load_plan
    from flows.dialogue import begin
    from flows.profiles import equipment, meter

    plan = replace(load_plan("flame_sensing", equipment("larkspur"), meter("dunlin")), assess=None)
    return plan, begin(plan)[0]


TALK: list[Any] = []
"""Where the dialogue of the fuzz stands; it goes on from input to input."""


def typed_seeds() -> list[bytes]:
    return [line.encode() for line in (
        "the air is clear", "i am ready", "121.3", "yes", "no", "one two one point three", "no nine three", "over limit", "28.4 volts", "point five ohms", "take a note", "end note", "i smell gas", "that was a false alarm",
        "say again", "slower", "why", "where do the leads go", "go back", "change that", "what have i got so far", "pause", "continue", "help", "stop", "next check please", "twelve hundred", "minus four", "nine six point four", "I opened the switch", "everything is shut down",
    )]  # fmt: skip


def feed_typed(raw: bytes) -> bool:
    from assistant.typed import TypedLines
    from flows.dialogue import advance, begin
    from flows.prompts import scope_for
    from grammar.answers import Heard, Unclear
    from grammar.parse import understand

    plan, start = dialogue()
    if not TALK or TALK[0].mode == "ended":
        TALK[:] = [start]
    line = TypedLines(io.BytesIO(raw)).readline()
    if not line:
        return False
    text = line.strip()
    assert len(text) <= 500 and "\n" not in text
    answer = understand(Heard(text, 1.0, alternatives=((text, 1.0),)), scope_for(plan, TALK[0]))
    session, _ = advance(plan, TALK[0], answer)
    TALK[:] = [session if session.mode != "ended" else begin(plan)[0]]
    return not isinstance(answer, Unclear)


# --- the desk: whole requests, through the application as a server hands them on


class Desk:
    """An application without a socket, a store with twelve visits behind it, and one loop."""

    def __init__(self) -> None:
        from assistant.desk.access import Access
        from assistant.desk.app import make_app
        from assistant.desk.context import Desk as Parts
        from assistant.desk.live import Live
        from assistant.desk.received import Received
        from assistant.records.importing import Journal, import_events
        from assistant.records.store import open_store

        self.place = folder() / "desk"
        (self.place / "visits").mkdir(parents=True)
        self.store = open_store(str(self.place / "store.sqlite"))
        import_events(self.store, [Journal(events, False, "") for events in visits()])
        self.access = Access.fresh(time.monotonic)
        self.parts = Parts(self.store, self.access, Live(time.monotonic), Received(self.place / "received"), self.place / "visits", time.time)
        self.app = make_app(self.parts)
        self.loop = asyncio.new_event_loop()
        self.count = 0

    def ask(self, method: str, path: bytes, query: bytes, headers: list[tuple[bytes, bytes]], body: bytes) -> tuple[int, bytes]:
        """One request; status and body. Raises what the application raises."""
        from urllib.parse import unquote

        self.count += 1
        if self.count % 2000 == 0:
            shutil.rmtree(self.place / "received", ignore_errors=True)
            self.parts.live.visits.clear()
            self.parts.refused.clear()
        scope = {"type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http", "path": unquote(path.decode("latin-1")), "raw_path": path, "root_path": "", "query_string": query, "headers": headers, "client": ("127.0.0.1", 5), "server": ("127.0.0.1", 80)}
        sent: list[dict[str, Any]] = []
        given = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive() -> dict[str, Any]:
            return given.pop(0) if given else {"type": "http.disconnect"}

        async def send(message: Any) -> None:
            sent.append(message)

        async def whole() -> None:
            await asyncio.wait_for(self.app(scope, receive, send), 20)
            if self.parts.keeping:
                await asyncio.gather(*self.parts.keeping)

        self.loop.run_until_complete(whole())
        return sent[0]["status"], b"".join(one.get("body", b"") for one in sent[1:])


@functools.cache
def desk() -> Desk:
    return Desk()


PATHS = ["/api/visits", "/api/visits/{visit}", "/api/faults", "/api/boards", "/api/drift", "/api/progress", "/api/openapi.json", "/history", "/visit/{visit}", "/faults", "/boards", "/drift", "/", "/static/desk.js", "/visit/{visit}/audio/0001.flac", "/visit/{visit}/report.html"]


def desk_seeds() -> list[bytes]:
    name = str(visits()[0][0]["visit"])
    found = []
    for path in PATHS:
        for query in ("", "?since=2024-01-01&until=2025-01-01", "?text=row&limit=5&outcome=fail", "?after_at=1700000000000&after_id=x", "?probe=flame_current&conflict=true"):
            found.append(f"GET {path.format(visit=name)}{query}\nlook\n\n".encode())
            found.append(f"GET {path.format(visit=name)}{query}\nnone\n\n".encode())
    lines = [{key: value for key, value in one.items()} for one in visits()[1][:6]]
    lines[0]["visit"] = "v-1"
    for place, part in ((0, lines[:1]), (0, lines), (1, lines[1:3])):
        found += [f"POST /api/received/m-1/v-1\nsend\n{json.dumps({'place': place, 'events': part})}".encode()] * 8
    found += [b"GET /api/received/m-1/v-1\nsend\n", b"POST /session\nnone\ntoken=abc", b"POST /session\nnone\ntoken=%ff%00&token=2", b"POST /session/end\nlook\n"] * 4
    return found


def feed_desk(raw: bytes) -> bool:
    """Lines: method and target, whose token, then the body. What comes without a token and is no page for everybody counts as an entry, which is a find."""
    first, _, rest = raw.partition(b"\n")
    token, _, body = rest.partition(b"\n")
    method, _, target = first.partition(b" ")
    target = target if target.startswith(b"/") else b"/" + target
    path, _, query = target.replace(b"\r", b"").replace(b" ", b"%20").partition(b"?")
    if path.startswith(b"/api/live") or path.endswith(b".pdf") or len(target) > 16_000:
        return False
    one = desk()
    headers = [(b"host", b"127.0.0.1"), (b"user-agent", b"fuzz")]
    right = {b"look": one.access.look, b"send": one.access.send}.get(token)
    if right:
        headers.append((b"authorization", f"Bearer {right}".encode()))
    elif token != b"none":
        headers.append((b"authorization", b"Bearer " + token[:300].replace(b"\r", b"").replace(b"\0", b"")))
    status, answer = one.ask(method.decode("latin-1").upper() or "GET", path, query, headers, body)
    assert status < 500 or status == 501, f"{status} {answer[:200]!r}"
    if right is None and status < 300:
        assert path.rstrip(b"/") == b"" or path.startswith(b"/static") or b"/static" in path, f"an entry without a token: {path!r}"
        assert visits()[0][0]["technician"].encode() not in answer
    return status < 400


# --- model folders and archives


@functools.cache
def archive_seeds_() -> tuple[bytes, ...]:
    import zipfile

    found = []
    for names in (["m/am/final.mdl", "m/conf/model.conf", "m/graph/words.txt"], ["../x"], ["m/a", "n/b"], ["m/"], ["m/" + "d/" * 50 + "x"]):
        file = io.BytesIO()
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed:
            for name in names:
                packed.writestr(name, b"0" * 3000)
        found.append(file.getvalue())
    return tuple(found)


def feed_archive(raw: bytes) -> bool:
    from assistant.unpack import unpack

    path, into = folder() / "model.zip", folder() / "into"
    path.write_bytes(raw)
    shutil.rmtree(into, ignore_errors=True)
    into.mkdir()
    taken = not refused(lambda: unpack(path, into))
    assert not (folder() / "x").exists(), "it led out of its folder"
    return taken


def model_seeds() -> list[bytes]:
    base = ROOT / "grammar" / "model" / "twohands-en"
    small = [path for path in sorted(base.rglob("*")) if path.is_file() and path.stat().st_size < 60_000]
    return [str(path.relative_to(base)).encode() + b"\n" + path.read_bytes()[:6000] for path in small]


@functools.cache
def model_copy() -> Path:
    into = folder() / "model" / "twohands-en"
    shutil.copytree(ROOT / "grammar" / "model" / "twohands-en", into)
    return into


def feed_model(raw: bytes) -> bool:
    """One file of a model that is damaged; whether the model is still taken for whole before anything loads it."""
    from assistant.engines.vosk_engine import model_problem

    name, _, content = raw.partition(b"\n")
    base = model_copy()
    path = base / name.decode("utf-8", "replace").replace("\0", "")[:100]
    if not (path.resolve().is_relative_to(base.resolve()) and path.is_file()):
        return False
    before = path.read_bytes()
    path.write_bytes(content)
    try:
        return not model_problem(base)
    finally:
        path.write_bytes(before)


# --- backups and what a sender noted


def backup_seeds() -> list[bytes]:
    from assistant.records.backup import backup

    desk()
    backup(desk().store, folder() / "b.gz")
    import gzip

    return [gzip.decompress((folder() / "b.gz").read_bytes())[:60_000], b'{"twohands":"records","format":1}\n{"copies":0,"digest":"x"}\n']


def feed_backup(raw: bytes) -> bool:
    import gzip

    from assistant.records.backup import _copies

    path = folder() / "fed.gz"
    path.write_bytes(gzip.compress(raw, 1))
    return not refused(lambda: list(_copies(path)))


TARGETS: dict[str, Target] = {
    "journals": Target(journal_seeds, feed_journal),
    "yaml": Target(lambda: list(yaml_seeds_()), feed_yaml),
    "procedures": Target(whole_procedure_seeds, feed_procedure),
    "sound": Target(sound_seeds, feed_sound),
    "typed": Target(typed_seeds, feed_typed),
    "desk": Target(desk_seeds, feed_desk),
    "archives": Target(lambda: list(archive_seeds_()), feed_archive),
    "models": Target(model_seeds, feed_model),
    "backups": Target(backup_seeds, feed_backup),
}
SHARES = {"journals": 0.08, "yaml": 0.24, "procedures": 0.002, "sound": 0.2, "typed": 0.368, "desk": 0.05, "archives": 0.04, "models": 0.01, "backups": 0.01}
"""How many of all inputs each target gets; the slow ones get fewer."""
