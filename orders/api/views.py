"""The lab API: thin callers of `lab_progress`, and stored text sent as it is."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any

from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.utils.http import parse_header_parameters
from django.views.decorators.csrf import csrf_exempt
from drf_spectacular.utils import extend_schema
from rest_framework import renderers, serializers
from rest_framework.request import Request
from rest_framework.views import APIView

from orders import lab_progress, labs
from orders.api import feed, limits, once, problems, shapes
from orders.api.auth import LabAuthentication, lab_of
from orders.api.feed import not_modified, send
from orders.api.problems import Problem
from orders.api.reading import ByWeight, SmallJSON, refuse_encoded
from orders.models import Lab, LabToken, Order
from orders.renderers import fhir, json_text, record_text


class _Form(renderers.BaseRenderer):
    """A form an order can be had in. Only the negotiation uses it; the views answer with bytes of their own."""

    def render(self, data: Any, accepted_media_type: Any = None, renderer_context: Any = None) -> Any:
        return data


class AsJSON(_Form):
    media_type, format = "application/json", "json"


class AsPDF(_Form):
    media_type, format = "application/pdf", "pdf"


class AsFHIR(_Form):
    media_type, format = "application/fhir+json", "fhir"  # the version comes with `fhirVersion`, see fhir_version


class AsRecords(_Form):
    media_type, format, charset = "text/plain", "records", "us-ascii"


class AsFHIRR4B(AsFHIR):
    format = "fhir-r4b"


class AsFHIRR5(AsFHIR):
    format = "fhir-r5"


FHIR_SUFFIXES: dict[str, fhir.Version] = {"fhir-r4b": "4.3", "fhir-r5": "5.0"}
FHIR_ASKED: dict[str, fhir.Version] = {"": "4.3", "4.0": "4.3", "4.3": "4.3", "5.0": "5.0"}  # R4 has the elements of R4B


def fhir_version(request: Request, form: str) -> fhir.Version:
    """By suffix, else by the parameter `fhirVersion` of the accepted media type; R4B when neither says."""
    if form in FHIR_SUFFIXES:
        return FHIR_SUFFIXES[form]
    _, asked = parse_header_parameters(request.accepted_media_type or "")
    version = FHIR_ASKED.get(asked.get("fhirversion", ""))
    if version is None:
        raise Problem("not-acceptable", "FHIR is made in the versions 4.3 and 5.0: `fhirVersion=4.3`.")
    return version


class LabView(APIView):
    """Base: a lab's token, problems for errors, limits, JSON in."""

    authentication_classes = [LabAuthentication]
    parser_classes = [SmallJSON]
    content_negotiation_class = ByWeight
    renderer_classes: list[type[renderers.BaseRenderer]] = [AsJSON]
    http_method_names = ["get", "head", "post"]
    scope = labs.READ
    allowance: limits.Allowance | None = None

    def get_exception_handler(self) -> Callable[..., Any]:
        return problems.handler

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        self.perform_authentication(request)
        if isinstance(request.auth, LabToken):
            self.allowance = limits.count(request.auth.pk, request.auth.digest)
            if self.allowance.used_up:
                raise Problem("too-many", headers={"Retry-After": str(self.allowance.resets_in_s)})
        self.lab: Lab = lab_of(request, labs.WRITE if request.method == "POST" else labs.READ)
        super().initial(request, *args, **kwargs)

    def finalize_response(  # type: ignore[override]
        self, request: Request, response: HttpResponseBase, *args: Any, **kwargs: Any
    ) -> HttpResponseBase:
        response = super().finalize_response(request, response, *args, **kwargs)  # type: ignore[arg-type]
        if self.allowance is not None:
            for name, value in self.allowance.headers().items():
                response[name] = value
        return response

    def values(self, request: Request, serializer: type[serializers.Serializer[Any]]) -> dict[str, Any]:
        """The body, checked; every fault named by a JSON Pointer."""
        refuse_encoded(request)
        if not isinstance(request.data, Mapping):
            raise Problem("invalid", errors={"": shapes.NO_OBJECT})
        form = serializer(data=request.data)
        if not form.is_valid():
            raise Problem("invalid", errors=dict(_pointers("", form.errors)))
        return dict(form.validated_data)

    def only_if(self, request: Request, number: str) -> int | None:
        """The version that If-Match asks for; None without the header. A tag of another order is none of this one's; of several tags
        one that is true is enough (RFC 9110, 13.1.1)."""
        given = request.headers.get("If-Match")
        if given is None or given.strip() == "*":
            return None
        row = Order.objects.filter(lab=self.lab, number=number).values_list("document_sha256", "version").first()
        if row is None:
            raise Problem("not-found")
        versions = set()
        for tag in given.split(","):
            parts = tag.strip().strip('"').split("-")
            if len(parts) == 3 and parts[0] == row[0][:24] and parts[1].isdecimal() and not tag.strip().startswith("W/"):
                versions.add(int(parts[1][:9]))
        if not versions:
            raise Problem("changed-since", "If-Match names no version of this order.")
        return row[1] if row[1] in versions else max(versions)

    def handed_out(self, request: Request, fresh: list[int]) -> None:
        """Note in the trace what the lab is handed for the first time; looking at the headers alone is not that."""
        if fresh and request.method == "GET":
            lab_progress.note_fetched(lab=self.lab, keys=fresh)

    def act(self, request: Request, number: str, body: Any, deed: Callable[..., Order], **values: Any) -> HttpResponse:
        """One deed on one order, done once per Idempotency-Key; answers with what the order is now, without its document."""
        version = self.only_if(request, number)

        def run() -> dict[str, Any]:
            return shapes.summary(deed(lab=self.lab, number=number, version=version, **values))

        return once.once(request, self.lab, body, run)


