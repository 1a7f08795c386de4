"""A Case in, figures and findings out: the checks for other systems. Nothing is stored, nobody's record is touched.

The body is a Case as `GET /api/v1/assessments/schema` describes it. Whatever of it cannot be accepted is named by JSON Pointer.
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from typing import Any

import orjson
from django.http import HttpResponse
from rest_framework import parsers
from rest_framework.request import Request

from dispensing.api.calculations import CalculationView, TooLarge, documented, problem
from dispensing.assessment_json import assessment
from dispensing.case_json import MAX_BYTES, CaseError, case_from_text, case_schema
from dispensing.checks import registry


class RawJSON(parsers.BaseParser):
    """The bytes as they came: `case_json` reads them, so that the size is known before anything is built from them."""

    media_type = "application/json"

    def parse(self, stream: Any, media_type: Any = None, parser_context: Any = None) -> Any:
        raw: bytes = stream.read(MAX_BYTES + 1)
        if len(raw) > MAX_BYTES:
            raise TooLarge(f"At most {MAX_BYTES} bytes.")
        return raw


class Assessments(CalculationView):
    parser_classes = [RawJSON]

    @documented(
        "Figures and findings for one dispense. Nothing is stored.",
        400,
        403,
        413,
        415,
        422,
        tag="assessments",
        body="A Case, as /api/v1/assessments/schema describes it.",
    )
    def post(self, request: Request) -> HttpResponse:
        """Figures and findings for the Case in the body."""
        raw = request.data if isinstance(request.data, bytes) else b""
        try:
            case = case_from_text(raw)
        except CaseError as wrong:
            unreadable = set(wrong.errors) == {""} and "Not JSON" in wrong.errors[""]
            return problem(400 if unreadable else 422, request._request, errors=wrong.errors)
        response = HttpResponse(orjson.dumps(assessment(case)), content_type="application/json")
        response["Cache-Control"] = "no-store"
        return response


@cache
def _fixed(which: str) -> tuple[bytes, str]:
    """A document that changes with the program only, and its entity tag."""
    if which == "schema":
        text = json.dumps(case_schema(), ensure_ascii=False).encode()
    else:
        text = json.dumps({"checks": [describe(name) for name in registry()]}, ensure_ascii=False).encode()
    return text, '"' + hashlib.sha256(text).hexdigest()[:24] + '"'


def describe(identifier: str) -> dict[str, Any]:
    """One check as its reference page shows it."""
    check = registry()[identifier]
    parts = check.manual_parts()
    return {
        "identifier": check.identifier,
        "severity": check.severity,
        "summary": check.summary,
        "family": check.family,
        "why": parts["Why"],
        "fires": parts["Fires"],
        "silent": parts["Silent"],
        "source": check.source,
        "confidence": check.confidence,
    }


class Fixed(CalculationView):
    which = ""
    kind = "application/json"

    def fixed(self, request: Request) -> HttpResponse:
        text, tag = _fixed(self.which)
        headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
        if tag in request.headers.get("If-None-Match", ""):
            return HttpResponse(status=304, headers=headers)
        return HttpResponse(text, content_type=self.kind, headers=headers)


class Schema(Fixed):
    """The JSON Schema of a Case."""

    which = "schema"
    kind = "application/schema+json"

    @documented("The JSON Schema of a Case.", tag="assessments", answer="application/schema+json", tagged=True)
    def get(self, request: Request) -> HttpResponse:
        return self.fixed(request)


class Checks(Fixed):
    """Every check, in the order in which they run."""

    which = "checks"

    @documented("Every check: why it matters, when it fires, its source.", tag="assessments", tagged=True)
    def get(self, request: Request) -> HttpResponse:
        return self.fixed(request)
