"""Every page in a real browser, at a telephone's width and at a desk's; what they show against the journals themselves."""

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

PAGES = ["/", "/history", "/faults", "/boards", "/drift", "/drift?probe=ground_path", "/progress", "/visit/{visit}", "/history?text=nothing+like+that", "/nothing"]


def violations(browser: WebDriver, axe: str) -> list[str]:
    browser.execute_script(axe)
    found = browser.execute_async_script("const done = arguments[arguments.length - 1]; axe.run(document, {resultTypes: ['violations']}).then(done);")
    return [f"{one['id']} ({one['impact']}): {one['nodes'][0]['html'][:160]}" for one in found["violations"] if one["impact"] in ("serious", "critical")]


@pytest.mark.parametrize("width", [360, 1280])
def test_every_page_is_accessible_fits_and_throws_no_error(served: Any, browsers: dict[int, WebDriver], axe: str, soon: Callable[..., Any], width: int) -> None:
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
        wrong = [one["message"] for one in browser.get_log("browser") if one["level"] == "SEVERE" and "404" not in one["message"]]
        assert wrong == [], path


@pytest.mark.parametrize("width", [360, 1280])
def test_a_report_is_accessible_and_fits(served: Any, browsers: dict[int, WebDriver], axe: str, tmp_path: Path, width: int) -> None:
    """From a file: the desk serves it in a sandbox in which not even axe can run."""
    mended = next(one for one in served.simulated if any(event["kind"] == "retaken" for event in one) and any(event["kind"] == "memo" for event in one))
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
        path = "/history?" + page.split("Older visits")[0].rsplit('href="/history?', 1)[1].split('"')[0].replace("&amp;", "&")
    assert len(seen) == len(set(seen)) == len(served.simulated)
    assert client.get("/history?since=yesterday").status_code == 400


def test_faults_are_those_of_the_journals(served: Any) -> None:
    counted = Counter((one[-1]["fault"] or "", one[0]["equipment"]) for one in served.simulated if one[-1]["how"] == "finished")
    found = across.faults(served.desk.store)["by_family"]
    assert {(fault, family): count for fault, families in found.items() for family, count in families.items()} == dict(counted)


def test_boards_later_found_good_are_those_of_the_journals(served: Any) -> None:
    """By hand: the next finished visit to the same place within 90 days named another fault."""
    finished = [(datetime.fromisoformat(one[0]["at"]), one[0]["site"], one[-1]["fault"]) for one in served.simulated if one[-1]["how"] == "finished"]
    wrong = blamed = 0
    for at, site, fault in finished:
        if fault == "board_not_sensing":
            blamed += 1
            after = sorted((other, what) for other, where, what in finished if where == site and 0 < (other - at).total_seconds() <= 90 * 86_400)
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
        last = {one["step"]: one["value"] for one in events if one["kind"] == "reading" and one["probe"] == "flame_current"}
        for value in last.values():
            values.setdefault((events[0]["equipment"], begun.year * 12 + begun.month - 1), []).append(value)
    found = {(family, one["month"]): (one["n"], one["mean"], one["spread"]) for family, points in across.drift(served.desk.store, "flame_current")["families"].items() for one in points}
    assert found.keys() == values.keys()
    for key, got in found.items():
        mean = sum(values[key]) / len(values[key])
        spread = math.sqrt(sum((value - mean) ** 2 for value in values[key]) / len(values[key]))
        assert got == (len(values[key]), pytest.approx(mean), pytest.approx(spread, abs=1e-11))


def test_progress_counts_what_went_wrong(served: Any) -> None:
    people = {one["technician"]: one for one in across.progress(served.desk.store)}
    for name, one in people.items():
        mine = [events for events in served.simulated if events[0]["technician"] == name]
        assert one["visits"] == len(mine)
        wrong = sum(event["confirmed"]["how"] == "correction" for events in mine for event in events if event["kind"] == "reading")
        counted = sum(month["corrections"] / 100 * _readings(mine, month["month"]) for month in one["months"])
        assert counted == pytest.approx(wrong)


def _readings(visits: list[list[dict[str, Any]]], month: int) -> int:
    """Readings that count: the last of each step."""
    there = [events for events in visits if (begun := datetime.fromisoformat(events[0]["at"])).year * 12 + begun.month - 1 == month]
    return sum(len({one["step"] for one in events if one["kind"] == "reading"}) for events in there)


def test_a_chart_of_odd_numbers_is_still_a_chart() -> None:
    assert charts.over_months([], [], "V", "nothing") == ""
    one = charts.over_months([(24_300, 0.0, 0.0)], [(5.0, "<limit>")], "V", '"quoted"')
    assert "nan" not in one
    assert "&lt;limit&gt;" in one
    assert 'aria-label="&quot;quoted&quot;"' in one
    assert "nan" not in charts.scatter_line([(2020.0, 1.0), (2020.0, 1.0)], None, "same day")
    assert charts.spark([], "nothing") == ""
    assert "nan" not in charts.ribbons(0, [("a", 0, "bad")], "none")


def test_a_path_in_a_journal_opens_no_file(served: Any, soon: Callable[..., Any]) -> None:
    events = [{**served.simulated[0][0], "visit": "odd", "equipment": "/etc/passwd.yaml", "meter": "../../secret.yaml"}, *served.simulated[0][1:]]
    served.write(events)
    client = served.client()
    soon(lambda: client.get("/api/visits/odd").status_code == 200)
    for path in ("/visit/odd", "/visit/odd/report.html", "/faults", "/drift", "/history"):
        assert client.get(path).status_code == 200, path
    assert "The profile of this furnace is not on this machine." in client.get("/visit/odd/report.html").text
