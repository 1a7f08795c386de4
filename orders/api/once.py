"""Idempotency-Key: a POST that is repeated with its key is answered as it was the first time, and done once.

After the IETF draft "The Idempotency-Key HTTP Header Field". The answer is written in the transaction of the deed: a crash
leaves both or neither. A second request that comes while the first is still running waits for it.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from rest_framework.request import Request as ApiRequest

from orders.api.problems import Problem, answer, problem_of
from orders.models import IdempotentAnswer, Lab

KEPT_FOR = timedelta(days=7)
_KEY = re.compile(r"[\x21-\x7e]{1,120}")
UNDER_WAY = 0  # status of a row whose deed has not ended; never seen outside its own transaction

Deed = Callable[[], Any]
Request = ApiRequest | HttpRequest


def key_of(request: Request) -> str | None:
    """The key, quoted as a structured-field string or bare; None without the header."""
    given = request.headers.get("Idempotency-Key")
    if given is None:
        return None
    key = given.strip()
    if len(key) >= 2 and key[0] == key[-1] == '"':
        key = key[1:-1]
    if not _KEY.fullmatch(key):
        raise Problem("bad-request", "Idempotency-Key: 1 to 120 visible ASCII characters.")
    return key


def fingerprint_of(request: Request, body: Any) -> str:
    """What a key stands for: method, path and body."""
    said = "\n".join([request.method or "", request.path, json.dumps(body, sort_keys=True)])
    return hashlib.sha256(said.encode("utf-8", "surrogatepass")).hexdigest()


def once(request: Request, lab: Lab, body: Any, deed: Deed) -> HttpResponse:
    """Do `deed` and answer with what it returns as JSON; with a key, once for ever (KEPT_FOR).

    What the state of the order forbids is an answer too and is kept; a fault of ours is not, nor a value that only the deed itself finds
    wrong: mended, it is sent with the same key.
    """
    key = key_of(request)
    if key is None:
        return as_json(200, json.dumps(deed(), ensure_ascii=False))
    fingerprint = fingerprint_of(request, body)
    with transaction.atomic():
        # waits here while another transaction holds the same key; afterwards the row is either that one's or ours
        IdempotentAnswer.objects.bulk_create(
            [IdempotentAnswer(lab=lab, key=key, fingerprint=fingerprint, status=UNDER_WAY, body="")], ignore_conflicts=True
        )
        row = IdempotentAnswer.objects.select_for_update().get(lab=lab, key=key)
        if row.status != UNDER_WAY:
            if row.fingerprint != fingerprint:
                raise Problem("key-reused")
            response = as_json(row.status, row.body) if row.status < 400 else _kept_problem(row, request)
            response["Idempotency-Replayed"] = "true"
            return response
        try:
            with transaction.atomic():
                row.body, row.status = json.dumps(deed(), ensure_ascii=False), 200
                response = as_json(200, row.body)
        except Exception as error:
            problem = problem_of(error)
            if problem is None or problem.code == "invalid":
                raise
            response = answer(problem, request if isinstance(request, HttpRequest) else request._request)
            row.body, row.status = response.content.decode(), response.status_code
        row.save(update_fields=["body", "status"])
    return response


def as_json(status: int, text: str) -> HttpResponse:
    """The answer to a deed that was done."""
    response = HttpResponse(text, status=status, content_type="application/json")
    response["Cache-Control"] = "no-store"
    return response


def _kept_problem(row: IdempotentAnswer, request: Request) -> HttpResponse:
    response = HttpResponse(row.body, status=row.status, content_type="application/problem+json")
    response["Cache-Control"] = "no-store"
    return response


def forget_old_answers() -> int:
    """Drop answers kept longer than KEPT_FOR; called by `manage.py forget_answers`, never inside a request."""
    gone, _ = IdempotentAnswer.objects.filter(created_at__lt=timezone.now() - KEPT_FOR).delete()
    return gone
