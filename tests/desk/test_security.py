"""What the desk refuses: wrong tokens, stolen sessions, paths that lead out, pages of others, scripts in names."""

from __future__ import annotations

import copy
import http.client
from collections.abc import Callable
from typing import Any

import pytest
from selenium.webdriver.chrome.webdriver import WebDriver

from assistant.desk.received import good_name
from assistant.visit.journal import read

PAGES = [
    "/history",
    "/faults",
    "/boards",
    "/drift",
    "/progress",
    "/visit/{visit}",
    "/visit/{visit}/report.html",
    "/visit/{visit}/report.pdf",
    "/visit/{visit}/audio/0001.flac",
]
CALLS = [
    "/api/visits",
    "/api/visits/{visit}",
    "/api/faults",
    "/api/boards",
    "/api/drift",
    "/api/progress",
    "/api/live",
    "/api/openapi.json",
]
HOSTILE = '"><script>window.hacked = 1</script><img src=x onerror="window.hacked = 2">{{7*7}}'


def raw(
    url: str, method: str, path: str, headers: dict[str, str] | None = None, body: bytes | None = None
) -> tuple[int, bytes]:
    """A request that no library has tidied."""
    connection = http.client.HTTPConnection(url.split("//")[1], timeout=20)
    connection.putrequest(method, path, skip_host=True)
    for name, value in {"Host": url.split("//")[1], **(headers or {})}.items():
        connection.putheader(name, value)
    if body is not None:
        connection.putheader("Content-Length", str(len(body)))
    connection.endheaders(body)
    answer = connection.getresponse()
    return answer.status, answer.read()


@pytest.mark.parametrize("path", PAGES + CALLS)
def test_nothing_is_shown_without_a_session(served: Any, path: str) -> None:
    path = path.format(visit=served.simulated[0][0]["visit"])
    nobody = served.client(signed_in=False)
    answer = nobody.get(path)
    assert answer.status_code == 401
    assert served.simulated[0][0]["technician"] not in answer.text
    assert nobody.get(path, headers={"Cookie": "twohands_desk=forged"}).status_code == 401
    assert nobody.get(path, headers=served.send).status_code == 401


def test_a_wrong_token_is_refused(served: Any) -> None:
    nobody = served.client(signed_in=False)
    answer = nobody.post("/session", data={"token": served.desk.access.look[:-1]})
    assert answer.status_code == 401
    assert "set-cookie" not in answer.headers
    assert "The token is wrong." in answer.text
    for headers in ({"Authorization": "Bearer wrong"}, {"Authorization": "Basic eDp5"}, {"Authorization": ""}):
        assert nobody.get("/api/visits", headers=headers).status_code == 401


def test_a_stolen_session_is_refused_and_the_owner_is_signed_out(served: Any) -> None:
    owner = served.client("the owner's browser")
    assert owner.get("/history").status_code == 200
    stolen = {"Cookie": f"twohands_desk={owner.cookies['twohands_desk']}"}
    assert served.client("the thief's browser", signed_in=False).get("/history", headers=stolen).status_code == 401
    assert owner.get("/history").status_code == 401


def test_a_session_is_over_after_signing_out(served: Any) -> None:
    owner = served.client()
    stolen = {"Cookie": f"twohands_desk={owner.cookies['twohands_desk']}"}
    assert owner.post("/session/end").status_code == 303
    assert served.client(signed_in=False).get("/history", headers=stolen).status_code == 401


def test_the_cookie_is_out_of_reach_of_scripts_and_other_pages(served: Any) -> None:
    answer = served.client(signed_in=False).post("/session", data={"token": served.desk.access.look})
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


