"""Fetching models from a server on loopback that does everything wrong, and unpacking archives that want out."""

from __future__ import annotations

import hashlib
import io
import socket
import threading
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np
import pytest

from assistant.errors import ModelError
from assistant.models import placed as models
from assistant.models.unpack import unpack
from assistant.models.whole import NEEDED

NAME = "vosk-model-small-en-test"


def archive(extra: dict[str, bytes] | None = None, leave_out: str = "", name: str = NAME) -> bytes:
    """A zip shaped like a model; its bytes are noise, so that it does not compress."""
    noise = np.random.default_rng(7)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as file:
        for needed in NEEDED:
            if needed != leave_out:
                file.writestr(f"{name}/{needed}", noise.bytes(150_000))
        for path, content in (extra or {}).items():
            file.writestr(path, content)
    return packed.getvalue()


@dataclass
class Shop:
    """What the server does. cuts: bytes after which each next answer is cut off."""

    body: bytes = b""
    cuts: list[int] = field(default_factory=list)
    tag: str = '"one"'
    ranges: bool = True
    status: int = 200
    asked: list[str | None] = field(default_factory=list)
    url: str = ""

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.body).hexdigest()


@pytest.fixture
def shop() -> Iterator[Shop]:
    state = Shop()

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            wanted = self.headers.get("Range")
            state.asked.append(wanted)
            if state.status != 200:
                self.send_error(state.status)
                return
            body, code = state.body, 200
            if wanted and state.ranges and self.headers.get("If-Range") == state.tag:
                start = int(wanted.removeprefix("bytes=").rstrip("-"))
                body, code = state.body[start:], 206
            self.send_response(code)
            self.send_header("Content-Length", str(len(body)))
            if state.tag:
                self.send_header("ETag", state.tag)
            if code == 206:
                self.send_header("Content-Range", f"bytes {start}-{len(state.body) - 1}/{len(state.body)}")
            self.end_headers()
            self.wfile.write(body[: state.cuts.pop(0)] if state.cuts else body)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    state.url = f"http://127.0.0.1:{server.server_port}/{NAME}.zip"
    yield state
    server.shutdown()
    thread.join()
    server.server_close()


def get(shop: Shop, folder: Path, sha256: str = "", **more) -> models.Model:
    return models.fetch(url=shop.url, sha256=sha256 or shop.sha256, folder=folder, wait=lambda seconds: None, **more)


def left_behind(folder: Path) -> list[str]:
    return sorted(
        path.name
        for path in folder.iterdir()
        if path.name != ".lock" and not (path.name == ".parts" and not any(path.iterdir()))
    )


def test_a_model_is_fetched_checked_and_listed(shop, tmp_path):
    shop.body = archive()
    seen: list[tuple[int, int | None]] = []
    model = get(shop, tmp_path, progress=lambda done, total: seen.append((done, total)))
    assert (model.name, model.language, model.problem) == (NAME, "en", "")
    assert seen[0] == (0, len(shop.body)) and seen[-1] == (len(shop.body), len(shop.body))
    assert [done for done, _ in seen] == sorted(done for done, _ in seen)
    assert left_behind(tmp_path) == [NAME]
    assert [line.state for line in models.listing(tmp_path) if line.name == NAME] == ["here"]


def test_a_cut_connection_goes_on_where_it_stopped(shop, tmp_path):
    shop.body = archive()
    shop.cuts = [100_000, 200_000, 50_000]
    assert get(shop, tmp_path).problem == ""
    assert shop.asked[0] is None
    starts = [int(wanted.removeprefix("bytes=").rstrip("-")) for wanted in shop.asked[1:]]
    assert starts == [100_000, 300_000, 350_000], "each try must begin where the last one ended"


def test_a_later_call_goes_on_from_the_kept_part(shop, tmp_path):
    shop.body = archive()
    shop.cuts = [100_000] + [0] * 10
    with pytest.raises(ModelError, match="100000 bytes that came are kept"):
        get(shop, tmp_path)
    shop.cuts, shop.asked = [], []
    assert get(shop, tmp_path).problem == ""
    assert shop.asked == ["bytes=100000-"]


