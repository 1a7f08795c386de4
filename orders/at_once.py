"""Acknowledging in one exchange with PostgreSQL: token, key, order, trace, audit row and answer in one function of the database.

What takes an acknowledgement its time is going to and fro: ten statements, each of which costs both sides more than its work. The
functions do what `labs.find_token`, `once.once` and `lab_progress.acknowledge` do, in the same order and under the same locks, in
one transaction; whatever is not plainly in order they leave untouched and say so (None), and the ordinary way gives the answer:
refusals, repeats, orders that are not there. SQLite has the ordinary way only. `tests/orders/test_at_once.py` holds both
together, column by column.

Put in place after every `migrate`, as the triggers are. The number in a name is that of its parameters: a release that needs others
makes functions of other names, since the release before still calls these.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import connection, connections

from practice.addresses import Address

# The key first, then the order, then the chain: as in the ordinary way, so that the two can meet without locking each other up.
ONE = """
CREATE OR REPLACE FUNCTION orders_acknowledge_1(
  p_token text, p_scope text, p_from inet, p_now timestamptz, p_used_before timestamptz, p_number text, p_what text,
  p_key text, p_fingerprint text, OUT answer text, OUT token_id bigint, OUT unused boolean
) LANGUAGE plpgsql AS $$
DECLARE
  lab record;
  found_order record;
  kept bigint;
  told text;
BEGIN
  SELECT t.id AS token, coalesce(t.last_used_at <= p_used_before, true) AS unused, l.id, l.name INTO lab
  FROM orders_labtoken t JOIN orders_lab l ON l.id = t.lab_id
  WHERE t.digest = p_token AND t.revoked_at IS NULL AND coalesce(t.expires_at > p_now, true)
    AND t.scopes @> to_jsonb(ARRAY[p_scope]) AND l.active
    AND (l.allowed_addresses = '[]' OR EXISTS (
      SELECT FROM jsonb_array_elements_text(l.allowed_addresses) AS allowed(net) WHERE p_from <<= allowed.net::inet));
  IF NOT FOUND THEN
    RETURN;
  END IF;
  IF p_key IS NOT NULL THEN
    INSERT INTO orders_idempotentanswer (lab_id, key, fingerprint, status, body, created_at)
    VALUES (lab.id, p_key, p_fingerprint, 0, '', p_now) ON CONFLICT DO NOTHING RETURNING id INTO kept;
    IF kept IS NULL THEN
      RETURN;
    END IF;
  END IF;
  SELECT o.id, o.state, o.waiting, o.version, o.promised_on, o.group_id, o.branch_id, d.client_id INTO found_order
  FROM orders_order o JOIN dispensing_dispense d ON d.id = o.dispense_id
  WHERE o.lab_id = lab.id AND o.number = p_number FOR UPDATE OF o;
  IF NOT FOUND OR (found_order.state = 'cancelled') <> (p_what = 'cancellation') THEN
    DELETE FROM orders_idempotentanswer WHERE id = kept;
    RETURN;
  END IF;
  IF p_what = 'cancellation' THEN
    told := CASE WHEN found_order.waiting THEN 'cancellation_seen' END;
  ELSIF found_order.state = 'issued' THEN
    told := 'acknowledged';
    found_order.state := 'acknowledged';
  ELSIF found_order.state = 'rejected' AND found_order.waiting THEN
    told := 'rejection_seen';
  END IF;
  IF told IS NOT NULL THEN
    found_order.waiting := false;
    found_order.version := found_order.version + 1;
    UPDATE orders_order SET state = found_order.state, waiting = false, version = found_order.version WHERE id = found_order.id;
    INSERT INTO orders_orderevent (order_id, at, kind, by_lab_id, by_staff_id, note, data)
    VALUES (found_order.id, p_now + (clock_timestamp() - statement_timestamp()), told, lab.id, NULL, '', '{}');
  END IF;
  answer := concat('{"number": "', p_number, '", "state": "', found_order.state, '", "waiting": ',
    CASE WHEN found_order.waiting THEN 'true' ELSE 'false' END, ', "version": ', found_order.version, ', "promised_on": ',
    CASE WHEN found_order.promised_on IS NULL THEN 'null' ELSE concat('"', to_char(found_order.promised_on, 'YYYY-MM-DD'), '"') END,
    '}');
  IF kept IS NOT NULL THEN
    UPDATE orders_idempotentanswer SET status = 200, body = answer WHERE id = kept;
  END IF;
  IF told IS NOT NULL THEN  -- last: everybody of the group waits for the chain
    PERFORM practice_audit_record_1(found_order.group_id, found_order.branch_id, found_order.client_id, p_now, lab.name,
      'order.' || told, 'order ' || p_number, concat('{"state":"', found_order.state, '"}'));
  END IF;
  token_id := lab.token;
  unused := lab.unused;