def test_another_page_cannot_sign_in_or_out_for_somebody(served: Any) -> None:
    owner = served.client()
    for headers in ({"Origin": "https://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}, {"Origin": "null"}):
        assert owner.post("/session", data={"token": served.desk.access.look}, headers=headers).status_code == 403
        assert owner.post("/session/end", headers=headers).status_code == 403
    assert owner.get("/history").status_code == 200


def test_a_name_that_points_here_from_elsewhere_is_refused(served: Any) -> None:
    """DNS rebinding: a page of another name must not be able to talk to the desk as its own."""
    for host in ("evil.example", "evil.example:80", "", "127.0.0.1.evil.example"):
        assert raw(served.url, "GET", "/api/visits", {"Host": host, **served.look})[0] == 421
    for host in ("localhost", "127.0.0.1:1", "[::1]:8765"):
        assert raw(served.url, "GET", "/api/visits", {"Host": host, **served.look})[0] == 200


TRAVERSALS = [
    "../../etc/passwd",
    "..%2f..%2fetc%2fpasswd",
    "%2e%2e/%2e%2e/etc/passwd",
    "....//etc/passwd",
    "..\\..\\etc\\passwd",
    "/etc/passwd",
    "%00",
    "..%00.flac",
    "%c0%ae%c0%ae%c0%afetc",
    "..;/etc/passwd",
]


@pytest.mark.parametrize("bad", TRAVERSALS)
def test_paths_do_not_lead_out(served: Any, bad: str) -> None:
    (served.visits.parent / "secret.flac").write_bytes(b"TOP SECRET root:x:0")
    (served.visits / "v" / "audio").mkdir(parents=True, exist_ok=True)
    places = [
        f"/static/{bad}",
        f"/visit/{bad}",
        f"/visit/v/audio/{bad}",
        f"/visit/{bad}/audio/secret.flac",
        f"/visit/v/audio/../../../{bad}",
        f"/api/visits/{bad}",
        "/visit/v/audio/..%2f..%2f..%2fsecret.flac",
    ]
    for path in places:
        status, body = raw(served.url, "GET", path, served.look)
        assert status in (400, 404), path
        assert b"root:x:0" not in body
    for path in (f"/api/received/{bad}/v", f"/api/received/m/{bad}"):
        status, _ = raw(
            served.url,
            "POST",
            path,
            {**served.send, "Content-Type": "application/json"},
            b'{"place":0,"events":[{"kind":"visit","at":"x","visit":"v"}]}',
        )
        assert status in (400, 404, 405), path
    assert {path.name for path in served.desk.received.folder.iterdir()} == set()


def test_a_link_inside_a_visit_folder_does_not_lead_out(served: Any) -> None:
    (served.visits.parent / "secret.flac").write_bytes(b"TOP SECRET")
    (served.visits / "v" / "audio").mkdir(parents=True)
    (served.visits / "v" / "audio" / "0001.flac").symlink_to(served.visits.parent / "secret.flac")
    assert served.client().get("/visit/v/audio/0001.flac").status_code == 404


@pytest.mark.parametrize(
    "name", ["", ".", "..", "a/../b", "a\\b", "-x", "é", "a b", "x" * 81, "a\n", "a..b", "a.", ".a", "con\x00"]
)
def test_names_that_may_not_become_folders(name: str) -> None:
    assert not good_name(name)


def test_every_answer_carries_the_guarding_headers(served: Any) -> None:
    client = served.client()
    for path in ("/", "/history", "/static/desk.js", "/api/visits", "/nothing"):
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert headers["cache-control"] == "no-store"
    report = client.get(f"/visit/{served.simulated[0][0]['visit']}/report.html").headers["content-security-policy"]
    assert report.startswith("sandbox; default-src 'none'")
    assert "script" not in report


def hostile(events: list[dict[str, Any]], name: str) -> list[dict[str, Any]]:
    """A visit in which everything that somebody can name or say is an attack."""
    made = copy.deepcopy(events)
    for one in made:
        for key in (
            "technician",
            "site",
            "equipment_name",
            "meter_name",
            "text",
            "check_title",
            "summary",
            "why",
            "what",
            "problem",
            "fault",
            "how",
            "line",
        ):
            if isinstance(one.get(key), str) and one.get("kind") != "end":
                one[key] = HOSTILE
    made[0]["visit"] = name
    made[-1] |= {"summary": HOSTILE, "fault": HOSTILE}
    made.insert(
        -1, {**made[-2], "kind": "memo", "file": f"audio/{HOSTILE}", "seconds": 1.0, "step": HOSTILE, "text": HOSTILE}
    )
    return made


@pytest.mark.parametrize("width", [1280])
def test_scripts_in_names_and_memos_are_only_text(
    served: Any, browsers: dict[int, WebDriver], soon: Callable[..., Any], names: Any, width: int
) -> None:
    """In a real browser: live, in lists, in a visit, in charts and in the report."""
    name = next(names)
    events = hostile(next(one for one in served.simulated if one[-1]["how"] == "finished"), name)
    browser = browsers[width]
    browser.get(f"{served.url}/#token={served.desk.access.look}")
    soon(lambda: "Now" in browser.title)
    served.write(events)
    soon(lambda: HOSTILE in browser.find_element("css selector", "#live").text)
    soon(lambda: served.client().get(f"/api/visits/{name}").status_code == 200)
    for path in (
        "/",
        "/history",
        f"/visit/{name}",
        "/faults",
        "/boards",
        "/drift",
        "/progress",
        f"/visit/{name}/report.html",
    ):
        browser.get(served.url + path)
        if path == "/":
            soon(lambda: HOSTILE in browser.find_element("css selector", "#live").text)
        assert browser.execute_script("return typeof window.hacked") == "undefined", path
        assert browser.execute_script("return document.querySelectorAll('img[src=\"x\"]').length") == 0, path
    browser.get(f"{served.url}/visit/{name}")
    assert HOSTILE in browser.find_element("css selector", "main").text


def test_sent_lines_that_are_none_are_refused(served: Any) -> None:
    client, url = served.client(signed_in=False), "/api/received/m-1/v-1"
    first = {"v": 1, "seq": 1, "at": "2026-03-02T09:00:00+00:00", "kind": "visit", "visit": "v-1"}
    for body, status in (
        (b"", 400),
        (b"[]", 400),
        (b"\xff\xfe", 400),
        (b"[" * 100_000, 400),
        (b'{"place":0,"events":[]}', 400),
        (b'{"place":0,"events":[{"kind":"visit","at":"x","visit":"another"}]}', 400),
        (b'{"place":0,"events":[{"kind":"visit","at":"x","visit":"v-1","n":NaN}]}', 400),
        (b'{"place":-1,"events":[{}]}', 400),
        (b'{"place":true,"events":[{}]}', 400),
        (b'{"place":5,"events":[{"kind":"said","at":"x"}]}', 409),
        (b" " * 2_000_001, 413),
    ):
        answer = client.post(url, content=body, headers=served.send)
        assert answer.status_code == status, body[:60]
        assert answer.json()["problem"]
    assert client.post(url, json={"place": 0, "events": [first]}, headers=served.send).json() == {"count": 1}
    assert (
        client.post(url, json={"place": 0, "events": [{**first, "site": "rewritten"}]}, headers=served.send).status_code
        == 409
    )
    assert client.get(url, headers=served.send).json() == {"count": 1}


def test_lines_sent_again_are_kept_once(served: Any) -> None:
    """Whole, in part and with new ones behind them."""
    client, url, events = (
        served.client(signed_in=False),
        "/api/received/m-1/v-1",
        [{**served.simulated[0][0], "visit": "v-1"}, *served.simulated[0][1:9]],
    )
    for place, end, count in ((0, 4, 4), (0, 4, 4), (2, 4, 4), (1, 6, 6), (0, 9, 9), (5, 6, 9)):
        assert client.post(url, json={"place": place, "events": events[place:end]}, headers=served.send).json() == {
            "count": count
        }
    kept = read(served.desk.received.path("m-1", "v-1").parent)[0]
    assert kept == events
