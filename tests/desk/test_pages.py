"""Every page in a real browser, at a telephone's width and at a desk's; what they show against the journals
themselves."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver.chrome.webdriver import WebDriver

from assistant.desk import charts
from assistant.records import across
from assistant.records.importing import Journal, import_events
from tests.visiting import MENDED_AND_STOPPED, OPEN_GROUND, visit_in

PAGES = [
    "/",
    "/history",
    "/faults",
    "/boards",
    "/drift",
    "/drift?probe=ground_path",
    "/progress",
    "/visit/{visit}",
    "/history?text=nothing+like+that",
    "/nothing",
]


def violations(browser: WebDriver, axe: str) -> list[str]:
    browser.execute_script(axe)
    found = browser.execute_async_script(
        "const done = arguments[arguments.length - 1]; axe.run(document, {resultTypes: ['violations']}).then(done);"
    )
    return [
        f"{one['id']} ({one['impact']}): {one['nodes'][0]['html'][:160]}"
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize("width", [360, 1280])
def test_every_page_is_accessible_fits_and_throws_no_error(
    served: Any, browsers: dict[int, WebDriver], axe: str, soon: Callable[..., Any], width: int
) -> None:
    browser, visit = browsers[width], served.simulated[0][0]["visit"]
    browser.get(f"{served.url}/history")
    assert "Sign in" in browser.title
    assert violations(browser, axe) == []
    browser.get(f"{served.url}/#token={served.desk.access.look}")
    soon(lambda: "Now" in browser.title)
    assert served.desk.access.look not in browser.current_url
    served.write(served.simulated[0][:60], "live-one")
    soon(lambda: browser.find_elements("css selector", "#live .readings li"))
    browser.get_log("browser")
    for path in PAGES:
        browser.get(served.url + path.format(visit=visit))
        if path == "/":
            soon(lambda: browser.find_elements("css selector", "#live .readings li"))
        assert violations(browser, axe) == [], path
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width, path
        wrong = [
            one["message"]
            for one in browser.get_log("browser")
            if one["level"] == "SEVERE" and "404" not in one["message"]
        ]
        assert wrong == [], path


@pytest.mark.parametrize("width", [360, 1280])
def test_a_report_is_accessible_and_fits(
    served: Any, browsers: dict[int, WebDriver], axe: str, tmp_path: Path, width: int
) -> None:
    """From a file: the desk serves it in a sandbox in which not even axe can run."""
    mended = next(
        one
        for one in served.simulated
        if any(event["kind"] == "fix" for event in one) and any(event["kind"] == "memo" for event in one)
    )
    (tmp_path / "report.html").write_text(served.client().get(f"/visit/{mended[0]['visit']}/report.html").text)
    browser = browsers[width]
    browser.get(f"file://{tmp_path}/report.html")
    assert "Before and after" in browser.find_element("css selector", "body").text
    assert violations(browser, axe) == []
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width


def test_history_narrows_and_pages(served: Any) -> None:
    client = served.client()
    technician = served.simulated[0][0]["technician"]
    mine = [one for one in served.simulated if one[0]["technician"] == technician]
    assert f"<p>{len(mine)} visits</p>" in client.get("/history", params={"technician": technician}).text
    seen, path = [], "/history"
    for _ in range(10):
        page = client.get(path).text
        seen += [part.split('"')[0] for part in page.split('<a href="/visit/')[1:]]
        if "Older visits" not in page:
            break
        path = "/history?" + page.split("Older visits")[0].rsplit('href="/history?', 1)[1].split('"')[0].replace(
            "&amp;", "&"
        )
    assert len(seen) == len(set(seen)) == len(served.simulated)
    assert client.get("/history?since=yesterday").status_code == 400


def test_faults_are_those_of_the_journals(served: Any) -> None:
    counted = Counter(
        (found or "", one[0]["equipment"])
        for one in served.simulated
        for found in [_found(one)]
        if found or _sound(one)
    )
    found = across.faults(served.desk.store)["by_family"]
    assert {(fault, family): count for fault, families in found.items() for family, count in families.items()} == dict(
        counted
    )


def _found(events: list[dict[str, Any]]) -> str | None:
    """The fault named at the end, else a danger that stands, else what was mended on the way; by hand."""
    if events[-1]["fault"]:
        return str(events[-1]["fault"])
    titles = {one["step"]: one["check_title"] for one in events if one["kind"] == "reading"}
    told = [f"{titles[step]}: {finding}".replace("_", " ") for step, finding in events[-1]["safety"]]
    assert told or not any(one["kind"] == "fix" for one in events)
    return told[0] if told else None


def _sound(events: list[dict[str, Any]]) -> bool:
    """Every check made, and the last verdict of each of them good."""
    last = {one["step"]: one["outcome"] for one in events if one["kind"] == "verdict"}
    return events[-1]["how"] == "finished" and set(last.values()) == {"pass"}


def test_boards_later_found_good_are_those_of_the_journals(served: Any) -> None:
    """By hand: the next finished visit to the same place within 90 days named another fault."""
    finished = [
        (datetime.fromisoformat(one[0]["at"]), one[0]["site"], _found(one))
        for one in served.simulated
        if _found(one) or _sound(one)
    ]
    wrong = blamed = 0
    for at, site, fault in finished:
        if fault == "board_not_sensing":
            blamed += 1
            after = sorted(
                (other, what)
                for other, where, what in finished
                if where == site and 0 < (other - at).total_seconds() <= 90 * 86_400
            )
            wrong += bool(after) and after[0][1] not in (None, "board_not_sensing")
    found = across.boards(served.desk.store)
    assert (found["condemned"], found["outcome"]["wrong"]) == (blamed, wrong)
    assert wrong > 3
    assert sum(found["causes"].values()) == wrong == sum(one["wrong"] for one in found["people"].values())


def test_drift_slopes_are_least_squares(served: Any) -> None:
    """Against numpy's own fit."""
    import numpy as np

    found = across.drift(served.desk.store, "flame_current", 500)
    slopes = {one["site"]: one["slope"] for one in [*found["falling"], *found["rising"]]}
    readings = across.readings_at(served.desk.store, "flame_current", list(slopes))
    assert len(slopes) > 5
    for site, slope in slopes.items():
        years = [at / (365.25 * 86_400_000) for at, _ in readings[site]]
        fitted = np.polyfit(np.array(years) - years[0], [value * 1e6 for _, value in readings[site]], 1)[0]
        assert slope * 1e6 == pytest.approx(fitted, rel=1e-4, abs=1e-6)


