"""The lab API against its own OpenAPI document: generated requests, good and bad, never meet a fault of ours, and every answer
is one the document announces. Bounded: a few dozen requests an operation."""

from __future__ import annotations

import json
import os

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections
from django.test import Client
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from dispensing.case_json import case_schema
from orders import labs
from orders.api import open_api
from orders.models import LabToken, Order
from tests.factories import LabFactory
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


def operations() -> list[tuple[str, str]]:
    """Every operation that the document names: a new one is fuzzed without being asked for."""
    paths = open_api.document()["paths"]
    return [
        (method, path)
        for path, methods in paths.items()
        for method in ("get", "post", "put", "patch", "delete")
        if method in methods
    ]


EXAMPLES = int(os.environ.get("DATUMLINE_FUZZ", "12"))  # requests an operation; more by the environment
ROLES = ("trainee", "dispenser", "unregistered", "supervisor", "manager", "foreigner")


def credentials(cast) -> list[dict[str, str]]:
    """Headers of everybody there is: labs with all and with few rights, another group's, ended and made-up tokens, every role."""
    ended = labs_token(LabFactory(group=cast.group))
    LabToken.objects.update(revoked_at=timezone.now())
    whole = labs_token(cast.lab)  # three times: what only a lab may do is met often enough
    tokens = [whole, whole, whole, labs_token(cast.lab, scopes=[labs.READ]), labs_token(cast.foreign_lab), ended, "none"]
    people = []
    for role in ROLES:
        client = Client()
        client.force_login(getattr(cast, role))
        people.append({"Cookie": f"sessionid={client.cookies['sessionid'].value}"})
    return [{}, *({"Authorization": f"Bearer {t}"} for t in tokens), *people]


@pytest.mark.parametrize("operation", operations(), ids=lambda o: " ".join(o))
def test_generated_requests_meet_no_fault(cast, make_order, operation):
    method, path = operation
    schema = schemathesis.openapi.from_dict(open_api.document())
    schema.app = get_wsgi_application()
    target = schema[path][method.upper()]
    number = make_order().number
    known_names = {"number": number, "name": "transpose"}
    everybody = credentials(cast)
    answered: set[int] = set()

    @settings(max_examples=EXAMPLES, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(
        case=st.one_of(
            target.as_strategy(),
            target.as_strategy(generation_mode=schemathesis.GenerationMode.NEGATIVE),
        ),
        known=st.booleans(),
        headers=st.sampled_from(everybody),
    )
    def run(case, known, headers):
        if known:
            for name in known_names.keys() & (case.path_parameters or {}).keys():
                case.path_parameters[name] = known_names[name]
        response = case.call_and_validate(headers={**headers, "Accept-Encoding": "identity"}, checks=CHECKS)
        answered.add(response.status_code)

    run()
    assert 401 in answered
    assert len(answered) > 1, "more than one kind of answer was met"
    assert Order.objects.count() == 1


def case_operation():
    """The address of assessments with the whole schema of a Case in place, as the document itself only points to it."""
    case = case_schema()
    text = json.dumps({k: v for k, v in case.items() if k not in ("$defs", "$schema", "$id")})
    defs = json.dumps(case.get("$defs", {}))
    text, defs = (t.replace('"#/$defs/', '"#/components/schemas/') for t in (text, defs))
    answers = {"200": {"description": ""}, "422": {"description": ""}}
    body = {"required": True, "content": {"application/json": {"schema": json.loads(text)}}}
    document = {
        "openapi": "3.1.0",
        "info": {"title": "A Case", "version": "1"},
        "paths": {"/api/v1/assessments": {"post": {"requestBody": body, "responses": answers}}},
        "components": {"schemas": json.loads(defs)},
    }
    schema = schemathesis.openapi.from_dict(document)
    schema.app = get_wsgi_application()
    return schema["/api/v1/assessments"]["POST"]


def test_any_case_that_its_schema_lets_through_is_assessed_or_refused_by_name(cast):
    headers = {"Authorization": f"Bearer {labs_token(cast.lab)}"}
    answered: set[int] = set()

    @settings(max_examples=EXAMPLES * 2, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(case=case_operation().as_strategy())
    def run(case):
        response = case.call(headers=headers)
        answered.add(response.status_code)
        assert response.status_code in (200, 422), response.text[:300]
        if response.status_code == 422:
            assert response.json()["errors"]

    run()
    assert 200 in answered
