"""Visits as they are spoken, in a real browser and on the stream beneath it."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver.chrome.webdriver import WebDriver

from assistant.desk.live import KEEP_ENDED, KEEP_SILENT, Live
from assistant.desk.watch import RESTS, Watch
from assistant.visit.journal import Journal


@pytest.mark.parametrize("width", [360, 1280])
def test_a_visit_appears_by_itself_and_grows(
    served: Any,
    browsers: dict[int, WebDriver],
    soon: Callable[..., Any],
    width: int,
    record_property: Callable[..., None],
) -> None:
    events = next(one for one in served.simulated if one[-1]["how"] == "finished" and one[-1]["fault"])
    browser = browsers[width]
    browser.get(f"{served.url}/#token={served.desk.access.look}")
    soon(lambda: browser.find_element("css selector", "#link").text == "live")
    assert browser.find_element("css selector", "#nobody").is_displayed()
    begun = time.monotonic()
    served.write(events[:40])
    soon(lambda: events[0]["site"] in browser.find_element("css selector", "#live").text)
    record_property("seconds_to_appear", round(time.monotonic() - begun, 3))
    assert not browser.find_element("css selector", "#nobody").is_displayed()
    power = next(place for place, one in enumerate(events) if one["kind"] == "power")
    served.write(events[40 : power + 1], events[0]["visit"])
    soon(lambda: "said to be off" in browser.find_element("css selector", "#live .power").text)
    served.write(events[power + 1 :], events[0]["visit"])
    soon(lambda: browser.find_elements("css selector", "#live .ended"))
    rows = browser.find_elements("css selector", "#live .readings li")
    assert len(rows) == sum(one["kind"] == "reading" for one in events)
    shown = browser.find_element("css selector", "#live .readings").text
    for one in events:
        if one["kind"] == "reading" and one["quantity"] == "ac_volts":
            assert f"{one['value']:.1f} V" in shown
    soon(lambda: served.client().get(f"/api/visits/{events[0]['visit']}").status_code == 200)
    browser.find_element("css selector", "#live footer a").click()
    soon(lambda: "/visit/" in browser.current_url)
    assert events[0]["technician"] in browser.find_element("css selector", "main").text


def test_a_browser_that_lost_the_stream_catches_up(
    served: Any, browsers: dict[int, WebDriver], soon: Callable[..., Any], network: Any
) -> None:
    events, browser = served.simulated[3], browsers[1280]
    browser.get(f"{network.url}/#token={served.desk.access.look}")
    served.write(events[:20])
    soon(lambda: browser.find_elements("css selector", "#live .visit"))
    network.pull()
    soon(lambda: "lost" in browser.find_element("css selector", "#link").text)
    served.write(events[20:60], events[0]["visit"])
    network.plug()
    wanted = sum(one["kind"] == "reading" for one in events[:60])
    soon(
        lambda: (
            browser.find_element("css selector", "#link").text == "live"
            and len(browser.find_elements("css selector", "#live .readings li")) == wanted
        )
    )
    assert len(browser.find_elements("css selector", "#live .visit")) == 1


def test_the_real_journal_is_followed_line_by_line(
    served: Any, soon: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Written by the program's own journal, with its torn last line and its going on after that."""
    folder = served.visits / "real"
    journal = Journal(folder)
    journal.write("visit", {"visit": "real", "site": "a place", "invented": True})
    journal.write("said", {"line": "x", "text": "Check one.", "role": "step"})
    journal.close()
    live = served.desk.live.visits
    soon(lambda: "here/real" in live and len(live["here/real"].events) == 2)
    with (folder / "journal.jsonl").open("ab") as file:
        file.write(b'{"v": 1, "seq": 3, "kind": "sa')
    watch, looks = served.desk.watches["here"], []
    look = watch.look
    monkeypatch.setattr(watch, "look", lambda: looks.append(1) or look())
    # With the third look the first two are done and what they found is in sight.
    soon(lambda: len(looks) >= 3)
    assert len(live["here/real"].events) == 2
    journal = Journal(folder)
    journal.write("resumed", {"engine": "test", "program": "test"})
    journal.write("end", {"how": "finished", "fault": None, "summary": "All good."})
    journal.close()
    soon(lambda: [one["kind"] for one in live["here/real"].events] == ["visit", "said", "resumed", "end"])
    soon(lambda: served.client().get("/api/visits/real").status_code == 200)


def test_visits_that_ended_while_the_desk_was_closed_are_imported(served: Any, soon: Callable[..., Any]) -> None:
    from assistant.desk.background import unknown

    served.write(served.simulated[0])
    path = served.write([{**served.simulated[0][0], "visit": "another"}, *served.simulated[0][1:]], "another")
    assert unknown(served.desk) == [path]


class Clock:
    now = 5000.0

    def __call__(self) -> float:
        return self.now


def line(place: int, kind: str = "said") -> dict[str, Any]:
    return {"kind": kind, "seq": place + 1, "at": "2026-03-02T09:00:00+00:00"}


def test_lines_are_taken_once_and_never_with_a_gap() -> None:
    live = Live(Clock())
    live.add("a", 0, [line(0), line(1)])
    live.add("a", 1, [line(1), line(2)])
    live.add("a", 0, [line(0)])
    assert [one["seq"] for one in live.visits["a"].events] == [1, 2, 3]
    with pytest.raises(ValueError, match="missing"):
        live.add("a", 5, [line(5)])


def test_ended_and_silent_visits_leave_the_page() -> None:
    clock = Clock()
    live = Live(clock)
    live.add("ended", 0, [line(0), line(1, "end")])
    live.add("silent", 0, [line(0)])
    clock.now += KEEP_ENDED + 1
    live.tidy()
    assert set(live.visits) == {"silent"}
    clock.now += KEEP_SILENT
    live.tidy()
    assert not live.visits


def test_a_listener_that_is_far_behind_is_told_everything_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("assistant.desk.live.WAITING", 5)

    async def listen() -> list[dict[str, Any]]:
        live = Live(Clock())
        stream = live.listen(beat=5)
        got = [await anext(stream)]
        for place in range(50):
            live.add("a", place, [line(place)])
        while not got or got[-1]["what"] != "all" or len(got) < 2:
            got.append(await anext(stream))
        await stream.aclose()
        return got

    got = asyncio.run(listen())
    assert got[0] == {"what": "all", "visits": []}
    assert got[-1]["visits"][0]["count"] == 50


def test_watch_leaves_old_journals_alone_and_finds_them_when_they_go_on(tmp_path: Path) -> None:
    import os

    clock = Clock()
    clock.now = time.time()
    path = tmp_path / "old" / "journal.jsonl"
    path.parent.mkdir()
    path.write_text(json.dumps(line(0)) + "\n")
    os.utime(path, (clock.now - RESTS - 10, clock.now - RESTS - 10))
    watch = Watch(tmp_path, clock)
    assert list(watch.look()) == []
    with path.open("a") as file:
        file.write(json.dumps(line(1)) + "\n")
    clock.now += 60
    assert [(name, place, len(events)) for name, place, events, _ in watch.look()] == [("old", 0, 2)]
    assert list(watch.look()) == []
