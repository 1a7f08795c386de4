"""The OpenAPI document, the order's JSON Schema, and a page to read made from both. No outside hosts, no vendor page."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from functools import cache, wraps
from pathlib import Path
from typing import Any

from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.csrf import csrf_exempt
from drf_spectacular.generators import SchemaGenerator

from orders.api import guide
from orders.api.problems import PROBLEMS, Problem, answer
from orders.api.shapes import SHARED, STATES, Body
from orders.document import SCHEMA_PATH
from orders.renderers.record_labels import LABELS

_FOLDER = Path(__file__).resolve().parent.parent / "schema"
SCHEMAS = {name: _FOLDER / name for name in ("order-1.0.json", "order-1.1.json")}
NEWEST = "order-1.1.json"  # an order of 1.0 is right by it too


def public(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    """To be read by anybody; another method is a problem, like everywhere under the API's root."""

    @login_not_required
    @csrf_exempt
    @wraps(view)
    def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if request.method not in ("GET", "HEAD"):
            return answer(Problem("method-not-allowed", headers={"Allow": "GET, HEAD"}), request)
        return view(request, *args, **kwargs)

    return guarded


_BODIES = {each.__name__ for each in Body.__subclasses__()}  # what is not named in one of these is refused
_TOLD = {
    "issued": "A new order waits.",
    "cancelled": "The practice has cancelled an order: stop work.",
    "answered": "The practice has answered a question.",
    "rejected": "A finished pair comes back.",
}
_SIGNED_WITH = {
    "webhook-id": "Of the message: a repeat carries the same, take it once.",
    "webhook-timestamp": "Seconds of Unix time, when this try was sent: refuse one that is more than five minutes off.",
    "webhook-signature": "One or more, with spaces between: `v1,` and the Base64 of the HMAC-SHA256.",
}


def _message(kind: str, words: str) -> dict[str, Any]:
    data = {
        "type": "object",
        "required": ["number"],
        "properties": {"number": {"type": "string", "description": "Of the order: fetch it."}},
    }
    schema = {
        "type": "object",
        "required": ["type", "timestamp", "data"],
        "properties": {
            "type": {"const": f"order.{kind}", "description": "What happened."},
            "timestamp": {"type": "string", "format": "date-time", "description": "When it happened."},
            "data": {**data, "description": "Which order, and nothing else."},
        },
    }
    text = {"type": "string"}
    return {
        "post": {
            "summary": words,
            "description": f"{guide.SIGNED}\n\n{guide.TRIED}",
            "parameters": [
                {"name": name, "in": "header", "required": True, "description": said, "schema": text}
                for name, said in _SIGNED_WITH.items()
            ],
            "requestBody": {"required": True, "content": {"application/json": {"schema": schema}}},
            "responses": {
                "2XX": {"description": "Taken."},
                "410": {"description": "No more messages are wanted: the webhook is disabled."},
            },
        }
    }


def _header(words: str, example: str) -> dict[str, Any]:
    return {"description": words, "schema": {"type": "string"}, "example": example}


_HEADERS = {
    "ETag": _header(
        "Of this answer. `If-None-Match` saves its content; that of an order holds in `If-Match` too.", '"5a1b33-1-json"'
    ),
    "Link": _header(
        '`rel="next"`: the next page; left out on the last.', '</api/v1/orders?limit=100&after=4711>; rel="next"'
    ),
    "RateLimit-Policy": _header("Requests (`q`) in seconds (`w`) that the lab has.", '"lab";q=6000;w=60'),
    "RateLimit": _header("Requests left (`r`), and seconds until the count begins anew (`t`).", '"lab";r=5999;t=41'),
    "Retry-After": _header("Seconds to wait before the request is sent again.", "12"),
    "Idempotency-Replayed": _header("`true` where this is the answer of an earlier request with the same key.", "true"),
    "Allow": _header("The methods of this address.", "GET, HEAD"),
    "WWW-Authenticate": _header(
        "RFC 6750; `error` only where a token was sent.", 'Bearer realm="lab API", error="invalid_token"'
    ),
}
_HEADERS_OF = {"200": ("ETag",), "304": ("ETag",), "401": ("WWW-Authenticate",), "405": ("Allow",), "503": ("Retry-After",)}
_TAGS = {
    "lab orders": "What a lab needs: its orders, and what it says of them.",
    "calculations": "Optical calculations, for anybody with a token or signed in. Nothing is stored.",
    "assessments": "Figures and findings for one dispense, and the checks they come from. Nothing is stored.",
}


