"""One file read into a catalogue: kept, named, checked, carried out.

    start ─→ MAPPING ─name_columns→ CHECKING ─work→ CHECKED ─carry_out→ PUTTING ─work→ DONE (or back to CHECKED, with the trouble)

The file's lines are kept in the database in chunks. `work` takes one chunk after another, each claimed just before it is worked on, so
that the page that shows the progress, several pages and `manage.py work_imports` can all push the same job. Checking changes nothing.
Carrying out "all lines or none" is one transaction over the whole file; "each line by itself" is a transaction for each chunk, in which a
line that no longer fits is left out. Every row is held against what the check saw of it before it is overwritten.
"""

from __future__ import annotations

import hashlib
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from typing import IO, Any, BinaryIO

import orjson
from django.db import transaction
from django.db.models import Count, Min, Q
from django.utils import timezone

from dispensing import catalogue
from dispensing.imports.files import BLOCK, Cell, Dated, Formula, Unreadable, lines_of
from dispensing.imports.kinds import KINDS, Kind, guess
from dispensing.imports.lines import Judged, judge
from dispensing.imports.put import Differs, put_chunk
from dispensing.models import ImportChunk, ImportJob, ImportLine, ImportMapping
from practice import audit
from practice.errors import Invalid, Refused
from practice.models import Group, Staff
from practice.words import fold

CHUNK = 500
SAMPLE = 5
CLAIM = timedelta(minutes=2)
CLAIM_WHOLE = timedelta(minutes=15)
KEPT_OPEN = timedelta(days=7)  # a job that nobody goes on with is dropped, with its lines
State = ImportJob.State
OPEN = (State.MAPPING, State.CHECKING, State.CHECKED)  # nothing of the catalogue has been touched
WRONG = "what is wrong"  # the column of a file of faulty lines; read back, it is left out


# --- starting -------------------------------------------------------------------------------------------------------------


def start_import(*, actor: Staff, group: Group, kind: str, file: BinaryIO, file_name: str) -> ImportJob:
    """Keep the lines of a file, with the columns guessed. Nothing of the catalogue is changed. Raises NotAllowed, Unreadable."""
    catalogue.require_manager(actor, group)
    job = ImportJob(group=group, kind=kind, by=actor, started_at=timezone.now(), file_name=_name(file_name))
    job.file_sha256 = _digest(file)
    lines = lines_of(file)
    try:
        _, heading = next(lines)
    except StopIteration:
        raise Unreadable("The file is empty.") from None
    if any(isinstance(c, Formula) for c in heading):
        raise Unreadable("The first line has to name the columns; it holds a formula.")
    job.heading = [str(c).strip().removeprefix("'")[:200] for c in heading]
    while job.heading and not job.heading[-1]:
        job.heading.pop()
    with tempfile.TemporaryFile() as kept:  # the file is read to its end before the database is asked for anything
        _spread(job, lines, kept)
        if not job.total:
            raise Unreadable("The file has a heading and no lines.")
        kept.seek(0)
        with transaction.atomic():
            remembered = ImportMapping.objects.filter(group=group, kind=kind).first()
            fields = dict(remembered.fields) if remembered else {}
            job.mapping = guess(KINDS[kind], job.heading, {**fields, fold(WRONG): ""})
            job.key_by = remembered.key_by if remembered else _usual_key(KINDS[kind], job.mapping)
            job.save()
            for place, text in enumerate(kept):
                ImportChunk.objects.create(job=job, place=place, rows=orjson.loads(text))
            audit.record(
                actor=actor,
                action="catalogue.import_started",
                subject=str(job),
                group=group,
                after={"kind": kind, "file": job.file_name, "file_sha256": job.file_sha256, "lines": job.total},
            )
    return job


def _name(text: str) -> str:
    return "".join(c for c in text if c.isprintable() and c not in "<>")[-120:]


def _digest(file: BinaryIO) -> str:
    file.seek(0)
    digest = hashlib.sha256()
    while block := file.read(BLOCK):
        digest.update(block)
    return digest.hexdigest()


