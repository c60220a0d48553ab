"""The desk's interface for programs: what the pages show as JSON, the stream of live lines, and the way in for
journals."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from dataclasses import asdict
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, StreamingResponse
from starlette.routing import Route

from assistant.desk import asked
from assistant.desk.background import show
from assistant.desk.context import body_of, desk_of, json_of, may_look, may_send
from assistant.desk.errors import Refused
from assistant.desk.openapi import document
from assistant.errors import JournalError
from assistant.records import across
from assistant.records.packing import finite
from assistant.records.queries import counted, difference, listed, visit_copies

MOST_LINES = 2000
MOST_STREAMS = 100
"""Pages that watch at once; each holds a connection."""
GLANCE = 0.5
"""Seconds between two looks whether the desk is closing."""
BEAT = 15.0
"""Seconds between two empty lines on a quiet stream, so that a lost network is noticed."""


def visits(request: Request) -> JSONResponse:
    may_look(request)
    store, wanted = desk_of(request).store, asked.wanted(request.query_params)
    limit = asked.whole(request.query_params, "limit", 50, 1, 500)
    rows = listed(store, wanted, limit, asked.after(request.query_params))
    return JSONResponse({"total": counted(store, wanted), "visits": rows})


def visit(request: Request) -> JSONResponse:
    may_look(request)
    found = visit_copies(desk_of(request).store, request.path_params["visit"])
    parts = [asdict(difference(found[0], other)) for other in found[1:]]
    return JSONResponse(finite({"copies": [asdict(one) for one in found], "differences": parts}))


def faults(request: Request) -> JSONResponse:
    may_look(request)
    found = across.faults(
        desk_of(request).store, asked.month(request.query_params, "since"), asked.month(request.query_params, "until")
    )
    return JSONResponse(
        {
            **found,
            "by_month": {
                fault: {str(month): count for month, count in months.items()}
                for fault, months in found["by_month"].items()
            },
        }
    )


def boards(request: Request) -> JSONResponse:
    may_look(request)
    return JSONResponse(
        across.boards(
            desk_of(request).store,
            asked.day(request.query_params, "since"),
            asked.day(request.query_params, "until"),
            asked.whole(request.query_params, "limit", 30, 1, 500),
        )
    )


def drift(request: Request) -> JSONResponse:
    may_look(request)
    return JSONResponse(
        across.drift(
            desk_of(request).store,
            asked.probe(request.query_params),
            asked.whole(request.query_params, "limit", 12, 1, 500),
        )
    )


def progress(request: Request) -> JSONResponse:
    may_look(request)
    return JSONResponse({"technicians": across.progress(desk_of(request).store)})


async def live(request: Request) -> StreamingResponse:
    may_look(request)
    desk = desk_of(request)
    if desk.live.listening() >= MOST_STREAMS:
        raise Refused(503, "Too many pages are watching.", "Close some of them.")

    async def stream() -> AsyncIterator[str]:
        yield "retry: 500\n\n"
        quiet = 0.0
        async for message in desk.live.listen(beat=GLANCE):
            if desk.closing():
                return
            quiet = quiet + GLANCE if message is None else 0.0
            if message is not None:
                yield f"data: {json.dumps(message)}\n\n"
            elif quiet >= BEAT:
                quiet = 0.0
                yield ": still here\n\n"

    return StreamingResponse(
        stream(), media_type="text/event-stream", headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    )


async def received_count(request: Request) -> JSONResponse:
    may_send(request)
    return JSONResponse(
        {
            "count": await run_in_threadpool(
                desk_of(request).received.count, request.path_params["sender"], request.path_params["visit"]
            )
        }
    )


async def receive(request: Request) -> JSONResponse:
    may_send(request)
    sender, name = request.path_params["sender"], request.path_params["visit"]
    place, events = _lines(json_of(await body_of(request)))
    desk = desk_of(request)
    count = await run_in_threadpool(desk.received.take, sender, name, place, events)
    try:
        await show(desk, f"{sender}/{name}", desk.received.path(sender, name), place, events)
    except (JournalError, ValueError) as error:
        # The lines are kept, and that is what was asked; only the live view lacks them.
        desk.refused[f"{sender}/{name}"] = str(error)
    return JSONResponse({"count": count})


def openapi(request: Request) -> JSONResponse:
    may_look(request)
    return JSONResponse(document())


def _lines(data: Any) -> tuple[int, list[dict[str, Any]]]:
    """The place and the lines in a body. Raises Refused."""
    if not isinstance(data, dict) or data.keys() != {"place", "events"}:
        raise Refused(400, "The body needs 'place' and 'events' and nothing else.", "See /api/openapi.json.")
    place, events = data["place"], data["events"]
    if not isinstance(place, int) or isinstance(place, bool) or not 0 <= place < 10**6:
        raise Refused(400, "'place' is how many lines came before, from 0.", "See /api/openapi.json.")
    if not isinstance(events, list) or not 1 <= len(events) <= MOST_LINES:
        raise Refused(400, f"'events' is a list of 1 to {MOST_LINES} journal lines.", "See /api/openapi.json.")
    return place, events


ROUTES = [
    Route("/api/openapi.json", openapi),
    Route("/api/visits", visits),
    Route("/api/visits/{visit}", visit),
    Route("/api/faults", faults),
    Route("/api/boards", boards),
    Route("/api/drift", drift),
    Route("/api/progress", progress),
    Route("/api/live", live),
    Route("/api/received/{sender}/{visit}", received_count, methods=["GET"]),
    Route("/api/received/{sender}/{visit}", receive, methods=["POST"]),
]
