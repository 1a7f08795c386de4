"""The lab API against its own OpenAPI document: generated requests, good and bad, never meet a fault of ours, and every answer
is one the document announces. Bounded: a few dozen requests an operation."""

from __future__ import annotations

import json

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from orders.api import open_api
from orders.models import Order
from tests.orders.conftest import labs_token

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]


def test_the_document_is_sound():
    """OpenAPI 3.1 keeps schemas in JSON Schema 2020-12: each one of ours must be one."""
    from jsonschema import Draft202012Validator

    spec = json.loads(json.dumps(open_api.document()))

    def schemas(node):
        if isinstance(node, dict):
            if isinstance(node.get("schema"), dict):
                yield node["schema"]
            for inner in node.values():
                yield from schemas(inner)
        elif isinstance(node, list):
            for inner in node:
                yield from schemas(inner)

    found = list(schemas(spec["paths"]))
    assert len(found) > 50
    for schema in [*found, *spec.get("components", {}).get("schemas", {}).values()]:
        Draft202012Validator.check_schema(schema)


@pytest.fixture(autouse=True)
def _connection_is_the_tests():
    """A bare WSGI handler closes its connection after each request; here it is the test's own (Django's client does the same)."""
    for signal in (request_started, request_finished):
        signal.disconnect(close_old_connections)
    yield
    for signal in (request_started, request_finished):
        signal.connect(close_old_connections)


@pytest.mark.parametrize(
    "operation",
    [
        ("GET", "/api/v1/orders"),
        ("GET", "/api/v1/orders/{number}"),
        ("GET", "/api/v1/orders/{number}/questions"),
        ("POST", "/api/v1/orders/{number}/questions"),
        ("POST", "/api/v1/orders/{number}/acknowledgement"),
        ("POST", "/api/v1/orders/{number}/progress"),
        ("POST", "/api/v1/orders/{number}/promise"),
        ("POST", "/api/v1/orders/{number}/cannot-make"),
        ("POST", "/api/v1/orders/acknowledgements"),
    ],
    ids=lambda o: " ".join(o),
)
def test_generated_requests_meet_no_fault(cast, make_order, operation):
    method, path = operation
    schema = schemathesis.openapi.from_dict(open_api.document())
    schema.app = get_wsgi_application()
    target = schema[path][method]
    token = labs_token(cast.lab)
    number = make_order().number
    answered: set[int] = set()

    @settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(
        case=st.one_of(
            target.as_strategy(),
            target.as_strategy(generation_mode=schemathesis.GenerationMode.NEGATIVE),
        ),
        known=st.booleans(),
        signed_in=st.sampled_from([True, True, True, False]),
    )
    def run(case, known, signed_in):
        if known and "number" in (case.path_parameters or {}):
            case.path_parameters["number"] = number
        headers = {"Authorization": f"Bearer {token if signed_in else 'none'}", "Accept-Encoding": "identity"}
        response = case.call_and_validate(headers=headers, checks=CHECKS)
        answered.add(response.status_code)

    run()
    assert len(answered) > 1, "more than one kind of answer was met"
    assert {401, 404} & answered
    assert Order.objects.count() == 1