def _with_headers(operation: dict[str, Any], method: str, path: str) -> None:
    """Each answer with the headers it has and, where it is a problem, with the problems it can be."""
    for status, response in operation["responses"].items():
        names = [
            *_HEADERS_OF.get(status, ()),
            *(("RateLimit-Policy", "RateLimit") if status not in ("401", "500", "503") else ()),
        ]
        if method == "post":
            names = [n for n in names if n != "ETag"]
            if status in ("200", "409", "412"):
                names.append("Idempotency-Replayed")
        elif status == "200" and path.endswith("/orders"):
            names.append("Link")
        if status == "429":
            names.append("Retry-After")
        response["headers"] = {name: {"$ref": f"#/components/headers/{name}"} for name in names}
        if status >= "400":
            response["description"] = " ".join(
                f"`{code}`: {kind.title}. {kind.meaning}" for code, kind in PROBLEMS.items() if kind.status == int(status)
            )
        else:
            response["description"] = (
                "Nothing has changed since `If-None-Match`." if status == "304" else f"{operation['summary']}."
            )


def _named(node: Any, names: dict[str, str]) -> Any:
    """The document with what several answers share under its name, so that a client made from it has a name for it too."""
    if isinstance(node, list):
        return [_named(each, names) for each in node]
    if not isinstance(node, dict):
        return node
    name = names.get(json.dumps(node, sort_keys=True))
    return {"$ref": f"#/components/schemas/{name}"} if name else {key: _named(each, names) for key, each in node.items()}


@cache
def document() -> dict[str, Any]:
    """The whole API by OpenAPI 3.1. Made once a process."""
    made: dict[str, Any] = SchemaGenerator().get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
    made = json.loads(json.dumps(made, default=str))
    for name, schema in made["components"]["schemas"].items():
        if name in _BODIES:
            schema["additionalProperties"] = False
    for path, methods in made["paths"].items():
        for method, operation in methods.items():
            if "lab orders" in operation.get("tags", ()):
                _with_headers(operation, method, path)
    shared = json.loads(json.dumps(SHARED, default=str))
    made["paths"] = _named(made["paths"], {json.dumps(schema, sort_keys=True): name for name, schema in shared.items()})
    made["components"]["schemas"].update(shared)
    made["components"]["headers"] = _HEADERS
    made["webhooks"] = {f"order.{kind}": _message(kind, words) for kind, words in _TOLD.items()}
    made["info"]["description"] = guide.text()
    made["externalDocs"] = {
        "description": "The same for people, with the states, the problems and every value of an order's document, whose JSON Schema"
        f" is at {SCHEMA_PATH}.",
        "url": "/api/v1/docs",
    }
    used = {
        tag for methods in made["paths"].values() for operation in methods.values() for tag in operation.get("tags", ())
    }
    made["tags"] = [{"name": name, "description": words} for name, words in _TAGS.items() if name in used]
    return made


@cache
def _text() -> tuple[str, str]:
    text = json.dumps(document(), ensure_ascii=False, indent=1)
    return text, '"' + hashlib.sha256(text.encode()).hexdigest()[:24] + '"'


def _send(request: HttpRequest, text: str, tag: str, content_type: str) -> HttpResponse:
    headers = {"ETag": tag, "Cache-Control": "no-cache"}
    if tag in request.headers.get("If-None-Match", ""):
        return HttpResponse(status=304, headers=headers)
    return HttpResponse(text, content_type=content_type, headers=headers)


@public
def openapi(request: HttpRequest) -> HttpResponse:
    text, tag = _text()
    return _send(request, text, tag, "application/vnd.oai.openapi+json;version=3.1")


@public
def json_schema(request: HttpRequest, name: str) -> HttpResponse:
    path = SCHEMAS.get(name)
    if path is None:
        return answer(Problem("not-found"), request)
    text = path.read_text(encoding="utf-8")
    return _send(request, text, '"' + hashlib.sha256(text.encode()).hexdigest()[:24] + '"', "application/schema+json")


@public
def page(request: HttpRequest) -> HttpResponse:
    """What the API offers, for people."""
    context = {
        "groups": operations(),
        "problems": PROBLEMS,
        "states": STATES,
        "parts": order_parts(),
        "steps": guide.STEPS,
        "lines": guide.LINES,
        "told": guide.TOLD,
        "signed": guide.SIGNED,
        "tried": guide.TRIED,
        "labels": [each for each in LABELS.values() if not each.why_not],
        "labels_left_out": [each for each in LABELS.values() if each.why_not],
    }
    return render(request, "orders/api_docs.html", context)


def operations() -> list[tuple[str, list[dict[str, Any]]]]:
    """The operations by tag, flattened for a template."""
    spec = document()
    groups: dict[str, list[dict[str, Any]]] = {}
    for path, methods in spec["paths"].items():
        for method, said in methods.items():
            if not isinstance(said, dict) or "responses" not in said:
                continue
            groups.setdefault((said.get("tags") or ["other"])[0], []).append(
                {
                    "id": said.get("operationId", ""),
                    "method": method.upper(),
                    "path": path,
                    "summary": said.get("summary", "").removesuffix("."),
                    "description": said.get("description", ""),
                    "parameters": [
                        {
                            "name": p["name"],
                            "where": p["in"],
                            "description": p.get("description", ""),
                            "type": _type(p.get("schema", {}), spec),
                        }
                        for p in said.get("parameters", [])
                    ],
                    "body": _fields(_body_schema(said), spec),
                    "example": _example(said),
                    "answer": _answer_fields(said, spec),
                    "answers": [
                        {"status": status, "types": ", ".join(r.get("content", {}))}
                        for status, r in sorted(said["responses"].items())
                        if status < "400"
                    ],
                    "problems": ", ".join(sorted(s for s in said["responses"] if s >= "400")) or "none",
                }
            )
    return sorted(groups.items(), key=lambda each: (each[0] != "lab orders", each[0]))  # the page is made for labs