def _pointers(at: str, errors: Any) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    if isinstance(errors, Mapping):
        for name, inner in errors.items():
            step = "" if name == "non_field_errors" else f"/{str(name).replace('~', '~0').replace('/', '~1')}"
            found += _pointers(at + step, inner)
    elif isinstance(errors, list | tuple):
        words = [str(e) for e in errors if not isinstance(e, Mapping | list)]
        if words:
            found.append((at, " ".join(words)))
        for i, inner in enumerate(errors):
            if isinstance(inner, Mapping | list) and inner:
                found += _pointers(f"{at}/{i}", inner)
    return found


# --- reading --------------------------------------------------------------------------------------------------------------


def _etag(*parts: Any) -> str:
    return '"' + "-".join(str(p) for p in parts) + '"'


class Orders(LabView):
    @extend_schema(**shapes.ORDERS)
    def get(self, request: Request) -> HttpResponse:
        """Orders of this lab, oldest news first."""
        wanted = feed.asked(request.query_params)
        page = feed.page_of(self.lab, wanted)
        return feed.answer(
            request._request, wanted, page, lambda fresh: self.handed_out(request, fresh), request.query_params
        )


class OneOrder(LabView):
    renderer_classes = [AsJSON, AsPDF, AsFHIR, AsFHIRR4B, AsFHIRR5, AsRecords]

    @extend_schema(**shapes.ONE_ORDER)
    def get(self, request: Request, number: str, format: str | None = None) -> HttpResponse:
        """One order, as JSON, PDF, FHIR or record text."""
        row = Order.objects.filter(lab=self.lab, number=number).values(*json_text.COLUMNS, "pk", "fetched_at").first()
        if row is None:
            raise Problem("not-found")
        key, fetched_at = row.pop("pk"), row.pop("fetched_at")
        form = request.accepted_renderer.format  # type: ignore[union-attr]
        if form == "records" and not self.lab.record_text:
            raise Problem(
                "not-acceptable", "Record text is an unverified profile: the practice has to switch it on for a lab."
            )
        version = fhir_version(request, form) if form.startswith("fhir") else None
        tag = _etag(row["document_sha256"][:24], row["version"], f"fhir{version}" if version else form)
        unchanged = not_modified(request._request, tag)
        if unchanged is not None:
            return unchanged
        cancelled = row["state"] == Order.State.CANCELLED
        if cancelled and form in ("pdf", "records"):
            raise Problem("order-cancelled", "The practice has cancelled this order: there is nothing to make from.")
        fresh = [key] if fetched_at is None else []
        if form == "records":
            try:
                text = record_text.render(json.loads(row["document"]), digest=row["document_sha256"])
            except record_text.CannotWrite as error:
                raise Problem("conflict", str(error)) from error
            self.handed_out(request, fresh)
            return send(request._request, text, record_text.MEDIA_TYPE, tag)
        self.handed_out(request, fresh)
        if form == "json":
            return send(request._request, json_text.line(*row.values()).encode("utf-8"), "application/json", tag)
        if version is not None:
            document = json.loads(row["document"])
            body = fhir.render(document, version=version, digest=row["document_sha256"], cancelled=cancelled)
            return send(request._request, body, fhir.MEDIA_TYPES[version], tag)
        pdf = import_module("orders.renderers.pdf")  # with its fonts only where a PDF is asked for
        if request.method == "GET":
            printing = import_module("orders.printing")
            printing.note_one(order=Order(pk=key), kind=printing.FETCHED, by=self.lab)
        name = f'inline; filename="{number}.pdf"'
        return send(
            request._request, pdf.render(json.loads(row["document"])), "application/pdf", tag, {"Content-Disposition": name}
        )