def test_monthly_means_are_those_of_the_readings_that_count(served: Any) -> None:
    values: dict[tuple[str, int], list[float]] = {}
    for events in served.simulated:
        begun = datetime.fromisoformat(events[0]["at"])
        for value in [one["value"] for one in _counting(events) if one["probe"] == "flame_current"]:
            values.setdefault((events[0]["equipment"], begun.year * 12 + begun.month - 1), []).append(value)
    found = {
        (family, one["month"]): (one["n"], one["mean"], one["spread"])
        for family, points in across.drift(served.desk.store, "flame_current")["families"].items()
        for one in points
    }
    assert found.keys() == values.keys()
    for key, got in found.items():
        mean = sum(values[key]) / len(values[key])
        spread = math.sqrt(sum((value - mean) ** 2 for value in values[key]) / len(values[key]))
        assert got == (len(values[key]), pytest.approx(mean), pytest.approx(spread, abs=1e-11))


def test_progress_counts_what_went_wrong(served: Any) -> None:
    people = {one["technician"]: one for one in across.progress(served.desk.store)}
    assert len(people) > 1 and sum(one["visits"] for one in people.values()) == len(served.simulated)
    for name, one in people.items():
        mine = [events for events in served.simulated if events[0]["technician"] == name]
        assert one["visits"] == len(mine)
        wrong = sum(
            event["confirmed"]["how"] == "correction"
            for events in mine
            for event in events
            if event["kind"] == "reading"
        )
        counted = sum(month["corrections"] / 100 * _readings(mine, month["month"]) for month in one["months"])
        assert counted == pytest.approx(wrong)


def _readings(visits: list[list[dict[str, Any]]], month: int) -> int:
    """Readings that count: those that were not taken back."""
    there = [
        events
        for events in visits
        if (begun := datetime.fromisoformat(events[0]["at"])).year * 12 + begun.month - 1 == month
    ]
    return sum(len(_counting(events)) for events in there)