def _body_schema(said: dict[str, Any]) -> dict[str, Any]:
    content = said.get("requestBody", {}).get("content", {})
    return next((c.get("schema", {}) for c in content.values()), {})


def _example(said: dict[str, Any]) -> str:
    """A body to start from, as JSON."""
    content = said.get("requestBody", {}).get("content", {})
    examples = [e["value"] for c in content.values() for e in c.get("examples", {}).values()]
    return json.dumps(examples[0], ensure_ascii=False) if examples else ""


def _answer_fields(said: dict[str, Any], spec: dict[str, Any]) -> list[dict[str, Any]]:
    """What stands in the JSON of an answer, by path, for the addresses of labs."""
    if "lab orders" not in said.get("tags", ()):
        return []
    schema = said["responses"].get("200", {}).get("content", {}).get("application/json", {}).get("schema", {})
    rows: list[dict[str, Any]] = []

    def walk(at: str, inner: dict[str, Any]) -> None:
        found = _resolved(inner, spec)
        words, type_ = found.get("description", ""), _type(found, spec)
        within = next((s for s in found.get("anyOf", [found]) if s.get("type") in ("object", "array")), found)
        if within.get("type") == "array":
            at, within = f"{at}[]", _resolved(within["items"], spec)
        if at and not (within is not found and within.get("type") == "object" and found.get("type") == "array"):
            rows.append({"name": at, "type": type_, "description": words})
        for name, deeper in within.get("properties", {}).items():
            walk(f"{at}.{name}" if at else name, deeper)

    walk("", schema)
    return rows


def _resolved(schema: dict[str, Any], spec: dict[str, Any]) -> dict[str, Any]:
    while "$ref" in schema:
        here: Any = spec
        for step in schema["$ref"].removeprefix("#/").split("/"):
            here = here[step.replace("~1", "/").replace("~0", "~")]
        schema = here
    if "allOf" in schema and len(schema["allOf"]) == 1:
        return {**_resolved(schema["allOf"][0], spec), **{k: v for k, v in schema.items() if k != "allOf"}}
    return schema


def _type(schema: dict[str, Any], spec: dict[str, Any]) -> str:
    schema = _resolved(schema, spec)
    if "const" in schema:
        return json.dumps(schema["const"])
    if "enum" in schema:
        return ", ".join(str(e) for e in schema["enum"] if e is not None) + (" or null" if None in schema["enum"] else "")
    if "anyOf" in schema:
        return " or ".join(dict.fromkeys(_type(s, spec) for s in schema["anyOf"]))
    kind = schema.get("type", "any")
    if isinstance(kind, list):
        return " or ".join(kind)
    if kind == "array":
        return "list of " + _type(schema.get("items", {}), spec)
    return f"{kind} ({schema['format']})" if "format" in schema else str(kind)


def _fields(schema: dict[str, Any], spec: dict[str, Any]) -> list[dict[str, Any]]:
    schema = _resolved(schema, spec)
    needed = schema.get("required", [])
    return [
        {
            "name": name,
            "type": _type(inner, spec),
            "needed": name in needed,
            "description": _resolved(inner, spec).get("description", ""),
        }
        for name, inner in schema.get("properties", {}).items()
    ]


@cache
def order_parts() -> list[dict[str, Any]]:
    """Every value of an order's document, by its path, from the JSON Schema."""
    schema = json.loads(SCHEMAS[NEWEST].read_text(encoding="utf-8"))
    rows: list[dict[str, Any]] = []

    def walk(at: str, inner: dict[str, Any]) -> None:
        words = inner.get("description", "")
        found = _resolved(inner, schema)
        nullable = ""
        if "anyOf" in found:
            nullable = " or null"
            words = words or found.get("description", "")
            found = _resolved(found["anyOf"][0], schema)
        if found.get("type") == "array" and found["items"].get("type") == "object":
            at, found = at + "[]", found["items"]
        if "properties" in found:
            for name, deeper in found["properties"].items():
                if at == "lenses" and name == "left":
                    continue  # the same as right
                walk(f"{at}.{name}" if at else name, deeper)
            return
        rows.append(
            {
                "path": at.replace("lenses.right", "lenses.{right,left}"),
                "type": _type(found, schema) + nullable,
                "description": words or found.get("description", ""),
                "example": (found.get("examples") or [""])[0],
            }
        )

    walk("", schema)
    return rows
