"""The calculations over HTTP and as a command: same names, same schemas, problems for errors, nobody unknown."""

from __future__ import annotations

import io
import json

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from jsonschema import Draft202012Validator

from dispensing.calculations import all_calculations, find, result
from orders.labs import create_token

pytestmark = pytest.mark.django_db
LIST = "/api/v1/calculations"
TRANSPOSE = LIST + "/transpose"
GOOD = {"sphere": 2.0, "cylinder": -1.75, "axis": 180}


@pytest.fixture
def signed_in(cast):
    client = Client()
    client.force_login(cast.dispenser)
    return client


def post(client, address, body, **headers):
    text = body if isinstance(body, str | bytes) else json.dumps(body)
    return client.post(address, text, content_type="application/json", headers=headers)


def problem(response, status):
    assert response.status_code == status
    assert response["Content-Type"] == "application/problem+json"
    said = response.json()
    assert said["status"] == status
    assert said["title"]
    return said


def test_catalogue_has_schemas(signed_in):
    response = signed_in.get(LIST)
    assert response.status_code == 200
    said = response.json()["calculations"]
    assert [c["name"] for c in said] == [c.name for c in all_calculations()]
    for one in said:
        Draft202012Validator.check_schema(one["inputs"])
    assert signed_in.get(LIST, headers={"If-None-Match": response["ETag"]}).status_code == 304


def test_one_is_described_and_answered(signed_in):
    assert signed_in.get(TRANSPOSE).json()["inputs"]["required"] == ["sphere"]
    response = post(signed_in, TRANSPOSE, GOOD)
    assert response.status_code == 200
    assert response.json() == json.loads(json.dumps(result(find("transpose"), GOOD)))
    assert response.json()["values"]["lens"]["text"] == "+0.25/+1.75×90"


def test_nobody_unknown(cast):
    stranger = Client()
    for response in (stranger.get(LIST), stranger.get(TRANSPOSE), post(stranger, TRANSPOSE, GOOD)):
        problem(response, 401)
        assert "Bearer" in response["WWW-Authenticate"]


def test_a_wrong_token_is_no_token(cast):
    problem(post(Client(), TRANSPOSE, GOOD, Authorization="Bearer nothing"), 401)


def test_a_lab_may(cast):
    token = create_token(lab=cast.lab).text
    response = post(Client(), TRANSPOSE, GOOD, Authorization=f"Bearer {token}")
    assert response.status_code == 200


def test_a_session_needs_its_csrf_token(cast):
    client = Client(enforce_csrf_checks=True)
    client.force_login(cast.dispenser)
    problem(post(client, TRANSPOSE, GOOD), 403)


@pytest.mark.parametrize(
    ("body", "pointers"),
    [
        ({}, {"/sphere"}),
        ("", {"/sphere"}),  # an empty body is an empty object
        ({"sphere": "a"}, {"/sphere"}),
        ({"sphere": 99}, {"/sphere"}),
        ({"sphere": 1, "cylinder": -1}, {"/axis"}),
        ({"sphere": 1, "sphrere": 1, "a/b~c": 1}, {"/sphrere", "/a~1b~0c"}),
        ([1], {""}),
        (3, {""}),
    ],
)
def test_bad_inputs_are_pointed_at(signed_in, body, pointers):
    said = problem(post(signed_in, TRANSPOSE, body), 422)
    assert {e["pointer"] for e in said["errors"]} == pointers
    assert all(e["detail"].endswith(".") for e in said["errors"])


def test_a_reading_among_many_is_pointed_at(signed_in):
    said = problem(post(signed_in, LIST + "/outlier", {"readings": [1, 2, "x", 3]}), 422)
    assert [e["pointer"] for e in said["errors"]] == ["/readings/2"]


@pytest.mark.parametrize("body", ["{", "NaN", '{"sphere": NaN}', '{"sphere": Infinity}', b"\xff", "[" * 100_000])
def test_what_is_no_json(signed_in, body):
    problem(post(signed_in, TRANSPOSE, body), 400)


def test_other_troubles(signed_in):
    problem(post(signed_in, LIST + "/no-such", GOOD), 404)
    problem(signed_in.get(LIST + "/no-such"), 404)
    problem(signed_in.delete(TRANSPOSE), 405)
    problem(signed_in.post(TRANSPOSE, "a=1", content_type="text/plain"), 415)
    problem(post(signed_in, TRANSPOSE, '{"sphere": "' + "x" * 300_000 + '"}'), 413)


# ── the command ────────────────────────────────────────────────────────────


def run(tmp_path, lines, *args):
    source, target = tmp_path / "in.jsonl", tmp_path / "out.jsonl"
    source.write_text("\n".join(lines), encoding="utf-8")
    failed = False
    try:
        call_command("calculate", *args, input=str(source), output=str(target))
    except CommandError:
        failed = True
    return [json.loads(line) for line in target.read_text(encoding="utf-8").splitlines()], failed


def test_lines_in_lines_out(tmp_path):
    lines = [json.dumps({"name": c.name, "inputs": dict(c.example), "id": n}) for n, c in enumerate(all_calculations())]
    answers, failed = run(tmp_path, lines)
    assert not failed
    for n, (answer, c) in enumerate(zip(answers, all_calculations(), strict=True)):
        assert answer == {"id": n, **json.loads(json.dumps(result(c, c.example)))}


def test_one_name_for_all_lines(tmp_path):
    answers, failed = run(tmp_path, [json.dumps(GOOD), "", json.dumps({"sphere": 1})], "transpose")
    assert not failed
    assert [a["values"]["sphere"]["value"] for a in answers] == [0.25, 1.0]


def test_a_bad_line_does_not_stop_the_rest(tmp_path):
    lines = ["nonsense", '{"name": "nothing"}', '{"inputs": {}}', '{"name": "transpose", "inputs": {"sphere": NaN}}',
             '{"name": "transpose", "inputs": {"sphere": "a"}, "id": "x"}', json.dumps({"name": "transpose", "inputs": GOOD})]  # fmt: skip
    answers, failed = run(tmp_path, lines)
    assert failed
    assert ["error" in a for a in answers] == [True] * 5 + [False]
    assert [a.get("line") for a in answers] == [1, 2, 3, 4, 5, None]
    assert answers[4]["errors"] == {"sphere": "Must be a number."}
    assert answers[4]["id"] == "x"


def test_the_list_is_the_catalogue(signed_in):
    out = io.StringIO()
    call_command("calculate", list_=True, stdout=out)
    said = [json.loads(line) for line in out.getvalue().splitlines()]
    assert said == signed_in.get(LIST).json()["calculations"]


def test_a_name_that_is_not_there(tmp_path):
    with pytest.raises(CommandError, match="--list"):
        call_command("calculate", "no-such")
    with pytest.raises(CommandError):
        call_command("calculate", input=str(tmp_path / "missing"))


def test_addresses():
    assert reverse("dispensing_api:calculations") == LIST
    assert reverse("dispensing_api:calculation", args=["transpose"]) == TRANSPOSE


@pytest.mark.parametrize(
    ("name", "body"),
    [("transpose", '{"\\ud800": 1}'), ("read-prescription", '{"line": "\\ud800"}'), ("tilt", '{"eye": "\\udc00"}')],
)
def test_half_a_character_is_answered(signed_in, name, body):
    problem(post(signed_in, f"{LIST}/{name}", body), 422)
