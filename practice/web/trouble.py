"""What people and programs are told when database or store cannot serve: 503 in plain words, and that nothing was saved.

The site's handler for what no view expected (`handler500`). Every write is one transaction, so an error from the database means
that nothing of it was kept. The page needs no database itself.
"""

from __future__ import annotations

import sys

from django.db import InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.template.loader import render_to_string
from django.views.decorators.csrf import requires_csrf_token

from practice import contents

BUSY = "Somebody else is saving the same record just now."
FULL = "The database has no room left. Tell whoever looks after this server."
SILENT = "The database does not answer just now."
STORE = "The store of pictures and documents does not answer just now."
_LOCKED, _NO_ROOM = (
    {"55P03", "40P01"},
    {"53100"},
)  # PostgreSQL, appendix A: lock_not_available, deadlock_detected, disk_full
RETRY_S = 5


def words_for(error: BaseException | None) -> str:
    """The sentence for an error of database or store that is nobody's fault at the keyboard; empty for any other error."""
    if isinstance(error, contents.Away):
        return STORE
    if not isinstance(error, OperationalError | InterfaceError):
        return ""
    state, text = getattr(error.__cause__, "sqlstate", None), str(error)
    if state in _LOCKED or "database is locked" in text or "table is locked" in text:
        return BUSY
    if state in _NO_ROOM or "disk is full" in text:
        return FULL
    return SILENT


@requires_csrf_token
def server_error(request: HttpRequest) -> HttpResponse:
    words = words_for(sys.exc_info()[1])
    status = 503 if words else 500
    if request.path_info.startswith("/api/"):  # programs get the problem documents they know (RFC 9457)
        name, title = ("unavailable", "Not just now") if words else ("server-error", "The fault is ours")
        problem = {"type": f"/api/v1/docs#problem-{name}", "title": title, "status": status}
        if words:
            problem["detail"] = f"{words} Nothing was saved. Send the request again."
        response: HttpResponse = JsonResponse(problem, status=status, content_type="application/problem+json")
    else:
        page = "503.html" if words else "500.html"
        known_as = getattr(request, "known_as", "")  # by which whoever looks after the site finds it in the log
        response = HttpResponse(render_to_string(page, {"words": words, "known_as": known_as}), status=status)
    if words:
        response["Retry-After"] = str(RETRY_S)
    response["Cache-Control"] = "no-store"
    return response