def _spread(job: ImportJob, lines: Iterator[tuple[int, list[Cell]]], kept: IO[bytes]) -> None:
    """Write the lines as chunks, one a line of `kept`; count them and take the first few as a sample."""
    rows: list[Any] = []
    for number, cells in lines:
        plain = [_kept(c) for c in cells]
        rows.append([number, plain])
        job.total += 1
        if len(job.sample) < SAMPLE:
            job.sample.append([_shown(c) for c in plain])
        if len(rows) == CHUNK:
            kept.write(orjson.dumps(rows) + b"\n")
            rows = []
    if rows:
        kept.write(orjson.dumps(rows) + b"\n")


def _kept(cell: Cell) -> Any:
    if isinstance(cell, Formula):
        return {"formula": cell.cell, "error": cell.error}
    # a date goes by "formula" as well: by that the release before finds the cell, should it be the one that checks the line
    return {"formula": cell.cell, "date": cell.day} if isinstance(cell, Dated) else cell


def _shown(cell: Any) -> str:
    text = cell.get("date") or f"formula in {cell['formula']}" if isinstance(cell, dict) else str(cell)
    return text if len(text) <= 40 else text[:37] + "…"


def _usual_key(kind: Kind, mapping: Sequence[str]) -> str:
    if "code" in kind.keys and ("code" in mapping or len(kind.keys) == 1):
        return "code"
    return next((name for name in ("gtin", "model") if name in mapping and name in kind.keys), "code")


# --- naming the columns ---------------------------------------------------------------------------------------------------


def name_columns(*, actor: Staff, job: ImportJob, mapping: Sequence[str], key_by: str, extent: str) -> ImportJob:
    """Say what each column is, by what a line finds its row, and whether all lines go together. The check starts anew.

    Remembered for the group and the kind of file. Raises NotAllowed, Invalid (by "column-N", "key_by", "extent") or Refused.
    """
    catalogue.require_manager(actor, job.group)
    kind = KINDS[job.kind]
    errors = {}
    mapping = [*mapping, *[""] * len(job.heading)][: len(job.heading)]
    for place, name in enumerate(mapping):
        if name and name not in kind.by_name:
            errors[f"column-{place}"] = "Choose one of the list."
        elif name and name in mapping[:place]:
            errors[f"column-{place}"] = "Another column is that already."
    if key_by not in kind.keys:
        errors["key_by"] = "Choose by what a line finds its row."
    elif missing := [n for n in kind.needed(key_by) if n not in mapping]:
        labels = ", ".join(kind.by_name[n].label for n in missing)
        errors["key_by"] = f"No column says: {labels}."
    if extent not in ImportJob.Extent.values:
        errors["extent"] = "Choose one."
    if errors:
        raise Invalid(errors)
    with transaction.atomic():
        row = ImportJob.objects.select_for_update().get(pk=job.pk)
        if row.state not in OPEN:
            raise Refused(f"This import is {row.get_state_display()}.")
        row.lines.all().delete()
        row.chunks.update(checked_at=None, claimed_until=None)
        row.mapping, row.key_by, row.extent = list(mapping), key_by, extent
        row.state, row.trouble = State.CHECKING, ""
        row.new = row.changed = row.same = row.faulty = 0
        row.save()
        known, _ = ImportMapping.objects.get_or_create(group=job.group, kind=job.kind)
        names = {fold(text): name for text, name in zip(row.heading, mapping, strict=True) if fold(text)}
        known.fields, known.key_by = dict(list({**known.fields, **names}.items())[-400:]), key_by
        known.save()
    return row


# --- the work -------------------------------------------------------------------------------------------------------------


def work(*, job: ImportJob | None = None, seconds: float | None = None) -> int:
    """Push what is waiting, of one job or of all, until nothing is left or the time is over. Returns the chunks worked off."""
    ends = None if seconds is None else time.monotonic() + seconds
    count = 0
    while ends is None or not count or time.monotonic() < ends:
        rows = ImportJob.objects.filter(state__in=(State.CHECKING, State.PUTTING)).order_by("pk")
        if job is not None:
            rows = rows.filter(pk=job.pk)
        done = sum(_push(row) for row in rows[:20])
        if not done:
            return count
        count += done
    return count


