"""A connection that does not wait for ever.

The server's own `statement_timeout` ends a statement that takes too long, but only a server that runs can end anything: behind a
stalled proxy, or on a machine that has frozen, the answer never comes and the connection looks alive. So the driver itself
gives up, closes the connection and raises OperationalError. What the server was doing is rolled back when it notices.
"""

from __future__ import annotations

from typing import Any

import psycopg
from django.db.backends.postgresql import base
from psycopg import errors

_EVERY_S = 0.1  # how often a wait looks up


class PatientConnection(psycopg.Connection[Any]):
    """`silent_after_s`: seconds for one exchange with the server; 0 is without end."""

    silent_after_s: float = 0

    def wait(self, gen: Any, interval: float = _EVERY_S, timeout: float | None = None) -> Any:
        if timeout is not None or not self.silent_after_s:
            return super().wait(gen, interval, timeout)
        try:
            return super().wait(gen, interval, self.silent_after_s)
        except errors._WaitTimeout as error:
            self.pgconn.finish()  # nothing polite: the other side does not listen
            raise psycopg.OperationalError(f"the database has not answered for {self.silent_after_s:g} s") from error


class _Driver:
    """psycopg as Django wants it, but for the class of its connections."""

    connect = staticmethod(PatientConnection.connect)

    def __getattr__(self, name: str) -> Any:
        return getattr(psycopg, name)


class DatabaseWrapper(base.DatabaseWrapper):
    Database = _Driver()  # type: ignore[assignment]

    def get_connection_params(self) -> dict[str, Any]:
        parameters = super().get_connection_params()
        self._silent_after_s = float(parameters.pop("silent_after_s", 0) or 0)
        return parameters

    def get_new_connection(self, conn_params: dict[str, Any]) -> Any:
        connection = super().get_new_connection(conn_params)
        connection.silent_after_s = self._silent_after_s
        return connection
