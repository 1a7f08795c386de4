"""Everything that is held on one client, for the client: JSON in a documented shape, paper, and the pictures as files.

The shape is `held-1.0.json` beside this module and goes into the archive with the data. Dates and moments are ISO 8601, exact
numbers are text, units are in the names or those of the house (mm, D, degrees).
"""

from __future__ import annotations

import io
import json
import zipfile
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from django.db import transaction
from django.utils import timezone

from practice import access, audit
from practice.errors import Invalid
from practice.hold import hold
from practice.models import AuditEvent, Client, Staff
from practice.privacy import paper
from practice.privacy.registry import Files, parts, row, rows
from practice.seen import ACTION

FORMAT = "held on a client 1.0"
SCHEMA = Path(__file__).parent / "held-1.0.json"
SHORTEST_REASON, LONGEST_REASON = 5, 400


@dataclass(frozen=True)
class Export:
    """One export: the data, and the files it names."""

    reference: str
    data: dict[str, Any]
    files: dict[str, bytes]

    @cached_property
    def json(self) -> bytes:
        return json.dumps(self.data, ensure_ascii=False, indent=1).encode()

    @cached_property
    def pdf(self) -> bytes:
        return paper.render(self.data, self.files)

    @cached_property
    def archive(self) -> bytes:
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("held.json", self.json)
            archive.writestr("held.pdf", self.pdf)
            archive.writestr("held-1.0.schema.json", SCHEMA.read_bytes())
            for name, content in self.files.items():
                archive.writestr(name, content)
        return out.getvalue()


def export_client(*, actor: Staff, client: Client, reason: str) -> Export:
    """Put together everything held on a client, and record that it was handed out. NotAllowed or Invalid ("reason")."""
    reason = " ".join(reason.split())
    if not SHORTEST_REASON <= len(reason) <= LONGEST_REASON or "\x00" in reason:
        raise Invalid({"reason": f"Say who asked for it and why, in {SHORTEST_REASON} to {LONGEST_REASON} characters."})
    with transaction.atomic():
        known = hold(Client.objects.select_related("group", "branch"), pk=client.pk)
        access.require(actor, "client.export", branch=known.branch)
        files = Files()
        data = held(known, files)
        export = Export(known.reference, data, files.found)
        audit.record(
            actor=actor,
            action="client.exported",
            subject=f"client {known.reference}",
            group=known.group,
            branch=known.branch,
            client=known,
            after={"reason": reason, "files": len(files.found)},
        )
        return export


def held(client: Client, files: Files) -> dict[str, Any]:
    """All parts; who looked and what was done last, as the audit trail has it."""
    events = AuditEvent.objects.filter(client=client).select_related("branch", "detail").order_by("at", "pk")
    done = [
        {
            "at": audit.plain(e.at),
            "by": e.actor_name,
            "what": e.action,
            "of": e.subject,
            "branch": e.branch.name if e.branch else None,
            "before": e.before,
            "after": e.after,
        }
        for e in events
    ]
    return {
        "format": FORMAT,
        "made_at": audit.plain(timezone.now()),
        "held_by": {"group": client.group.name, "branch": client.branch.name, "address": client.branch.address},
        "client": row(client, "group", "search_name", "phone_digits"),
        "consents": rows(client.consents.select_related("by"), "client"),
        **{part.name: part.held(client, files) for part in parts()},
        "who_looked": [{k: e[k] for k in ("at", "by", "of", "branch")} for e in done if e["what"] == ACTION],
        "what_was_done": [e for e in done if e["what"] != ACTION],
    }
