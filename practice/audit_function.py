"""A row of the audit chain written by PostgreSQL itself, for a change that is made in one statement there.

The same row as `audit.record` writes, digest included, for what a lab or the system does (no actor, nothing before, nothing that
would have to be kept beside the chain). `tests/practice/test_audit_function.py` holds both together. SQLite has the ordinary way.

Put in place after every `migrate`, as the triggers are. The number in the name is that of its parameters: a release that needs
others makes a function of another name, since the release before still calls this one.
"""

from __future__ import annotations

from typing import Any

from django.db import connections

# to_json writes a text as RFC 8785 wants it; the names stand in their canonical order. The moment is the caller's clock, moved on
# by how long the statement has waited: the rows of a chain follow each other in time too.
RECORD = """
CREATE OR REPLACE FUNCTION practice_audit_record_1(
  p_group bigint, p_branch bigint, p_client bigint, p_now timestamptz, p_actor_name text, p_action text, p_subject text, p_after text
) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
  head practice_audithead%ROWTYPE;
  moment timestamptz;
  row_digest text;
BEGIN
  SELECT * INTO head FROM practice_audithead WHERE group_id = p_group FOR UPDATE;
  IF NOT FOUND THEN
    INSERT INTO practice_audithead (group_id, sequence, digest) VALUES (p_group, 0, repeat('0', 64)) ON CONFLICT DO NOTHING;
    SELECT * INTO head FROM practice_audithead WHERE group_id = p_group FOR UPDATE;
  END IF;
  moment := p_now + (clock_timestamp() - statement_timestamp());
  row_digest := encode(sha256(convert_to(concat(
    '{"action":', to_json(p_action), ',"actor":null,"actor_name":', to_json(p_actor_name), ',"after":', p_after,
    ',"at":"', to_char(moment AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US'), '+00:00","before":{},"branch":',
    coalesce(p_branch::text, 'null'), ',"client":', coalesce(p_client::text, 'null'), ',"group":', p_group,
    ',"previous":"', head.digest, '","sequence":', head.sequence + 1, ',"subject":', to_json(p_subject), '}'
  ), 'UTF8')), 'hex');
  INSERT INTO practice_auditevent (group_id, branch_id, client_id, actor_id, at, actor_name, action, subject, before, after,
    detail_digest, sequence, previous_digest, digest)
  VALUES (p_group, p_branch, p_client, NULL, moment, p_actor_name, p_action, p_subject, '{}', p_after::jsonb,
    '', head.sequence + 1, head.digest, row_digest);
  UPDATE practice_audithead SET sequence = head.sequence + 1, digest = row_digest WHERE group_id = p_group;
END $$
"""


def install(sender: Any = None, using: str = "default", **_: Any) -> None:
    """The post_migrate receiver; harmless when the function is there."""
    connection = connections[using]
    if connection.vendor != "postgresql" or "practice_audithead" not in connection.introspection.table_names():
        return
    with connection.cursor() as cursor:
        cursor.execute(RECORD)