# --- saying ---------------------------------------------------------------------------------------------------------------


class Acknowledgement(LabView):
    @extend_schema(**shapes.ACKNOWLEDGEMENT)
    def post(self, request: Request, number: str) -> HttpResponse:
        body = self.values(request, shapes.AcknowledgementIn)
        return self.act(request, number, body, lab_progress.acknowledge, what=body["what"])


class Acknowledgements(LabView):
    @extend_schema(**shapes.ACKNOWLEDGEMENTS)
    def post(self, request: Request) -> HttpResponse:
        body = self.values(request, shapes.AcknowledgementsIn)

        def run() -> dict[str, Any]:
            lines = lab_progress.acknowledge_many(lab=self.lab, numbers=body["numbers"])
            return {"orders": [{"number": line.number, "outcome": line.outcome} for line in lines]}

        return once.once(request, self.lab, body, run)


class Progress(LabView):
    @extend_schema(**shapes.PROGRESS)
    def post(self, request: Request, number: str) -> HttpResponse:
        body = self.values(request, shapes.ProgressIn)
        return self.act(request, number, body, lab_progress.report_progress, **body)


class Promise(LabView):
    @extend_schema(**shapes.PROMISE)
    def post(self, request: Request, number: str) -> HttpResponse:
        body = self.values(request, shapes.PromiseIn)
        plain = {**body, "on": body["on"].isoformat()}
        return self.act(request, number, plain, lab_progress.promise, **body)


class CannotMake(LabView):
    @extend_schema(**shapes.CANNOT_MAKE)
    def post(self, request: Request, number: str) -> HttpResponse:
        body = self.values(request, shapes.CannotMakeIn)
        return self.act(request, number, body, lab_progress.cannot_make, **body)


class Questions(LabView):
    @extend_schema(**shapes.QUESTIONS_GET)
    def get(self, request: Request, number: str) -> HttpResponse:
        """Oldest first; `answer` is null while the branch has not answered."""
        order = Order.objects.get(lab=self.lab, number=number)
        text = json.dumps({"questions": [shapes.question(q) for q in order.questions.all()]}, ensure_ascii=False)
        tag = _etag(hashlib.sha256(text.encode()).hexdigest()[:24])
        return not_modified(request._request, tag) or send(request._request, text.encode(), "application/json", tag)

    @extend_schema(**shapes.QUESTIONS_POST)
    def post(self, request: Request, number: str) -> HttpResponse:
        body = self.values(request, shapes.QuestionIn)
        version = self.only_if(request, number)

        def run() -> dict[str, Any]:
            return shapes.question(lab_progress.ask(lab=self.lab, number=number, version=version, **body))

        return once.once(request, self.lab, body, run)


@login_not_required
@csrf_exempt
def nothing_here(request: HttpRequest, rest: str = "") -> HttpResponse:
    """Every other address under the API's root."""
    return problems.answer(Problem("not-found"), request)