def _push(job: ImportJob) -> int:
    """One chunk of this job, or the whole where all goes together. 0: nothing was free to take."""
    if job.state == State.PUTTING and job.extent == ImportJob.Extent.FILE:
        return _put_whole(job)
    done = Q(checked_at=None) if job.state == State.CHECKING else Q(put_at=None)
    chunk = _claimed(job, done)
    if chunk is None:
        return 0 if job.chunks.filter(done).exists() else _finish(job)
    if job.state == State.CHECKING:
        _check(job, chunk)
    else:
        _put(job, chunk)
    return 1


def _claimed(job: ImportJob, waiting: Q) -> ImportChunk | None:
    now = timezone.now()
    free = Q(claimed_until=None) | Q(claimed_until__lt=now)
    for key in job.chunks.filter(waiting, free).order_by("place").values_list("pk", flat=True)[:3]:
        if ImportChunk.objects.filter(waiting, free, pk=key).update(claimed_until=now + CLAIM):
            return ImportChunk.objects.get(pk=key)
    return None


def _check(job: ImportJob, chunk: ImportChunk) -> None:
    judged = judge(job, chunk.rows)
    with transaction.atomic():
        row = ImportJob.objects.select_for_update().get(pk=job.pk)
        if row.state != State.CHECKING or (row.mapping, row.key_by) != (job.mapping, job.key_by):
            return  # named anew meanwhile
        if not ImportChunk.objects.filter(pk=chunk.pk, checked_at=None).update(
            checked_at=timezone.now(), claimed_until=None
        ):
            return
        ImportLine.objects.bulk_create((_line(job, chunk, each) for each in judged), batch_size=CHUNK)


def _line(job: ImportJob, chunk: ImportChunk, each: Judged) -> ImportLine:
    return ImportLine(
        job=job,
        chunk=chunk,
        number=each.number,
        state=each.state,
        key=each.key[:240],
        code=each.code[:90],
        faults=each.faults,
        before=each.before,
        after=each.after,
    )


def _finish(job: ImportJob) -> int:
    """All chunks are through: the file is checked, or carried out."""
    with transaction.atomic():
        row = ImportJob.objects.select_for_update().get(pk=job.pk)
        if row.state != job.state:
            return 0
        if row.state == State.CHECKING:
            _find_doubles(row)
            count_lines(row)
            row.state = State.CHECKED
            row.save()
        else:
            _end(row)
    return 1


def _find_doubles(job: ImportJob) -> None:
    """One row is changed by one line: the second and later ones are wrong."""
    for name in ("code", "key"):
        filled = job.lines.exclude(**{name: ""})
        doubled = filled.order_by().values(name).annotate(n=Count("pk"), first=Min("number")).filter(n__gt=1)
        for one in list(doubled):
            again = job.lines.filter(**{name: one[name]}, number__gt=one["first"])
            words = "The same key" if name == "key" else "The same code"
            for line in again.exclude(state=ImportLine.State.FAULT):
                line.faults = [*line.faults, ["", f"{words} is in line {one['first']}."]]
                line.state, line.before, line.after = ImportLine.State.FAULT, {}, {}
                line.save()


def count_lines(job: ImportJob) -> None:
    counted = dict(job.lines.order_by().values_list("state").annotate(n=Count("pk")))
    states = ImportLine.State
    job.new, job.changed = counted.get(states.NEW, 0), counted.get(states.CHANGED, 0)
    job.same, job.faulty = counted.get(states.SAME, 0), counted.get(states.FAULT, 0)


# --- carrying out ---------------------------------------------------------------------------------------------------------


def carry_out(*, actor: Staff, job: ImportJob) -> ImportJob:
    """Let what was checked be done. Raises NotAllowed or Refused (faults are left, nothing to do, not checked)."""
    catalogue.require_manager(actor, job.group)
    with transaction.atomic():
        row = ImportJob.objects.select_for_update().get(pk=job.pk)
        if row.state != State.CHECKED:
            raise Refused(f"This import is {row.get_state_display()}.")
        if row.faulty and row.extent == ImportJob.Extent.FILE:
            raise Refused("Some lines are wrong, and all lines go together: mend them, or let each line go by itself.")
        if not row.new and not row.changed:
            raise Refused("There is nothing to do.")
        row.chunks.update(put_at=None, claimed_until=None)
        row.state, row.trouble, row.done_by, row.put, row.claimed_until = State.PUTTING, "", actor, 0, None
        row.save()
    return row


