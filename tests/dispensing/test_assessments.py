"""The checks for other systems: over HTTP and as a command, with the same answer for the same Case."""

from __future__ import annotations

import io
import json
import sys

import jsonschema
import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from dispensing.case_json import MAX_BYTES, case_schema, case_to_json
from dispensing.checks import registry
from dispensing.management.commands.assess import lines
from tests.dispensing.checks.build import BASES, changed

pytestmark = pytest.mark.django_db
ADDRESS = "/api/v1/assessments"
WRONG = changed(BASES["progressive"], {"R.cylinder": -1.25, "R.axis": None, "L.add": 2.5})


@pytest.fixture
def signed_in(cast):
    client = Client()
    client.force_login(cast.dispenser)
    return client


def post(client, body):
    text = body if isinstance(body, str | bytes) else json.dumps(body)
    return client.post(ADDRESS, text, content_type="application/json")


def test_a_case_gives_findings_and_figures(signed_in):
    said = post(signed_in, case_to_json(WRONG)).json()
    assert [f["check"] for f in said["findings"]][:1] == ["rx.cylinder-without-axis"]
    assert said["counts"]["stop"] == 1
    assert said["counts"]["confirm"] == 1
    first = said["findings"][0]
    assert first["severity"] == "stop"
    assert first["key"] == "rx.cylinder-without-axis|prescription.right.axis"
    assert first["seen"] == [{"label": "Right cylinder", "value": -1.25, "unit": "D"}]
    assert said["figures"]["binocular_far_pd"] == 63.5
    assert said["figures"]["left"]["decentration_in"] == 3.0  # 70 / 2 - 32
    assert "right.ordered" in said["figures"]["unknown"]


def test_an_ordinary_case_is_left_alone(signed_in):
    said = post(signed_in, case_to_json(BASES["single"])).json()
    assert said["findings"] == []
    assert said["counts"] == {"stop": 0, "unknown": 0, "confirm": 0, "note": 0}


def test_somebody_unknown_is_refused(client):
    assert post(client, case_to_json(WRONG)).status_code in (401, 403)


@pytest.mark.parametrize(
    ("body", "status", "pointer"),
    [
        ("{", 400, ""),
        ("[" * 5000, 400, ""),
        ("[]", 422, ""),
        ({"today": "2026-05-04", "person": {"age_years": "old"}}, 422, "/person/age_years"),
        ({"today": "2026-05-04", "frame": {"outline": [1, "x"]}}, 422, "/frame/outline/1"),
        ({"today": "2026-05-04", "prescripton": {}}, 422, "/prescripton"),
    ],
)
def test_what_is_no_case_is_a_problem(signed_in, body, status, pointer):
    response = post(signed_in, body)
    assert response.status_code == status
    assert response["Content-Type"] == "application/problem+json"
    assert pointer in [e["pointer"] for e in response.json()["errors"]]


def test_a_body_that_is_too_large(signed_in):
    response = post(signed_in, b"[" + b" " * MAX_BYTES + b"]")
    assert response.status_code == 413
    assert response["Content-Type"] == "application/problem+json"


def test_an_extreme_case_is_answered(signed_in):
    """Every number at the edge of what a Case may hold: findings, never a fault."""
    body = case_to_json(BASES["progressive"])
    for eye in ("right", "left"):
        body["prescription"][eye] |= {"sphere": 1e6, "cylinder": -1e6, "axis": -1e6, "add": -1e6, "prism_h": 1e6}
        body["measurements"][eye] |= {"far_pd": -1e6, "near_pd": 1e6, "height": 1e6}
    body["frame"] |= {"a": 0.0, "b": -1e6, "dbl": 1e6, "ed": -1.0, "outline": [0.0, -1.0, 1e6]}
    body["fit"] |= {"vertex_mm": -1e6, "pantoscopic_deg": 1e6, "face_form_deg": -90.0}
    body["person"] |= {"age_years": -1e6}
    body["needs"] |= {"working_distance_mm": 0.0}
    response = post(signed_in, body)
    assert response.status_code == 200
    assert response.json()["counts"]["stop"] >= 5


