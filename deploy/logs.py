"""Log lines that can be kept: with a request's id, and without anything that somebody typed.

Of an error its kind and the places it came through are written, never its text: a database names the value that was in the way, a
parser the one it could not read. Of messages from libraries only the fixed part is written; our own modules put no personal
data into theirs.
"""

from __future__ import annotations

import logging
import os
import traceback
from contextvars import ContextVar
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson

request_id: ContextVar[str] = ContextVar("request_id", default="")
OURS = ("practice", "dispensing", "orders", "deploy", "granian", "_granian")
_EXTRA = ("method", "route", "status", "ms", "staff", "lab", "job", "seconds", "bytes")  # what a line may carry besides
LEVELS = ("DEBUG", "INFO", "WARNING", "ERROR", "CRITICAL")
_ROOT = str(Path(__file__).resolve().parent.parent) + "/"


def error_of(error: BaseException) -> dict[str, Any]:
    """Kind, SQLSTATE and constraint where there are any, and the places; causes too, the last one first."""
    found: list[dict[str, Any]] = []
    seen: set[int] = set()
    at: BaseException | None = error
    while at is not None and id(at) not in seen and len(found) < 5:
        seen.add(id(at))
        kind = type(at)
        each: dict[str, Any] = {"kind": f"{kind.__module__}.{kind.__qualname__}".removeprefix("builtins.")}
        if state := getattr(at, "sqlstate", None):
            each["sqlstate"] = state
        if constraint := getattr(getattr(at, "diag", None), "constraint_name", None):
            each["constraint"] = constraint
        frames = traceback.extract_tb(at.__traceback__)[-25:]
        each["places"] = [f"{f.filename.removeprefix(_ROOT)}:{f.lineno} {f.name}" for f in frames]
        found.append(each)
        at = at.__cause__ or (None if at.__suppress_context__ else at.__context__)
    return found[0] | ({"after": found[1:]} if found[1:] else {})


def message_of(record: logging.LogRecord) -> str:
    """The message without what was asked for or typed."""
    if record.name.startswith(OURS):
        return record.getMessage()
    if record.name.startswith("django.security"):
        return record.name.rpartition(".")[2]
    text = str(record.msg)
    if record.name == "django.request" and text.startswith("%s: %s") and record.args:  # reason phrase and path
        return str(record.args[0]) if isinstance(record.args, tuple) else "request"
    return text.partition(": %")[0] if record.name.startswith("django") else text


def content_of(record: logging.LogRecord) -> dict[str, Any]:
    content: dict[str, Any] = {
        "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        "level": record.levelname,
        "logger": record.name,
        "message": message_of(record),
        "process": record.process,
    }
    if given := request_id.get():
        content["request"] = given
    for name in _EXTRA:
        value = getattr(record, name, None)
        if value is not None and value != "":
            content[name] = value
    if "status" not in content and (status := getattr(record, "status_code", None)):
        content["status"] = status
    if record.exc_info and record.exc_info[1] is not None:
        content["error"] = error_of(record.exc_info[1])
    return content


class Json(logging.Formatter):
    """One JSON object a line."""

    def format(self, record: logging.LogRecord) -> str:
        return orjson.dumps(content_of(record), default=str).decode()


class Line(logging.Formatter):
    """The same for reading."""

    def format(self, record: logging.LogRecord) -> str:
        content = content_of(record)
        error = content.pop("error", None)
        head = " ".join(str(content.pop(name)) for name in ("at", "level", "logger", "message"))
        content.pop("process")
        tail = "".join(f" {name}={value}" for name, value in content.items())
        if error is None:
            return head + tail
        lines = [head + tail]
        for each in (error, *error.get("after", ())):
            lines.append(f"  {each['kind']} {each.get('sqlstate', '')} {each.get('constraint', '')}".rstrip())
            lines += [f"    {place}" for place in each["places"]]
        return "\n".join(lines)


def configuration(*, debug: bool, tls: bool) -> dict[str, Any]:
    """For settings.LOGGING. With `debug`, errors show their values as Python writes them."""
    form = os.environ.get("DATUMLINE_LOG") or ("json" if tls else "line")
    chosen = {"()": Json} if form == "json" else {"()": Line}
    plain = {"format": "%(asctime)s %(levelname)s %(name)s %(message)s"}
    given = os.environ.get("DATUMLINE_LOG_LEVEL", "").upper()
    level = given if given in LEVELS else "WARNING"  # deploy/checks.py says what is wrong with it
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {"lines": plain if debug else chosen},
        "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "lines"}},
        "root": {"handlers": ["console"], "level": level},
        # Django's own handlers would write beside ours, and mail to nobody
        "loggers": {
            "django": {"handlers": [], "level": level, "propagate": True},
            "django.server": {"handlers": [], "level": level, "propagate": True},
        },
    }
