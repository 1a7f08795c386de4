"""What goes in and comes out of the lab API: serializers for bodies, and the words of the OpenAPI document beside them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, OpenApiTypes
from rest_framework import serializers

from orders.api.problems import CONTENT_TYPE, PROBLEMS, TYPE
from orders.converters import NUMBER
from orders.lab_progress import BATCH
from orders.models import Order, Question
from orders.renderers.json_text import _day, _moment


class LabScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "orders.api.auth.LabAuthentication"
    name = "labToken"

    def get_security_definition(self, auto_schema: Any) -> dict[str, Any]:
        return {
            "type": "http",
            "scheme": "bearer",
            "description": "A token of the lab (`dl_…`), shown once when it was made. It has the scope `orders:read`, or both"
            " `orders:read` and `orders:write`; whatever is said with `POST` needs `orders:write`.",
        }


# --- in -------------------------------------------------------------------------------------------------------------------


NO_OBJECT = "The body has to be a JSON object."


class Body(serializers.Serializer[Any]):
    """A body in which nothing is passed over: a name that is not known is a slip, and what it was to say would be lost."""

    default_error_messages = {"invalid": NO_OBJECT}

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


# a line end and a tab are writing; the last two turn letters and figures round, so that 95 reads as 59
_CONTROL = re.compile(r"[\x01-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202d\u202e]")


class Text(serializers.CharField):
    """Text that was sent as text: a number is no string, and its digits might be all that somebody meant to keep."""

    default_error_messages = {
        "invalid": "Text is needed, in quotation marks.",
        "control": "There is a control character in it.",
        "blank": "Write something.",
        "max_length": "At most {max_length} characters.",
    }

    def to_internal_value(self, data: Any) -> str:
        if not isinstance(data, str):
            self.fail("invalid")
        if _CONTROL.search(data):
            self.fail("control")
        return str(super().to_internal_value(data))


class Day(serializers.DateField):
    """A calendar day written in full (RFC 3339, full-date): not 2026-12-4, which the format of the document does not let through."""

    def to_internal_value(self, value: Any) -> Any:
        if isinstance(value, str) and not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value):
            self.fail("invalid", format="YYYY-MM-DD")
        return super().to_internal_value(value)  # type: ignore[no-untyped-call]


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
        help_text="`in_work` once work has begun, `dispatched` once the pair has left.",
    )
    tracking = Text(
        max_length=120,
        required=False,
        default="",
        allow_blank=True,
        help_text="The carrier's number, as the branch would type it. With the same state again: a correction, kept beside the first.",
    )
    note = Text(
        max_length=400, required=False, default="", allow_blank=True, help_text="Words for the branch, shown with the step."
    )


class PromiseIn(Body):
    on = Day(
        help_text="The day the lab means to dispatch, not past and within a year.",
        input_formats=["%Y-%m-%d"],
        error_messages={"invalid": "A day as 2026-12-14."},
    )
    note = Text(
        max_length=400, required=False, default="", allow_blank=True, help_text="Words for the branch, shown with the day."
    )


class CannotMakeIn(Body):
    reason = Text(max_length=400, help_text="Why, in words for the branch: what would have to be otherwise.")


class QuestionIn(Body):
    text = Text(max_length=400, help_text="One question, in words. The same words while it is open are the same question.")
    field = Text(
        max_length=80,
        required=False,
        default="",
        allow_blank=True,
        help_text="Path in the document that the question is about, to a value or a part: `lenses.right.ordered.axis`, `frame`,"
        " `frame.drill_points[0]`. One that the order does not have is refused; leave it out where none fits.",
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
_INSTANT = {"type": "string", "format": "date-time", "description": "RFC 3339, in UTC, to the second."}
_WHEN_AND_WHY = _object(at=_INSTANT, reason={"type": "string", "description": "In the words of the branch."})
_NUMBER_OUT = {
    "type": "string",
    "description": "Order number: unique within the practice, and the same in the document and on the tray label.",
}
_WAITING = {
    "type": "boolean",
    "description": "The lab has not yet said that it has the order, or that it knows of its cancellation or rejection.",
}
_VERSION = {"type": "integer", "description": "Grows with every change of the state; the document never changes."}
_PROMISED = {
    "type": ["string", "null"],
    "format": "date",
    "description": "The day the lab has promised to dispatch; null while it has not.",
}
_STATE_OUT = {**_STATE, "description": " ".join(f"`{state.value}`: {words}" for state, words in STATES.items())}
_SUMMARY = _object(
    number=_NUMBER_OUT,
    state=_STATE_OUT,
    waiting=_WAITING,
    version=_VERSION,
    promised_on=_PROMISED,
)
_ENVELOPE = _object(
    number=_NUMBER_OUT,
    state=_STATE_OUT,
    waiting=_WAITING,
    feed_position={
        "type": "integer",
        "description": "Place in the feed of this lab: a new one, and the highest, with every piece of news from the practice"
        " (issued, answered, cancelled, rejected). Places may be left out; their order is what counts.",
    },
    version=_VERSION,
    issued_at=_INSTANT,
    promised_on=_PROMISED,
    cancelled={
        "anyOf": [_WHEN_AND_WHY, {"type": "null"}],
        "description": "When and why the practice took the order back; null while it stands.",
    },
    rejected={
        "anyOf": [_WHEN_AND_WHY, {"type": "null"}],
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
    id={"type": "integer", "description": "Of the question, for ever."},
    text={"type": "string", "description": "As it was asked."},
    field={"type": "string", "description": "Path in the document, as it was given; empty where none was."},
    asked_at=_INSTANT,
    answer={"type": ["string", "null"], "description": "The words of the branch; null while it has not answered."},
    answered_at={
        "type": ["string", "null"],
        "format": "date-time",
        "description": "RFC 3339, in UTC; null while the branch has not answered.",
    },
)
_PROBLEM = _object(
    ["type", "title", "status"],
    type={
        "type": "string",
        "description": "Which problem, for a program to go by; relative to the address of the API. One of: "
        + ", ".join(f"`{TYPE}{code}`" for code in PROBLEMS)
        + ".",
    },
    title={"type": "string", "description": "The problem in a few words, always the same for its type."},
    status={"type": "integer", "description": "The HTTP status again."},
    detail={"type": "string", "description": "What was wrong this time, for a person to read."},
    instance={"type": "string", "description": "The path that was asked for."},
    errors={
        "type": "array",
        "description": "Each value that cannot be accepted.",
        "items": _object(
            pointer={"type": "string", "description": "Where in the body: a JSON Pointer (RFC 6901); empty for the whole."},
            detail={"type": "string", "description": "What is wrong with it, or what would be right."},
        ),
    },
)
SHARED = {"Order": _ENVELOPE, "OrderState": _SUMMARY, "Question": _QUESTION, "Problem": _PROBLEM}  # named in the document

_READING = (
    "bad-request",
    "not-authenticated",
    "not-allowed",
    "not-found",
    "method-not-allowed",
    "not-acceptable",
    "too-many",
    "server-error",
    "unavailable",
)
_SAYING = (*_READING, "conflict", "changed-since", "too-large", "media-type", "invalid", "key-reused")


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
                orders={"type": "array", "items": _ENVELOPE, "description": "In the order of `feed_position`."},
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
            "description": "One for each number, in the order in which they were sent; a number sent twice stands once.",
            "items": _object(
                number={"type": "string", "description": "As it was sent."},
                outcome={
                    "type": "string",
                    "enum": ["acknowledged", "already", "cancelled", "not-found"],
                    "description": "`already`: the lab has said so before. `cancelled` and `not-found`: nothing was done.",
                },
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
        {
            (200, "application/json"): _object(
                questions={"type": "array", "items": _QUESTION, "description": "Oldest first."}
            ),
            304: None,
        },
        *_READING,
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