def test_the_schema_and_the_list_of_checks(signed_in):
    schema = signed_in.get(ADDRESS + "/schema")
    assert schema.json() == json.loads(json.dumps(case_schema()))
    assert signed_in.get(ADDRESS + "/schema", headers={"If-None-Match": schema["ETag"]}).status_code == 304
    listed = signed_in.get("/api/v1/checks").json()["checks"]
    assert [c["identifier"] for c in listed] == list(registry())
    assert all(c["why"] and c["fires"] and c["silent"] for c in listed)


# --- command ----------------------------------------------------------------------------------------------------------


def run(text, monkeypatch, *arguments):
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(text.encode() if isinstance(text, str) else text)))
    out = io.StringIO()
    failed = False
    try:
        call_command("assess", *arguments, stdout=out)
    except CommandError:
        failed = True
    return [json.loads(line) for line in out.getvalue().splitlines()], failed


def test_lines_in_lines_out(monkeypatch):
    text = "\n".join(
        [
            json.dumps(case_to_json(BASES["single"])),
            "not json",
            "",
            json.dumps({"id": "A-7", "case": case_to_json(WRONG)}),
            json.dumps({"today": "2026-05-04", "person": 3}),
            json.dumps({"id": 9, "case": []}),
        ]
    )
    said, failed = run(text, monkeypatch)
    assert failed
    assert [s["line"] for s in said] == [1, 2, 4, 5, 6]
    assert said[0]["findings"] == []
    assert said[1]["errors"] == {"": "The line is not JSON."}
    assert said[2]["id"] == "A-7"
    assert said[2]["findings"][0]["check"] == "rx.cylinder-without-axis"
    assert "figures" not in said[2]
    assert "person" in said[3]["errors"]
    assert said[4]["id"] == 9


def test_every_line_good_is_no_failure(monkeypatch):
    said, failed = run(json.dumps(case_to_json(WRONG)) + "\n", monkeypatch, "--figures")
    assert not failed
    assert said[0]["figures"]["binocular_far_pd"] == 63.5


def test_same_answer_as_over_http(monkeypatch, signed_in):
    text = json.dumps(case_to_json(WRONG))
    said, _ = run(text, monkeypatch, "--figures")
    assert {"line": 1, **post(signed_in, text).json()} == said[0]


def test_files(tmp_path):
    source, target = tmp_path / "in.jsonl", tmp_path / "out.jsonl"
    source.write_text(json.dumps(case_to_json(WRONG)) + "\n")
    call_command("assess", "--input", str(source), "--output", str(target))
    assert json.loads(target.read_text())["counts"]["stop"] == 1
    with pytest.raises(CommandError):
        call_command("assess", "--input", str(tmp_path / "none.jsonl"))


def test_a_line_of_any_length_is_never_held(monkeypatch):
    class Endless(io.RawIOBase):
        """A first line of 40 MB, then an ordinary one."""

        def __init__(self):
            self.left, self.most = 40_000_000, 0

        def readline(self, size=-1):
            self.most = max(self.most, size)
            if self.left > 0:
                self.left -= size
                return b" " * (size - 1) + (b"\n" if self.left <= 0 else b"x")
            return (
                b'{"today":"2026-05-04"}\n' if self.left > -10_000_000 and not setattr(self, "left", -20_000_000) else b""
            )

    source = Endless()
    got = list(lines(source))
    assert got == [(1, None), (2, b'{"today":"2026-05-04"}\n')]
    assert source.most <= MAX_BYTES + 2


def test_schema_of_the_command(monkeypatch):
    out = io.StringIO()
    call_command("assess", "--schema", stdout=out)
    jsonschema.Draft202012Validator.check_schema(json.loads(out.getvalue()))
