"""What keeps a command from being run, in a sentence: for administrators, who do not read tracebacks. `--traceback` shows it whole."""

from __future__ import annotations

from django.core.exceptions import ImproperlyConfigured
from django.db import DatabaseError

NO_CONNECTION = ("connection failed", "connection is bad", "connection timeout", "unable to open database file")
NO_TABLE = ("no such table", "no such column")
_NO_TABLE_STATES = {"42P01", "42703"}  # PostgreSQL's undefined_table and undefined_column


def in_words(error: BaseException) -> str:
    """Empty for what nobody foresaw: that is shown as it is."""
    if isinstance(error, ImproperlyConfigured):
        return f"A setting is wrong: {error}"
    if not isinstance(error, DatabaseError):
        return ""
    text = " ".join(str(error).split())
    if text.startswith(NO_CONNECTION):
        return f"The database does not answer: {text}"
    if text.startswith(NO_TABLE) or getattr(error.__cause__, "sqlstate", "") in _NO_TABLE_STATES:
        return f"The database has not the tables of this release ({text.partition(' LINE ')[0]}): is it the right one, and was migrate run?"
    return ""