END $$
"""

MANY = """
CREATE OR REPLACE FUNCTION orders_acknowledge_many_1(
  p_lab bigint, p_name text, p_code text, p_group bigint, p_now timestamptz, p_numbers text[],
  OUT numbers text[], OUT outcomes text[]
) LANGUAGE plpgsql AS $$
DECLARE
  fresh bigint[];
  fresh_named text;
  back bigint[];
  back_named text;
BEGIN
  SELECT array_agg(o.number ORDER BY o.id),
    array_agg(CASE WHEN o.issued OR o.back THEN 'acknowledged' WHEN o.state = 'cancelled' THEN 'cancelled' ELSE 'already' END
      ORDER BY o.id),
    array_agg(o.id ORDER BY o.id) FILTER (WHERE o.issued),
    string_agg(to_json(o.number)::text, ',' ORDER BY o.id) FILTER (WHERE o.issued),
    array_agg(o.id ORDER BY o.id) FILTER (WHERE o.back),
    string_agg(to_json(o.number)::text, ',' ORDER BY o.id) FILTER (WHERE o.back)
  INTO numbers, outcomes, fresh, fresh_named, back, back_named
  FROM (
    SELECT id, number, state, state = 'issued' AS issued, state = 'rejected' AND waiting AS back
    FROM orders_order WHERE lab_id = p_lab AND number = ANY (p_numbers) ORDER BY id FOR UPDATE
  ) o;
  IF fresh IS NOT NULL THEN
    UPDATE orders_order SET state = 'acknowledged', waiting = false, version = version + 1 WHERE id = ANY (fresh);
    INSERT INTO orders_orderevent (order_id, at, kind, by_lab_id, by_staff_id, note, data)
    SELECT each, p_now, 'acknowledged', p_lab, NULL, '', '{}' FROM unnest(fresh) each;
  END IF;
  IF back IS NOT NULL THEN
    UPDATE orders_order SET waiting = false, version = version + 1 WHERE id = ANY (back);
    INSERT INTO orders_orderevent (order_id, at, kind, by_lab_id, by_staff_id, note, data)
    SELECT each, p_now, 'rejection_seen', p_lab, NULL, '', '{}' FROM unnest(back) each;
  END IF;
  IF fresh IS NOT NULL THEN  -- last: everybody of the group waits for the chain
    PERFORM practice_audit_record_1(p_group, NULL, NULL, p_now, p_name, 'order.acknowledged',
      concat(cardinality(fresh), ' orders of lab ', p_code), concat('{"numbers":[', fresh_named, ']}'));
  END IF;
  IF back IS NOT NULL THEN
    PERFORM practice_audit_record_1(p_group, NULL, NULL, p_now, p_name, 'order.rejection_seen',
      concat(cardinality(back), ' orders of lab ', p_code), concat('{"numbers":[', back_named, ']}'));
  END IF;
END $$
"""


def install(sender: Any = None, using: str = "default", **_: Any) -> None:
    """The post_migrate receiver; harmless when the functions are there."""
    if (
        connections[using].vendor != "postgresql"
        or "orders_orderevent" not in connections[using].introspection.table_names()
    ):
        return
    with connections[using].cursor() as cursor:
        cursor.execute(ONE)
        cursor.execute(MANY)


def works() -> bool:
    """Whether this database has the functions."""
    return connection.vendor == "postgresql"


@dataclass(frozen=True, slots=True)
class Acknowledged:
    answer: str  # JSON, as it is sent and as it is kept with the key
    token: int
    unused: bool  # the token has not been noted as used for a while


def acknowledge(
    *,
    token_digest: str,
    scope: str,
    came_from: Address | None,
    now: datetime,
    used_before: datetime,
    number: str,
    what: str,
    key: str | None,
    fingerprint: str,
) -> Acknowledged | None:
    """One order, from the token to the answer; None: nothing was done, ask the ordinary way."""
    values: list[Any] = [
        token_digest,
        scope,
        came_from and str(came_from),
        now,
        used_before,
        number,
        what,
        key,
        fingerprint,
    ]
    with connection.cursor() as cursor:
        cursor.execute("SELECT * FROM orders_acknowledge_1(%s, %s, %s, %s, %s, %s, %s, %s, %s)", values)
        answer, token, unused = cursor.fetchone()
    return None if answer is None else Acknowledged(answer, token, unused)


def acknowledge_many(
    *, lab_id: int, name: str, code: str, group_id: int, now: datetime, numbers: Sequence[str]
) -> dict[str, str]:
    """Many orders of a lab, inside the running transaction: what became of each one that is there."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT * FROM orders_acknowledge_many_1(%s, %s, %s, %s, %s, %s)",
            [lab_id, name, code, group_id, now, list(numbers)],
        )
        found, outcomes = cursor.fetchone()
    return dict(zip(found or (), outcomes or (), strict=True))
