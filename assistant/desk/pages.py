"""The desk's pages: what each of them shows, and who may look."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode

from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from assistant.desk import asked, figures
from assistant.desk.context import COOKIE, body_of, client_of, desk_of, may_look, same_origin, signed_in
from assistant.desk.errors import Refused
from assistant.desk.received import good_name
from assistant.desk.rendered import moment_text, page
from assistant.records import across
from assistant.records.derive import milliseconds
from assistant.records.queries import counted, difference, listed, visit_copies
from grammar.errors import TwohandsError

PAGE = 40
SOUND = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,60}\.(flac|wav)")


def problem(request: Request, status: int, error: TwohandsError) -> Response:
    """A refusal as a page; somebody who is not signed in is asked to."""
    if status == 401:
        return page("signin.html", 401, here="", wrong=error.problem if request.method == "POST" else "")
    return page("problem.html", status, here="", problem=error.problem, remedy=error.remedy)


async def home(request: Request) -> Response:
    if not signed_in(request):
        return page("signin.html", here="", wrong="")
    return page("now.html", here="now", refused=sorted(desk_of(request).refused.items())[:50])


async def sign_in(request: Request) -> Response:
    same_origin(request)
    form = parse_qs((await body_of(request, 4096)).decode("ascii", "replace"))
    desk = desk_of(request)
    session = desk.access.sign_in(form.get("token", [""])[0].strip(), client_of(request))
    answer = RedirectResponse("/", 303)
    answer.set_cookie(COOKIE, session, httponly=True, samesite="strict", secure=desk.secure, path="/")
    return answer


async def sign_out(request: Request) -> Response:
    same_origin(request)
    desk_of(request).access.sign_out(request.cookies.get(COOKIE))
    answer = RedirectResponse("/", 303)
    answer.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict", secure=desk_of(request).secure)
    return answer


def history(request: Request) -> Response:
    may_look(request)
    store, query = desk_of(request).store, request.query_params
    wanted = asked.wanted(query)
    rows = listed(store, wanted, PAGE + 1, asked.after(query))
    given = {
        key: query.get(key, "")
        for key in ("family", "fault", "outcome", "technician", "site", "since", "until", "text", "conflict", "danger")
    }
    last = rows[PAGE - 1] if len(rows) > PAGE else None
    older = (
        urlencode(
            {
                **{key: value for key, value in given.items() if value},
                "after_at": last["started_at"],
                "after_id": last["id"],
            }
        )
        if last
        else ""
    )
    return page(
        "history.html",
        here="history",
        rows=rows[:PAGE],
        total=counted(store, wanted),
        given=given,
        choices=_kept(request, ("choices",), lambda: across.choices(store)),
        older=older,
        first=asked.after(query) is None,
    )


def visit(request: Request) -> Response:
    from assistant.report.course import Line
    from assistant.report.story import tell

    may_look(request)
    name = request.path_params["visit"]
    found = visit_copies(desk_of(request).store, name)
    differences = [(other, difference(found[0], other)) for other in found[1:]]
    as_text = [
        (
            other,
            part.place + 1,
            *(
                json.dumps(one, ensure_ascii=False, indent=1) if one else "nothing more"
                for one in (part.one, part.other)
            ),
        )
        for other, part in differences
    ]
    spoken = [
        Line(one) for one in found[0].events if one.get("kind") in ("said", "heard", "alarm", "memo", "skipped", "fix")
    ]
    return page(
        "visit.html",
        here="history",
        name=name,
        story=tell(found[0].events, found[0].torn),
        began=moment_text(milliseconds(found[0].events[0].get("at"))),
        differences=as_text,
        spoken=spoken,
        sounds=_sounds(request, name),
    )


def report(request: Request) -> Response:
    may_look(request)
    if request.path_params["kind"] not in ("html", "pdf"):
        raise Refused(404, "There is no such report.", "Ask for report.html or report.pdf.")
    try:
        from assistant.report.page import html, memo_sounds, pdf
        from assistant.report.story import tell
    except ImportError as error:
        raise Refused(
            501,
            f"Reports need the package '{error.name}' on the desk's machine.",
            "Run there: pip install 'twohands[report]'",
        ) from error

    name, desk = request.path_params["visit"], desk_of(request)
    shown = visit_copies(desk.store, name)[0]
    story = tell(shown.events, shown.torn)
    sounds = memo_sounds(story, desk.visits / name) if desk.visits and good_name(name) else {}
    if request.path_params["kind"] == "pdf":
        return Response(
            pdf(story, sounds),
            media_type="application/pdf",
            headers={"Content-Disposition": 'inline; filename="report.pdf"'},
        )
    return HTMLResponse(
        html(story, sounds),
        headers={
            "Content-Security-Policy": (
                "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; media-src data:;"
                " frame-ancestors 'none'"
            )
        },
    )


def sound(request: Request) -> Response:
    """A snippet or memo of a visit that lies on this machine."""
    may_look(request)
    path = _sound_path(request, request.path_params["visit"], request.path_params["file"])
    if path is None or not path.is_file():
        raise Refused(404, "There is no such sound.", "Only sounds of visits on this machine can be heard.")
    return FileResponse(path, media_type="audio/flac" if path.suffix == ".flac" else "audio/wav")


def faults(request: Request) -> Response:
    may_look(request)
    query = request.query_params
    span = asked.month(query, "since"), asked.month(query, "until")
    found = _kept(request, ("faults", *span), lambda: across.faults(desk_of(request).store, *span))
    return page(
        "faults.html",
        here="faults",
        picture=figures.faults(found),
        given={key: query.get(key, "") for key in ("since", "until")},
    )


def boards(request: Request) -> Response:
    may_look(request)
    query = request.query_params
    span = asked.day(query, "since"), asked.day(query, "until")
    found = _kept(request, ("boards", *span), lambda: across.boards(desk_of(request).store, *span))
    return page(
        "boards.html",
        here="boards",
        found=found,
        picture=figures.boards(found),
        given={key: query.get(key, "") for key in ("since", "until")},
    )


def drift(request: Request) -> Response:
    may_look(request)
    store, probe = desk_of(request).store, asked.probe(request.query_params)
    found = _kept(request, ("drift", probe), lambda: across.drift(store, probe, 6))
    readings = across.readings_at(store, probe, [one["site"] for one in [*found["falling"], *found["rising"]]])
    return page(
        "drift.html",
        here="drift",
        probe=probe,
        found=found,
        picture=figures.drift(found, readings),
        probes=across.probes(store, figures.PROBES),
    )


def progress(request: Request) -> Response:
    may_look(request)
    return page(
        "progress.html",
        here="progress",
        people=_kept(request, ("progress",), lambda: figures.progress(across.progress(desk_of(request).store))),
    )


def _kept(request: Request, key: tuple[Any, ...], make: Callable[[], Any]) -> Any:
    desk = desk_of(request)
    return desk.kept.get(desk.store, key, make)


def _sounds(request: Request, visit: str) -> frozenset[str]:
    """Names of the sounds of this visit that lie on this machine."""
    desk = desk_of(request)
    if not desk.visits or not good_name(visit):
        return frozenset()
    return frozenset(f"audio/{path.name}" for path in (desk.visits / visit / "audio").glob("*.flac"))


def _sound_path(request: Request, visit: str, file: str) -> Path | None:
    desk = desk_of(request)
    if not desk.visits or not good_name(visit) or not SOUND.fullmatch(file):
        return None
    base = (desk.visits / visit / "audio").resolve()
    path = (base / file).resolve()
    return path if path.is_relative_to(base) and base.is_relative_to(desk.visits.resolve()) else None


ROUTES = [
    Route("/", home),
    Route("/session", sign_in, methods=["POST"]),
    Route("/session/end", sign_out, methods=["POST"]),
    Route("/history", history),
    Route("/visit/{visit}", visit),
    Route("/visit/{visit}/report.{kind:str}", report),
    Route("/visit/{visit}/audio/{file}", sound),
    Route("/faults", faults),
    Route("/boards", boards),
    Route("/drift", drift),
    Route("/progress", progress),
]
