"""Taking the last import back: new rows go, changed rows get their values again; only where nothing has built on it since."""

from __future__ import annotations

from collections.abc import Iterator

from django.db import transaction
from django.db.models import Q
from django.utils import timezone

from dispensing import catalogue
from dispensing.imports.kinds import KINDS
from dispensing.imports.lines import plain
from dispensing.imports.put import write_changed
from dispensing.models import FrameStock, ImportJob, ImportLine
from practice import audit
from practice.errors import Refused
from practice.models import Staff

PIECE = 500
SAID = 12  # hindrances that are listed


def is_last(job: ImportJob) -> bool:
    """Whether no later import of this kind stands. Designs and options build on each other and count as one."""
    together = ("frames",) if job.kind == "frames" else ("lenses", "options", "materials", "treatments")
    later = Q(done_at__gt=job.done_at) | Q(done_at=job.done_at, pk__gt=job.pk)
    return (
        job.state == ImportJob.State.DONE
        and not ImportJob.objects.filter(later, group=job.group_id, kind__in=together, state=ImportJob.State.DONE).exists()
    )


def hindrances(job: ImportJob) -> list[str]:
    """What stands in the way of undoing, a sentence each; empty: nothing."""
    if not is_last(job):
        return ["A later import stands on this one: undo that first."]
    out: list[str] = []
    for lines in _pieces(job):
        out += _of(job, lines)
        if len(out) >= SAID:
            return [*out[:SAID], "…"]
    return out


def _pieces(job: ImportJob) -> Iterator[list[ImportLine]]:
    last = 0
    while lines := list(job.lines.filter(put=True, number__gt=last).order_by("number")[:PIECE]):
        yield lines
        last = lines[-1].number


def _of(job: ImportJob, lines: list[ImportLine]) -> list[str]:
    kind = KINDS[job.kind]
    rows = kind.by_code(job.group, {line.code for line in lines})
    new = [line.code for line in lines if line.state == ImportLine.State.NEW]
    used = kind.used(job.group, new)
    if job.kind == "frames":
        for code in FrameStock.objects.filter(frame__group=job.group, frame__code__in=new).values_list(
            "frame__code", flat=True
        ):
            used.setdefault(code, "in stock at a branch since")
    out = []
    for line in lines:
        row = rows.get(line.code)
        if row is None:
            out.append(f"{line.code} is no longer there.")
        elif line.code in used:
            out.append(
                f"{line.code} was {used[line.code]}."
                if "chosen" in used[line.code]
                else f"{line.code} is {used[line.code]}."
            )
        elif getattr(row, "retired_on", None) is not None and line.state == ImportLine.State.NEW:
            out.append(f"{line.code} was retired since.")
        elif any(plain(getattr(row, name)) != value for name, value in line.after.items()):
            out.append(f"{line.code} was changed since.")
    return out


def undo(*, actor: Staff, job: ImportJob) -> ImportJob:
    """Take back the last import, all of it in one transaction. Raises NotAllowed or Refused (what hinders, in words)."""
    catalogue.require_manager(actor, job.group)
    kind = KINDS[job.kind]
    with transaction.atomic():
        row = ImportJob.objects.select_for_update().select_related("group").get(pk=job.pk)
        if row.state != ImportJob.State.DONE:
            raise Refused(f"This import is {row.get_state_display()}.")
        for lines in _pieces(row):  # from here nobody changes them or builds on them
            kind.by_code(row.group, {line.code for line in lines}, lock=True)
        if found := hindrances(row):
            raise Refused(" ".join(found))
        for lines in _pieces(row):
            rows = kind.by_code(row.group, {line.code for line in lines})
            changed = [line for line in lines if line.state == ImportLine.State.CHANGED]
            used = set(kind.used(row.group, [line.code for line in changed])) if changed else set()
            write_changed(kind, actor, [(rows[line.code], line.before) for line in changed], tell=used)
            gone = [rows[line.code].pk for line in lines if line.state == ImportLine.State.NEW]
            kind.all(row.group).filter(pk__in=gone).delete()
        row.state, row.undone_at, row.undone_by = ImportJob.State.UNDONE, timezone.now(), actor
        row.save()
        audit.record(
            actor=actor,
            action="catalogue.import_undone",
            subject=str(row),
            group=row.group,
            before={"new": row.new, "changed": row.changed, "file_sha256": row.file_sha256},
        )
    return row