def _put_whole(job: ImportJob) -> int:
    now = timezone.now()
    free = Q(claimed_until=None) | Q(claimed_until__lt=now)
    if not ImportJob.objects.filter(free, pk=job.pk, state=State.PUTTING).update(claimed_until=now + CLAIM_WHOLE):
        return 0
    try:
        with transaction.atomic():
            row = ImportJob.objects.select_for_update(of=("self",)).select_related("group", "done_by").get(pk=job.pk)
            if row.state != State.PUTTING:
                return 0
            for chunk in row.chunks.defer("rows").order_by("place").iterator(chunk_size=50):
                row.put += put_chunk(row, chunk, leave_out=False)
            _end(row)
    except Differs as problem:
        _halt(job, str(problem))
    return 1


def _put(job: ImportJob, chunk: ImportChunk) -> None:
    with transaction.atomic():
        row = ImportJob.objects.select_for_update(of=("self",)).select_related("group", "done_by").get(pk=job.pk)
        if row.state != State.PUTTING:
            return
        if ImportChunk.objects.filter(pk=chunk.pk, put_at=None).update(put_at=timezone.now(), claimed_until=None):
            row.put += put_chunk(row, chunk, leave_out=True)
            row.save(update_fields=["put"])


def _halt(job: ImportJob, words: str) -> None:
    with transaction.atomic():
        row = ImportJob.objects.select_for_update().get(pk=job.pk)
        if row.state == State.PUTTING:
            row.state, row.trouble, row.put, row.claimed_until = State.CHECKED, words[:300], 0, None
            row.save()


def _end(job: ImportJob) -> None:
    """The last step, inside the transaction of the last change: one row of the trail that covers every line by its digest."""
    job.state, job.done_at, job.claimed_until = State.DONE, timezone.now(), None
    count_lines(job)
    job.save()
    digest = hashlib.sha256()
    lines = job.lines.filter(put=True).order_by("number").values_list("number", "code", "before", "after")
    for line in lines.iterator(chunk_size=1000):
        digest.update(repr(line).encode())
    audit.record(
        actor=job.done_by,
        action="catalogue.imported",
        subject=str(job),
        group=job.group,
        after={
            "kind": job.kind,
            "file": job.file_name,
            "file_sha256": job.file_sha256,
            "new": job.new,
            "changed": job.changed,
            "left_out": job.faulty,
            "lines_sha256": digest.hexdigest(),
        },
    )


def drop(*, actor: Staff, job: ImportJob) -> None:
    """Not to be carried out: its lines are forgotten. Raises NotAllowed or Refused."""
    catalogue.require_manager(actor, job.group)
    with transaction.atomic():
        row = ImportJob.objects.select_for_update().get(pk=job.pk)
        if row.state not in OPEN:
            raise Refused(f"This import is {row.get_state_display()}.")
        _forget(row)
        audit.record(actor=actor, action="catalogue.import_dropped", subject=str(row), group=row.group)


def _forget(job: ImportJob) -> None:
    job.lines.all().delete()
    job.chunks.all().delete()
    job.state, job.sample = State.DROPPED, []
    job.save()


def drop_old() -> int:
    """Jobs that were begun a week ago and never carried out. For the worker."""
    old = ImportJob.objects.filter(state__in=OPEN, started_at__lt=timezone.now() - KEPT_OPEN)
    count = 0
    for pk in list(old.values_list("pk", flat=True)):
        with transaction.atomic():
            row = old.select_for_update().filter(pk=pk).first()  # asked again: somebody may have let it be done meanwhile
            if row is not None:
                _forget(row)
                count += 1
    return count


def progress(job: ImportJob) -> Mapping[str, int]:
    """Lines worked off and lines in all, for the bar."""
    if job.state == State.CHECKING:
        return {"done": min(job.chunks.exclude(checked_at=None).count() * CHUNK, job.total), "total": job.total}
    return {"done": job.put, "total": job.new + job.changed}