def _counting(events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Readings that no later line took back."""
    kept: list[dict[str, Any]] = []
    for one in events:
        if one["kind"] == "reading":
            kept.append(one)
        elif one["kind"] == "retaken":
            kept.remove(next(other for other in reversed(kept) if other["step"] == one["step"]))
    return kept


def test_a_chart_of_odd_numbers_is_still_a_chart() -> None:
    assert charts.over_months([], [], "V", "nothing") == ""
    one = charts.over_months([(24_300, 0.0, 0.0)], [(5.0, "<limit>")], "V", '"quoted"')
    assert "nan" not in one
    assert "&lt;limit&gt;" in one
    assert 'aria-label="&quot;quoted&quot;"' in one
    assert "nan" not in charts.scatter_line([(2020.0, 1.0), (2020.0, 1.0)], None, "same day")
    assert charts.spark([], "nothing") == ""
    assert "nan" not in charts.ribbons(0, [("a", 0, "bad")], "none")


def test_a_danger_and_what_is_missing_are_shown_on_every_page(
    served: Any, browsers: dict[int, WebDriver], axe: str, soon: Callable[..., Any], tmp_path: Path
) -> None:
    events, mended = visit_in(tmp_path / "danger", OPEN_GROUND), visit_in(tmp_path / "mended", MENDED_AND_STOPPED)
    place = next(at for at, one in enumerate(events) if one["kind"] == "safety") + 1
    browser, client = browsers[1280], served.client()
    browser.get(f"{served.url}/#token={served.desk.access.look}")
    served.write(events[:place], "danger")
    soon(
        lambda: (
            "The cabinet may be live."
            in "".join(one.text for one in browser.find_elements("css selector", ".visit .danger"))
        )
    )
    assert violations(browser, axe) == []
    served.write(events[place:], "danger")
    served.write(mended, "mended")
    soon(lambda: client.get("/api/visits/danger").status_code == client.get("/api/visits/mended").status_code == 200)
    soon(lambda: client.get("/api/visits", params={"danger": "true"}).json()["visits"][0]["id"] == "danger")
    listed = client.get("/history", params={"danger": "true", "text": "danger"}).text
    assert (
        'class="mark danger"' in listed
        and "an open ground wire; stopped before the end; not done: Transformer secondary" in listed
    )
    page = client.get("/visit/danger").text
    assert page.index("Turn off the breaker at the panel.") < page.index("Not done: Transformer secondary")
    assert '<div class="verdict alarm">' in page
    page = client.get("/visit/mended").text
    assert (
        "Phasing: stopped to mend swapped transformer wires on the low side. The same check was taken again and is"
        " good." in page
    )
    assert "before the fix" in page and "Moved: thermostat, red jack" in page
    assert 'class="mark open"' in client.get("/history", params={"text": "mended", "outcome": "open"}).text


def test_a_path_in_a_journal_opens_no_file(served: Any, soon: Callable[..., Any]) -> None:
    events = [
        {**served.simulated[0][0], "visit": "odd", "equipment": "/etc/passwd.yaml", "meter": "../../secret.yaml"},
        *served.simulated[0][1:],
    ]
    served.write(events)
    client = served.client()
    soon(lambda: client.get("/api/visits/odd").status_code == 200)
    for path in ("/visit/odd", "/visit/odd/report.html", "/faults", "/drift", "/history"):
        assert client.get(path).status_code == 200, path
    assert "The profile of this furnace is not on this machine." in client.get("/visit/odd/report.html").text


def test_the_page_of_a_visit_tells_whose_work_and_which_furnace(served: Any) -> None:
    first, *rest = served.simulated[0]
    line = {"v": 1, "seq": 2, "at": first["at"], "kind": "details", "company": "<b>Elm Row</b>", "licence": "L-2207"}
    events = [{**first, "visit": "with-details"}, {**line, "read_back": ["licence"]}, *rest]
    import_events(served.desk.store, [Journal(events, False, "")])
    client = served.client()
    with_, without = (client.get(f"/visit/{name}").text for name in ("with-details", first["visit"]))
    assert "L-2207" in with_ and "(typed and read back)" in with_ and "&lt;b&gt;Elm Row&lt;/b&gt;" in with_
    assert "Whose work, on which furnace" in with_ and "Whose work, on which furnace" not in without


def test_lines_that_say_little_are_enough_for_the_page_of_a_visit(served: Any) -> None:
    at = "2026-03-02T09:00:00+00:00"
    kinds = ("said", "heard", "alarm", "memo", "skipped", "fix", "reading", "verdict", "end")
    lines = [{"v": 1, "seq": seq, "at": at, "kind": kind} for seq, kind in enumerate(kinds, start=2)]
    import_events(
        served.desk.store,
        [Journal([{"v": 1, "seq": 1, "at": at, "kind": "visit", "visit": "bare"}, *lines], False, "")],
    )
    answer = served.client().get("/visit/bare")
    assert answer.status_code == 200 and "not named" in answer.text and "None" not in answer.text
    assert served.client().get("/visit/bare/report.html").status_code == 200
