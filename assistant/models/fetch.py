"""Fetch one file whose SHA-256 is known; go on where an earlier try stopped."""

from __future__ import annotations

import hashlib
import http.client
import os
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

from assistant.errors import ModelError

Progress = Callable[[int, int | None], None]
BLOCK = 1 << 18
TRIES = 5
"""Tries in a row that bring nothing new before it is given up."""
PATIENCE = 30.0
"""Seconds without a byte after which a try is over."""
MOST_BYTES = 4 << 30


def download(
    url: str,
    sha256: str,
    folder: Path,
    progress: Progress,
    wait: Callable[[float], None] | None = None,
    remedy: str = "",
) -> Path:
    """The whole, checked file. folder: where parts are kept between tries.

    wait: called with the seconds to pause between tries. Raises ModelError.
    """
    if urlsplit(url).scheme not in ("http", "https") or not urlsplit(url).hostname:
        raise ModelError(f"'{url}' is no web address.", "Give one that begins with https://")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        part = folder / f"{sha256}.part"
        _bring(url, part, progress, wait or time.sleep, remedy)
        with part.open("rb") as file:
            found = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise ModelError(
            f"The model could not be written ({error.strerror or error}).",
            f"Make room in {folder} or check its rights.",
        ) from error
    if found != sha256:
        size = part.stat().st_size
        _forget(part)
        raise ModelError(
            f"What came from {urlsplit(url).hostname} is not the pinned file: {size} bytes with SHA-256 {found}.",
            "Nothing was kept. Check the address and the hash.",
        )
    whole = folder / f"{sha256}.zip"
    os.replace(part, whole)
    _tag(part).unlink(missing_ok=True)
    return whole


def _bring(url: str, part: Path, progress: Progress, wait: Callable[[float], None], remedy: str) -> None:
    """Fetch into `part` until the server says that this is all."""
    failed = 0
    while True:
        had = part.stat().st_size if part.exists() else 0
        try:
            if _try(url, part, had, progress):
                return
            reason = "the connection was cut"
        except urllib.error.HTTPError as error:
            if error.code < 500 and error.code not in (408, 429):
                raise ModelError(
                    f"{urlsplit(url).hostname} answered {error.code} ({error.reason}).", "Check the address."
                ) from error
            reason = f"it answered {error.code}"
        except (urllib.error.URLError, http.client.HTTPException, TimeoutError, ConnectionError) as error:
            cause = getattr(error, "reason", error)
            reason = getattr(cause, "strerror", None) or str(cause)
        got = part.stat().st_size if part.exists() else 0
        failed = 0 if got > had else failed + 1
        if failed >= TRIES:
            kept = f" The {got} bytes that came are kept; the next try goes on from there." if got else ""
            raise ModelError(
                f"There is no way to {urlsplit(url).hostname} over the network now ({reason}).{kept}", remedy
            )
        wait(min(8.0, 0.5 * 2**failed))


def _try(url: str, part: Path, had: int, progress: Progress) -> bool:
    """One request; whether the file is complete now."""
    request = urllib.request.Request(url, headers={"Accept-Encoding": "identity", "User-Agent": "twohands"})
    tag = _tag(part).read_text() if _tag(part).exists() else ""
    # Without a mark of the version the rest could come from another file; then begin again.
    if had and tag:
        request.add_header("Range", f"bytes={had}-")
        request.add_header("If-Range", tag)
    try:
        answer = urllib.request.urlopen(request, timeout=PATIENCE)
    except urllib.error.HTTPError as error:
        if error.code == 416 and had:
            _forget(part)
            return False
        raise
    with answer:
        goes_on = answer.status == 206 and answer.headers.get("Content-Range", "").startswith(f"bytes {had}-")
        if answer.status == 206 and not goes_on:
            _forget(part)
            return False
        start = had if goes_on else 0
        length = answer.headers.get("Content-Length")
        total = start + int(length) if length and length.isdigit() else None
        if (total or 0) > MOST_BYTES:
            raise ModelError(f"The file has {total} bytes; no small model is so large.", "Check the address.")
        if not goes_on:
            _remember(part, answer.headers)
        return _copy(answer, part, start, total, progress)


def _copy(answer: http.client.HTTPResponse, part: Path, start: int, total: int | None, progress: Progress) -> bool:
    done = start
    with part.open("r+b" if start else "wb") as file:
        file.seek(start)
        file.truncate()
        progress(done, total)
        while block := _block(answer):
            file.write(block)
            done += len(block)
            if done > MOST_BYTES:
                raise ModelError("The file does not end; no small model is so large.", "Check the address.")
            progress(done, total)
        file.flush()
        os.fsync(file.fileno())
    return total is None or done >= total


def _block(answer: http.client.HTTPResponse) -> bytes:
    try:
        return answer.read1(BLOCK)
    except http.client.IncompleteRead as error:
        return error.partial
    except (TimeoutError, ConnectionError):
        return b""


def _tag(part: Path) -> Path:
    return part.with_suffix(".tag")


def _remember(part: Path, headers: http.client.HTTPMessage) -> None:
    """Keep the server's mark of this version, for `If-Range` (RFC 9110, 13.1.5: strong tags or dates only)."""
    tag = headers.get("ETag", "")
    mark = tag if tag and not tag.startswith("W/") else headers.get("Last-Modified", "")
    if mark:
        _tag(part).write_text(mark)
    else:
        _tag(part).unlink(missing_ok=True)


def _forget(part: Path) -> None:
    part.unlink(missing_ok=True)
    _tag(part).unlink(missing_ok=True)
