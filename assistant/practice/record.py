"""A trainee's record: one JSON object a line for each exercise, only ever added to."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from assistant import private
from assistant.errors import DiskFull, JournalError
from assistant.visit.journal import NO_ROOM
from flows.errors import FlowError
from flows.faults import catalog

VERSION = 1
FILE = "practice.jsonl"
GOOD = ("right", "alike")
"""Marks that count as found."""
MARKS = {
    "right": "right",
    "alike": "right (no meter tells it)",
    "partly": "half right",
    "wrong": "wrong",
    "none": "no answer",
}
Session = dict[str, Any]


def add(folder: Path, session: Session) -> None:
    """Add one exercise and force it to the disk. Raises JournalError, DiskFull."""
    line = (json.dumps({"v": VERSION, **session}, ensure_ascii=False, allow_nan=False) + "\n").encode()
    path = folder / FILE
    try:
        private.make_folder(folder)
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, private.FILE)
        try:
            size = os.fstat(handle).st_size
            if size and os.pread(handle, 1, size - 1) != b"\n":
                # The line before was torn by a sudden end; it stays, and this one begins anew.
                line = b"\n" + line
            while line:
                line = line[os.write(handle, line) :]
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        if error.errno in NO_ROOM:
            raise DiskFull("The disk is full. This exercise is not kept.", "Make room on the disk.") from error
        raise JournalError(
            f"The record {path} can't be written ({error.strerror}).",
            "Check the folder and its rights, or choose another with --record.",
        ) from error


def read(folder: Path) -> tuple[list[Session], int]:
    """All exercises, oldest first, and how many lines could not be read. Raises JournalError where there is no
    record."""
    path = folder / FILE
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise JournalError(
            f"There is no practice record in {folder} ({error.strerror}).",
            "Practise first, or name the folder with --record.",
        ) from error
    found: list[Session] = []
    torn = 0
    for line in raw.splitlines():
        try:
            one = json.loads(line) if line.strip() else None
        except (ValueError, RecursionError):
            torn += 1
            continue
        if isinstance(one, dict) and "trainee" in one:
            found.append(one)
        elif one is not None:
            torn += 1
    return found, torn


def progress(sessions: Sequence[Session], trainee: str) -> list[str]:
    """A trainee's exercises as lines of a table, and what they add up to. Raises JournalError for a trainee without
    any."""
    mine = [one for one in sessions if one["trainee"] == trainee]
    if not mine:
        known = sorted({one["trainee"] for one in sessions})
        remedy = f"On record: {', '.join(known)}." if known else "Practise first: twohands practice --trainee NAME"
        raise JournalError(f"There is no exercise by '{trainee}' on record.", remedy)
    lines = [f"{'when':16}  {'level':7} {'way':6}  {'mark':9}  {'readings':8}  {'slips':5}  fault"]
    for one in mine:
        readings = f"{one['readings']}/{one['fewest']}"
        lines.append(
            f"{one['at'][:16].replace('T', ' '):16}  {one['level']:7} {one['way']:6}  {MARKS[one['mark']][:9]:9} "
            f" {readings:>8}  {len(one['slips']):5}  {fault_name(one['fault'])}"
        )
    return [*lines, "", *_summary(mine)]


def _summary(mine: Sequence[Session]) -> list[str]:
    ended = [one for one in mine if one["how"] == "answered"]
    good = sum(one["mark"] in GOOD for one in ended)
    lines = [f"Exercises: {len(mine)}. Faults found: {good} of {len(ended)} answered."]
    free = [one for one in ended if one["way"] == "free" and one["fewest"]]
    if free:
        share = sum(one["readings"] for one in free) / sum(one["fewest"] for one in free)
        lines.append(f"Readings taken against the fewest needed, probing freely: {share:.1f} to 1.")
    half = len(mine) // 2
    slips = [len(one["slips"]) for one in mine]
    lines.append(
        f"Slips stopped: {sum(slips)} in all"
        + (
            f"; {sum(slips[:half]) / half:.1f} an exercise in the first half,"
            f" {sum(slips[half:]) / (len(slips) - half):.1f} since."
            if half
            else "."
        )
    )
    missed = Counter(one["fault"] for one in ended if one["mark"] not in GOOD)
    if missed:
        lines.append(
            "Missed: "
            + "; ".join(
                f"{fault_name(name)} ({times}x)" if times > 1 else fault_name(name)
                for name, times in missed.most_common(5)
            )
            + "."
        )
    learn = Counter(lesson for one in mine for lesson in one["lessons"])
    if learn:
        lines.append(f"Learn next: {learn.most_common(1)[0][0]}")
    return lines


def fault_name(fault: str) -> str:
    """A fault's name; one that an older version had stays as it was written."""
    try:
        return catalog.spoken_name(fault)
    except FlowError:
        return fault
