"""What goes in and comes out of the lab API: serializers for bodies, and the words of the OpenAPI document beside them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, OpenApiTypes
from rest_framework import serializers

from orders.api.problems import CONTENT_TYPE, PROBLEMS
from orders.converters import NUMBER
from orders.lab_progress import BATCH
from orders.models import Order, Question
from orders.renderers.json_text import _day, _moment


class LabScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "orders.api.auth.LabAuthentication"
    name = "labToken"

    def get_security_definition(self, auto_schema: Any) -> dict[str, Any]:
        return {"type": "http", "scheme": "bearer", "description": "A token of the lab, shown once when it was made."}


# --- in -------------------------------------------------------------------------------------------------------------------


class Body(serializers.Serializer[Any]):
    """A body in which nothing is passed over: a name that is not known is a slip, and what it was to say would be lost."""

    default_error_messages = {"invalid": "The body has to be a JSON object."}

    def to_internal_value(self, data: Any) -> Any:
        known = list(self.fields)
        unknown = [str(name) for name in data if name not in known] if isinstance(data, Mapping) else []
        wrong = {name: [f"There is no such field here: {', '.join(known)}."] for name in unknown}
        try:
            values = super().to_internal_value(data)
        except serializers.ValidationError as error:
            if wrong and isinstance(error.detail, dict):
                raise serializers.ValidationError({**error.detail, **wrong}) from error
            raise
        if wrong:
            raise serializers.ValidationError(wrong)
        return values


def _one_of(*choices: str) -> dict[str, Any]:
    return {"invalid_choice": f"One of: {', '.join(choices)}."}


class AcknowledgementIn(Body):
    what = serializers.ChoiceField(
        choices=["order", "cancellation"],
        default="order",
        error_messages=_one_of("order", "cancellation"),
        help_text="What the lab says it has. A cancelled order needs `cancellation`, so that it is not taken by mistake.",
    )


_WELL_FORMED = re.compile(NUMBER)


class Numbers(serializers.ListField):
    """Many order numbers: looked at one by one, with words for each, only where one of them is not in order."""

    def run_child_validation(self, data: Any) -> Any:
        if all(type(each) is str and _WELL_FORMED.fullmatch(each) for each in data):
            return data
        return super().run_child_validation(data)  # type: ignore[no-untyped-call]


class AcknowledgementsIn(Body):
    numbers = Numbers(
        child=serializers.RegexField(
            rf"^{NUMBER}\Z", max_length=24, error_messages={"invalid": "This is not an order number."}
        ),
        min_length=1,
        max_length=BATCH,
        help_text="Order numbers, of new orders and of rejected pairs; a cancellation is confirmed by itself.",
    )


class ProgressIn(Body):
    state = serializers.ChoiceField(
        choices=[Order.State.IN_WORK.value, Order.State.DISPATCHED.value],
        error_messages=_one_of(Order.State.IN_WORK.value, Order.State.DISPATCHED.value),
    )
    tracking = serializers.CharField(max_length=120, required=False, default="", allow_blank=True)
    note = serializers.CharField(max_length=400, required=False, default="", allow_blank=True)


class PromiseIn(Body):
    on = serializers.DateField(
        help_text="The day the lab means to dispatch, not past and within a year.",
        input_formats=["%Y-%m-%d"],
        error_messages={"invalid": "A day as 2026-12-14."},
    )
    note = serializers.CharField(max_length=400, required=False, default="", allow_blank=True)


class CannotMakeIn(Body):
    reason = serializers.CharField(max_length=400)


class QuestionIn(Body):
    text = serializers.CharField(max_length=400)
    field = serializers.CharField(
        max_length=80,
        required=False,
        default="",
        allow_blank=True,
        help_text="Path in the document that the question is about, e.g. `lenses.right.ordered.axis`.",
    )


# --- out ------------------------------------------------------------------------------------------------------------------


def summary(order: Order) -> dict[str, Any]:
    """What an order is now, without its document."""
    return {
        "number": order.number,
        "state": str(order.state),
        "waiting": order.waiting,
        "version": order.version,
        "promised_on": _day(order.promised_on),
    }


def question(row: Question) -> dict[str, Any]:
    return {
        "id": row.pk,
        "text": row.text,
        "field": row.field,
        "asked_at": _moment(row.asked_at),
        "answer": row.answer or None,
        "answered_at": _moment(row.answered_at),
    }


def _object(required: list[str] | None = None, **properties: Any) -> dict[str, Any]:
    return {"type": "object", "required": list(properties) if required is None else required, "properties": properties}


STATES = {  # what each says to a lab
    Order.State.ISSUED: "New: the lab has not said that it has it.",
    Order.State.ACKNOWLEDGED: "The lab has it.",
    Order.State.IN_WORK: "The lab has begun, as it reported.",
    Order.State.DISPATCHED: "The lab has sent it, as it reported.",
    Order.State.RECEIVED: "The branch has the pair and checks it. From here on the lab has nothing more to say.",
    Order.State.REJECTED: "The finished pair comes back to the lab: `rejected` says why. It is made again under the same number;"
    " acknowledge that you know, then report progress as before.",
    Order.State.PASSED: "The pair was found right.",
    Order.State.COLLECTED: "The client has the spectacles.",
    Order.State.RETURNED: "The client came back, and the pair is made again: that is another order, which names this one.",
    Order.State.CANNOT_MAKE: "The lab has given the order back.",
    Order.State.CANCELLED: "The practice has cancelled it: `cancelled` says why. Stop work, and acknowledge the cancellation.",
}
FORMS = ("json", "pdf", "fhir", "fhir-r4b", "fhir-r5", "records")
_STATE = {"type": "string", "enum": list(Order.State.values)}
_INSTANT = {"type": "string", "format": "date-time"}
_SUMMARY = _object(
    number={"type": "string"},
    state=_STATE,
    waiting={"type": "boolean", "description": "The lab has not yet said that it has the order, or its cancellation."},
    version={"type": "integer"},
    promised_on={"type": ["string", "null"], "format": "date"},
)
_ENVELOPE = _object(
    number={"type": "string"},
    state=_STATE,
    waiting={"type": "boolean"},
    feed_position={
        "type": "integer",
        "description": "Grows with every piece of news from the practice: issued, answered, cancelled, rejected.",
    },
    version={"type": "integer"},
    issued_at=_INSTANT,
    promised_on={"type": ["string", "null"], "format": "date"},
    cancelled={"anyOf": [_object(at=_INSTANT, reason={"type": "string"}), {"type": "null"}]},
    rejected={
        "anyOf": [_object(at=_INSTANT, reason={"type": "string"}), {"type": "null"}],
        "description": "The finished pair was sent back: when and why, with what was measured. It is made again under the same"
        " number: report progress as before.",
    },
    sha256={"type": "string", "description": "Of the document in canonical form (RFC 8785), as UTF-8."},
    schema={"type": "string", "description": "Address of the document's JSON Schema."},
    document={
        "type": "object",
        "description": "The order as it was signed, by the JSON Schema at `/api/v1/schemas/order-1.1.json`.",
    },
)
_QUESTION = _object(
    id={"type": "integer"},
    text={"type": "string"},
    field={"type": "string"},
    asked_at=_INSTANT,
    answer={"type": ["string", "null"]},
    answered_at={"type": ["string", "null"], "format": "date-time"},
)
_PROBLEM = _object(
    ["type", "title", "status"],
    type={"type": "string"},
    title={"type": "string"},
    status={"type": "integer"},
    detail={"type": "string"},
    instance={"type": "string"},
    errors={"type": "array", "items": _object(pointer={"type": "string"}, detail={"type": "string"})},
)

_READING = (
    "bad-request",
    "not-authenticated",
    "not-allowed",
    "not-found",
    "method-not-allowed",
    "not-acceptable",
    "too-many",
)
_SAYING = (*_READING, "conflict", "changed-since", "too-large", "media-type", "invalid")


def _responses(ok: dict[Any, Any], *codes: str) -> dict[Any, Any]:
    statuses = sorted({PROBLEMS[c].status for c in codes})
    return {**ok, **{(s, CONTENT_TYPE): _PROBLEM for s in statuses}}


def _query(name: str, description: str, schema: Any, **kw: Any) -> OpenApiParameter:
    return OpenApiParameter(name, schema, OpenApiParameter.QUERY, description=description, **kw)


_NUMBER = OpenApiParameter(
    "number", {"type": "string", "pattern": f"^{NUMBER}$"}, OpenApiParameter.PATH, description="Order number."
)
_IF_NONE = OpenApiParameter(
    "If-None-Match", str, OpenApiParameter.HEADER, description="An `ETag` seen before; 304 when nothing has changed."
)
_ONCE = OpenApiParameter(
    "Idempotency-Key",
    {"type": "string", "pattern": r"^[\x21-\x7e]{1,120}$"},
    OpenApiParameter.HEADER,
    description="Repeat a request that had no answer with the same key: it is done once and answered alike, for seven days.",
)
_IF = OpenApiParameter(
    "If-Match", str, OpenApiParameter.HEADER, description="The `ETag` of the order that was read; 412 when it has changed."
)


def _said(
    operation: str, summary: str, description: str, body: Any, ok: Any, example: dict[str, Any], *, one: bool = True
) -> dict[str, Any]:
    return {
        "examples": [OpenApiExample("example", value=example, request_only=True)],
        "operation_id": operation,
        "summary": summary,
        "description": description,
        "request": {"application/json": body},
        "parameters": [*([_NUMBER, _IF] if one else []), _ONCE],
        "responses": _responses({(200, "application/json"): ok}, *_SAYING),
        "tags": ["lab orders"],
    }


ORDERS: dict[str, Any] = {
    "operation_id": "list_orders",
    "summary": "Orders of this lab",
    "description": (
        "Oldest news first. By default what waits for an acknowledgement: new orders, finished pairs that come back, and"
        " cancellations the lab has not yet confirmed. With `waiting=any` it is the whole feed: keep `last` and give it as `after` next time, and nothing is skipped"
        " or met twice. A cancelled, answered or rejected order comes up again at a new position."
    ),
    "parameters": [
        _query(
            "after", "`last` of the page before; 0, or nothing, to begin.", {"type": "integer", "minimum": 0, "default": 0}
        ),
        _query(
            "limit",
            "Orders a page: 1 to 500, 100 unless said.",
            {"type": "integer", "minimum": 1, "maximum": 500, "default": 100},
        ),
        _query(
            "waiting",
            "What waits for an acknowledgement (`true`, unless said), what does not, or all of it.",
            {"type": "string", "enum": ["true", "false", "any"], "default": "true"},
        ),
        _query("state", "Only these states; may be given several times.", {"type": "array", "items": _STATE}, explode=True),
        _IF_NONE,
    ],
    "responses": _responses(
        {
            (200, "application/json"): _object(
                orders={"type": "array", "items": _ENVELOPE},
                last={"type": "integer", "description": "Position of the last order here, or `after`."},
                more={"type": "boolean", "description": 'Another page follows; `Link: rel="next"` leads there.'},
            ),
            304: None,
        },
        *_READING,
    ),
    "tags": ["lab orders"],
}
ONE_ORDER: dict[str, Any] = {
    "operation_id": "get_order",
    "summary": "One order, as JSON, PDF, FHIR or record text",
    "description": (
        "By `Accept` or by suffix: `.json`, `.pdf`, `.fhir-r4b`, `.fhir-r5`, `.records`. The document inside the JSON is sent as it was"
        " signed. FHIR is a Bundle of a VisionPrescription and a DeviceRequest for each lens; what FHIR has no place for stands"
        " in extensions named `urn:datumline:lens-order:1.0:…`."
        " A cancelled order has no PDF and no record text (409)."
        " Record text (`text/plain`) is an unverified profile of the industry's open Data Communication Standard: 406 unless the"
        " practice has switched it on for this lab. Its labels are listed below; try it with orders that are not made."
    ),
    "parameters": [
        _NUMBER,
        _IF_NONE,
        _query("format", "In place of `Accept`: `pdf` as `.pdf`.", {"type": "string", "enum": list(FORMS)}),
    ],
    "responses": _responses(
        {
            (200, "application/json"): _ENVELOPE,
            (200, "application/pdf"): OpenApiTypes.BINARY,
            (200, "application/fhir+json"): {"type": "object"},
            (200, "text/plain"): {"type": "string"},
            304: None,
        },
        *_READING,
        "order-cancelled",
        "conflict",
    ),
    "tags": ["lab orders"],
}
ACKNOWLEDGEMENT = _said(
    "acknowledge_order",
    "Say that the lab has the order",
    "Saying it twice is the same as once. Store the order before you say so. Without a body it is an order that is meant.",
    AcknowledgementIn,
    _SUMMARY,
    {"what": "order"},
)
ACKNOWLEDGEMENTS = _said(
    "acknowledge_orders",
    "Say that the lab has many orders",
    f"Up to {BATCH} at once, in one transaction; every number has its outcome, and one that is not in order does not hinder the others."
    " `cancelled`: nothing was acknowledged, confirm the cancellation by itself. `not-found`: no such order at this lab.",
    AcknowledgementsIn,
    _object(
        orders={
            "type": "array",
            "items": _object(
                number={"type": "string"},
                outcome={"type": "string", "enum": ["acknowledged", "already", "cancelled", "not-found"]},
            ),
        }
    ),
    {"numbers": ["SM-000147", "SM-000148"]},
    one=False,
)
PROGRESS = _said(
    "report_progress",
    "Say how far the order is",
    "`in_work`, or `dispatched` with the carrier's tracking number. An order moves forward only; a step may be left out.",
    ProgressIn,
    _SUMMARY,
    {"state": "dispatched", "tracking": "QK 4471 0093"},
)
PROMISE = _said(
    "promise_order",
    "Say when it will be dispatched",
    "A new day replaces the old one.",
    PromiseIn,
    _SUMMARY,
    {"on": "2026-12-14", "note": "The blank comes on Thursday."},
)
CANNOT_MAKE = _said(
    "return_order",
    "Say that the lab cannot make it",
    "The order goes back to the branch with the reason.",
    CannotMakeIn,
    _SUMMARY,
    {"reason": "No blank of 80 mm in this material."},
)
QUESTIONS_GET: dict[str, Any] = {
    "operation_id": "list_questions",
    "summary": "Questions about this order and their answers",
    "parameters": [_NUMBER, _IF_NONE],
    "responses": _responses(
        {(200, "application/json"): _object(questions={"type": "array", "items": _QUESTION}), 304: None}, *_READING
    ),
    "tags": ["lab orders"],
}
QUESTIONS_POST = _said(
    "ask_question",
    "Put a question to the branch",
    "The answer is words: the order comes up in the feed again, and `GET` here shows it. A changed value comes as a new order that"
    " replaces this one.",
    QuestionIn,
    _QUESTION,
    {"text": "Is the axis 95 or 59?", "field": "lenses.right.ordered.axis"},
)