def test_a_file_that_changed_meanwhile_is_fetched_from_the_start(shop, tmp_path):
    wanted = archive(extra={f"{NAME}/README": b"new"})
    shop.body, shop.cuts = archive(), [100_000] + [0] * 10
    sha256 = hashlib.sha256(wanted).hexdigest()
    with pytest.raises(ModelError):
        get(shop, tmp_path, sha256)
    shop.body, shop.tag, shop.cuts = wanted, '"two"', []
    assert (get(shop, tmp_path, sha256).folder / "README").read_bytes() == b"new"


def test_a_server_without_version_marks_is_never_continued(shop, tmp_path):
    shop.body, shop.tag, shop.cuts = archive(), "", [100_000]
    assert get(shop, tmp_path).problem == ""
    assert shop.asked == [None, None]


def test_a_wrong_hash_keeps_nothing(shop, tmp_path):
    shop.body = archive()
    with pytest.raises(ModelError) as error:
        get(shop, tmp_path, sha256="0" * 64)
    assert "not the pinned file" in error.value.problem and shop.sha256 in error.value.problem
    assert left_behind(tmp_path) == []


def test_a_truncated_file_keeps_nothing(shop, tmp_path):
    whole = archive()
    shop.body = whole[:-1000]
    with pytest.raises(ModelError, match=f"not the pinned file: {len(whole) - 1000} bytes"):
        get(shop, tmp_path, sha256=hashlib.sha256(whole).hexdigest())
    assert left_behind(tmp_path) == []


def test_no_server_gives_one_plain_sentence_and_the_way_by_hand(tmp_path):
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        port = closed.getsockname()[1]
    with pytest.raises(ModelError) as error:
        models.fetch(url=f"http://127.0.0.1:{port}/x.zip", sha256="0" * 64, folder=tmp_path, wait=lambda seconds: None)
    assert error.value.problem == "There is no way to 127.0.0.1 over the network now (Connection refused)."
    assert "Copy its folder" in error.value.remedy and str(tmp_path) in error.value.remedy


@pytest.mark.parametrize(
    ("status", "said"), [(404, "answered 404"), (403, "answered 403"), (503, "no way to 127.0.0.1")]
)
def test_a_refusal_is_told(shop, tmp_path, status, said):
    shop.status = status
    with pytest.raises(ModelError, match=said):
        get(shop, tmp_path, sha256="0" * 64)
    assert len(shop.asked) == (1 if status < 500 else 5)


@pytest.mark.parametrize("url", ["file:///etc/passwd", "ftp://127.0.0.1/x.zip", "model.zip", "https://"])
def test_only_web_addresses_are_taken(url, tmp_path):
    with pytest.raises(ModelError, match="no web address"):
        models.fetch(url=url, sha256="0" * 64, folder=tmp_path)


@pytest.mark.parametrize("sha256", ["", "abc", "g" * 64])
def test_nothing_is_fetched_without_a_hash(sha256, tmp_path):
    with pytest.raises(ModelError, match="only with its SHA-256"):
        models.fetch(url="https://127.0.0.1/x.zip", sha256=sha256, folder=tmp_path)


def test_a_known_model_without_a_pinned_hash_is_placed_by_hand(tmp_path):
    name = next(name for name, entry in models.known().items() if entry.sha256 is None)
    with pytest.raises(ModelError) as error:
        models.fetch(name, folder=tmp_path)
    assert "not pinned" in error.value.problem and "Copy its folder" in error.value.remedy
    states = {line.name: line.state for line in models.listing(tmp_path)}
    assert states[name] == "hash not pinned: place by hand"


CLIMBERS = {
    "up": "../escaped",
    "up from inside": f"{NAME}/../../escaped",
    "absolute": "/tmp/escaped",
    "backslash": f"{NAME}\\..\\..\\escaped",
    "drive": "C:/escaped",
    "outside of a folder": "escaped",
    "second folder": "other/escaped",
}


@pytest.mark.parametrize("path", CLIMBERS.values(), ids=CLIMBERS.keys())
def test_paths_that_climb_out_are_refused(shop, tmp_path, path):
    folder = tmp_path / "deep" / "models"
    shop.body = archive(extra={path: b"out"})
    with pytest.raises(ModelError, match="Nothing was unpacked"):
        get(shop, folder)
    assert list(tmp_path.rglob("*escaped*")) == []
    assert not Path("/tmp/escaped").exists()
    assert models.present(folder) == []


