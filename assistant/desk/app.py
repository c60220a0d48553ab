"""The desk put together: routes, headers that keep a page to itself, and refusals in plain words."""

from __future__ import annotations

import ipaddress
from pathlib import Path

from starlette.applications import Starlette
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from assistant import colours
from assistant.desk import api, pages
from assistant.desk.background import lifespan
from assistant.desk.context import Desk
from assistant.desk.errors import Refused
from assistant.errors import JournalError
from assistant.records.errors import StoreError, UnknownVisit
from grammar.errors import TwohandsError

HERE = Path(__file__).parent
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self'; connect-src"
        " 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Cache-Control": "no-store",
}


def make_app(desk: Desk) -> Starlette:
    """The ASGI application of one desk."""
    app = Starlette(
        routes=[
            *api.ROUTES,
            *pages.ROUTES,
            Route("/colours.css", _colours),
            Mount("/static", StaticFiles(directory=HERE / "static")),
        ],
        exception_handlers={
            Refused: _refused,
            UnknownVisit: _unknown,
            StoreError: _store,
            JournalError: _journal,
            HTTPException: _http,
        },
        lifespan=lifespan,
    )
    app.state.desk = desk
    app.add_middleware(Guard, desk=desk)
    return app


async def _colours(request: Request) -> Response:
    return Response(colours.css(), media_type="text/css")


class Guard:
    """Answers only to names that are ours, so that no other page can reach the desk by a name it owns; sets the
    headers."""

    def __init__(self, app: ASGIApp, desk: Desk) -> None:
        self._app = app
        self._desk = desk

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                if self._desk.secure:
                    headers.setdefault("Strict-Transport-Security", "max-age=31536000")
            await send(message)

        if any(sign > 0x7E for sign in (*scope["query_string"], *scope.get("raw_path", b""))):
            await PlainTextResponse("That is no address.", 400)(scope, receive, with_headers)
            return
        if not self._ours(Headers(scope=scope).get("host", "")):
            await PlainTextResponse(
                "This desk does not answer to that name. Open it by its address, or start it with --name.", 421
            )(scope, receive, with_headers)
            return
        await self._app(scope, receive, with_headers)

    def _ours(self, host: str) -> bool:
        """An address is always ours: only names can be made to point here by somebody else."""
        name = host.rsplit(":", 1)[0] if host.rsplit(":", 1)[-1].isdigit() else host
        try:
            ipaddress.ip_address(name.strip("[]"))
        except ValueError:
            return name.lower() in self._desk.names
        return True


def _answer(request: Request, status: int, error: TwohandsError) -> Response:
    if request.url.path.startswith("/api/"):
        headers = {"WWW-Authenticate": "Bearer"} if status == 401 else None
        return JSONResponse({"problem": error.problem, "remedy": error.remedy}, status, headers)
    return pages.problem(request, status, error)


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, Refused)  # Starlette calls the handler of just this class
    return _answer(request, error.status, error)


def _unknown(request: Request, error: Exception) -> Response:
    assert isinstance(error, TwohandsError)  # Starlette calls the handler of just this class
    return _answer(request, 404, error)


def _store(request: Request, error: Exception) -> Response:
    assert isinstance(error, TwohandsError)  # Starlette calls the handler of just this class
    return _answer(request, 503, error)


def _journal(request: Request, error: Exception) -> Response:
    assert isinstance(error, TwohandsError)  # Starlette calls the handler of just this class
    return _answer(request, 500, error)


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)  # Starlette calls the handler of just this class
    words = {404: "There is no such page.", 405: "That cannot be done here."}
    answer = _answer(
        request,
        error.status_code,
        TwohandsError(words.get(error.status_code, "That cannot be done."), "Go back to the desk."),
    )
    answer.headers.update(error.headers or {})
    return answer
