"""The OpenAPI document of the desk's interface, written out by hand next to the code it describes."""

from __future__ import annotations

from typing import Any

from assistant.desk import received

TEXT = {"type": "string", "maxLength": 200}
NOTHING = {"const": ""}
"""An empty value, as forms send it for what was left blank; it means the same as none."""
DAY = {"anyOf": [{"type": "string", "format": "date"}, NOTHING]}
NAME = {"type": "string", "pattern": f"^{received.NAME}$", "minLength": 1, "maxLength": received.LONGEST_NAME}
ANSWERS = {
    "400": "The request asks for what there is not.",
    "401": "No token, a wrong one, or no session.",
    "404": "There is no such visit.",
    "429": "Too many wrong tokens.",
}


def document() -> dict[str, Any]:
    """OpenAPI 3.1."""
    look: list[dict[str, list[str]]] = [{"look": []}]
    send: list[dict[str, list[str]]] = [{"send": []}]
    filters = [_query(name, TEXT) for name in ("family", "fault", "technician", "site", "text")]
    filters += [
        _query("outcome", {"enum": ["pass", "fail", "close", "open", ""]}),
        _query("since", DAY),
        _query("until", DAY),
        *(_query(name, {"enum": ["true", "false", "1", "0", "on", ""]}) for name in ("conflict", "danger")),
    ]
    limit = _query("limit", {"anyOf": [_whole(1, 500), NOTHING]})
    page = [limit, _query("after_at", {"anyOf": [_whole(-(2**53), 2**53), NOTHING]}), _query("after_id", TEXT)]
    visit = _path("visit", {"type": "string", "minLength": 1, "maxLength": 120})
    names = [_path("sender", NAME), _path("visit", NAME)]
    lines = {
        "type": "object",
        "required": ["place", "events"],
        "additionalProperties": False,
        "properties": {
            "place": {**_whole(0, 999_999), "description": "How many lines came before."},
            "events": {
                "type": "array",
                "minItems": 1,
                "maxItems": 2000,
                "items": {"$ref": "#/components/schemas/Line"},
            },
        },
    }
    count = {"type": "object", "required": ["count"], "properties": {"count": {"type": "integer", "minimum": 0}}}
    paths: dict[str, Any] = {
        "/api/visits": {
            "get": _get(
                "The visits in the store, newest first",
                look,
                [*filters, *page],
                {
                    "type": "object",
                    "required": ["total", "visits"],
                    "properties": {
                        "total": {"type": "integer"},
                        "visits": {"type": "array", "items": {"type": "object"}},
                    },
                },
            )
        },
        "/api/visits/{visit}": {
            "get": _get(
                "One visit in all its copies",
                look,
                [visit],
                {"type": "object", "required": ["copies", "differences"]},
                "404",
            )
        },
        "/api/faults": {
            "get": _get(
                "Finished visits by fault, family and month",
                look,
                [_query("since", DAY), _query("until", DAY)],
                {"type": "object", "required": ["by_family", "by_month", "visits"]},
            )
        },
        "/api/boards": {
            "get": _get(
                "Boards condemned and later found good",
                look,
                [_query("since", DAY), _query("until", DAY), limit],
                {"type": "object", "required": ["condemned", "outcome", "causes", "people", "cases"]},
            )
        },
        "/api/drift": {
            "get": _get(
                "One probe's readings over time",
                look,
                [_query("probe", TEXT), limit],
                {"type": "object", "required": ["families", "falling", "rising"]},
            )
        },
        "/api/progress": {
            "get": _get("Technicians by month", look, [], {"type": "object", "required": ["technicians"]})
        },
        "/api/received/{sender}/{visit}": {
            "get": _get("How many lines of a journal have come", send, names, count, "400"),
            "post": {
                **_get(
                    "Send journal lines; sending them again changes nothing",
                    send,
                    names,
                    count,
                    "400",
                    "409",
                    "413",
                    "507",
                ),
                "requestBody": {"required": True, "content": {"application/json": {"schema": lines}}},
            },
        },
        "/api/openapi.json": {"get": _get("This document", look, [], {"type": "object"})},
        "/api/live": {"get": {**_get("Live lines as server-sent events", look, [], None), "x-stream": True}},
    }
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Twohands desk",
            "version": "1",
            "description": "Visits of one shop. Values are SI, times milliseconds since 1970.",
        },
        "paths": paths,
        "components": {
            "securitySchemes": {
                "look": {"type": "http", "scheme": "bearer", "description": "The look token."},
                "send": {"type": "http", "scheme": "bearer", "description": "The send token; it opens nothing else."},
            },
            "schemas": {
                "Refusal": {
                    "type": "object",
                    "required": ["problem", "remedy"],
                    "properties": {"problem": {"type": "string"}, "remedy": {"type": "string"}},
                },
                "Line": {
                    "type": "object",
                    "required": ["kind", "at"],
                    "properties": {
                        "v": {"type": "integer"},
                        "seq": {"type": "integer"},
                        "at": {"type": "string"},
                        "kind": {"type": "string"},
                    },
                },
            },
        },
    }


def _get(
    summary: str,
    security: list[dict[str, Any]],
    parameters: list[dict[str, Any]],
    schema: dict[str, Any] | None,
    *more: str,
) -> dict[str, Any]:
    kind = "application/json" if schema else "text/event-stream"
    texts = {
        **ANSWERS,
        "409": "Lines are missing, or differ from those sent before.",
        "413": "Too large.",
        "507": "The desk's disk takes no more.",
    }
    refusal = {"application/json": {"schema": {"$ref": "#/components/schemas/Refusal"}}}
    answers = {code: {"description": texts[code], "content": refusal} for code in ("400", "401", "429", *more)}
    return {
        "summary": summary,
        "security": security,
        "parameters": parameters,
        "responses": {
            "200": {"description": "As asked.", "content": {kind: {"schema": schema or {"type": "string"}}}},
            **answers,
        },
    }


def _query(name: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"name": name, "in": "query", "required": False, "schema": schema}


def _path(name: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"name": name, "in": "path", "required": True, "schema": schema}


def _whole(least: int, most: int) -> dict[str, Any]:
    return {"type": "integer", "minimum": least, "maximum": most}