def test_links_are_refused(shop, tmp_path):
    link = zipfile.ZipInfo(f"{NAME}/graph/link")
    link.external_attr = 0o120777 << 16
    packed = io.BytesIO(archive())
    with zipfile.ZipFile(packed, "a") as file:
        file.writestr(link, "/etc/passwd")
    shop.body = packed.getvalue()
    with pytest.raises(ModelError, match="a link or a special file"):
        get(shop, tmp_path)
    assert models.present(tmp_path) == []


def test_a_bomb_is_stopped(tmp_path):
    packed = tmp_path / "bomb.zip"
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr(f"{NAME}/zeros", bytes(30_000_000))
    into = tmp_path / "into"
    into.mkdir()
    with pytest.raises(ModelError, match="far more than a model"):
        unpack(packed, into)
    assert sum(path.stat().st_size for path in into.rglob("*") if path.is_file()) < 30_000_000


def test_what_is_no_zip_is_told(shop, tmp_path):
    shop.body = b"<html>Sign in to this network</html>"
    with pytest.raises(ModelError, match="cannot be unpacked"):
        get(shop, tmp_path)


def test_a_name_that_is_no_text_is_told(tmp_path):
    """Found by changing bytes: a name that says it is UTF-8 and is not."""
    packed = tmp_path / "name.zip"
    with zipfile.ZipFile(packed, "w") as file:
        file.writestr(f"{NAME}/\u00e9", b"x")
    packed.write_bytes(packed.read_bytes().replace("\u00e9".encode(), b"\xed\x20"))
    (tmp_path / "into").mkdir()
    with pytest.raises(ModelError, match="cannot be unpacked"):
        unpack(packed, tmp_path / "into")


def test_a_flipped_byte_inside_the_archive_is_found(tmp_path):
    body = bytearray(archive())
    body[100_000] ^= 0xFF
    packed = tmp_path / "flipped.zip"
    packed.write_bytes(body)
    into = tmp_path / "into"
    into.mkdir()
    with pytest.raises(ModelError, match="cannot be unpacked"):
        unpack(packed, into)


@pytest.mark.parametrize(("leave_out", "said"), [("am/final.mdl", "not whole"), ("graph/HCLr.fst", "not whole")])
def test_an_archive_without_a_whole_model_is_refused(shop, tmp_path, leave_out, said):
    shop.body = archive(leave_out=leave_out)
    with pytest.raises(ModelError, match=said):
        get(shop, tmp_path)
    assert models.present(tmp_path) == []


def test_a_second_fetch_at_the_same_time_is_refused(shop, tmp_path):
    shop.body = archive()
    refused: list[str] = []

    def meanwhile(done: int, total: int | None) -> None:
        if not refused:
            refused.append("asked")
            with pytest.raises(ModelError, match="Another Twohands"):
                get(shop, tmp_path)
            refused.append("refused")

    get(shop, tmp_path, progress=meanwhile)
    assert refused == ["asked", "refused"]


def test_a_disk_that_takes_nothing_is_told(shop, tmp_path):
    shop.body = archive()
    (tmp_path / ".parts").write_text("in the way")
    with pytest.raises(ModelError, match="could not be written"):
        get(shop, tmp_path)


def test_a_model_is_removed_and_only_a_model(shop, tmp_path):
    shop.body = archive()
    get(shop, tmp_path)
    for name in ("../models", "/etc", "", ".parts", "nothing"):
        with pytest.raises(ModelError, match="to remove"):
            models.remove(name, tmp_path)
    models.remove(NAME, tmp_path)
    assert models.present(tmp_path) == [] and left_behind(tmp_path) == []


def test_fetching_again_replaces_the_model(shop, tmp_path):
    shop.body = archive()
    get(shop, tmp_path)
    shop.body = archive(extra={f"{NAME}/README": b"newer"})
    assert (get(shop, tmp_path).folder / "README").read_bytes() == b"newer"
    assert left_behind(tmp_path) == [NAME]


def test_a_damaged_model_is_listed_as_such(tmp_path):
    (tmp_path / "vosk-model-small-en-us-0.15" / "am").mkdir(parents=True)
    assert [line.state for line in models.listing(tmp_path) if line.folder] == ["damaged"]
    assert "not whole" in models.present(tmp_path)[0].problem


def test_the_folder_can_be_moved(monkeypatch, tmp_path):
    monkeypatch.setenv("TWOHANDS_MODELS", str(tmp_path / "here"))
    assert models.home() == tmp_path / "here"
    assert models.present() == models.present(tmp_path / "here")
