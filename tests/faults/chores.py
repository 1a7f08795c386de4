"""What a worker has to do while it is killed, and what has to be true of it at any moment and at the end.

`lay_out` makes, in the process of the seed: a file of new frames being carried out each line by itself, a workbook that changes frames
being carried out all or none, a file being checked, limits changed for dispenses that nobody else touches, and messages to a lab.
`finish` lets a worker do what is left, carries out the third file, counts everything, and takes all three back.
"""

from __future__ import annotations

import hashlib
import io
from decimal import Decimal as D

LIMITS = ("0.5", "2", "0.4")  # of imbalance.note: raises a note, takes it away, raises it again
FREE = (  # what a worker had claimed is free again, as it is by the clock after two to fifteen minutes
    "UPDATE deploy_job SET claimed_until = {past}",
    "UPDATE dispensing_importchunk SET claimed_until = {past} WHERE claimed_until IS NOT NULL",
    "UPDATE dispensing_importjob SET claimed_until = {past} WHERE claimed_until IS NOT NULL",
    "UPDATE orders_recheckitem SET claimed_until = {past} WHERE claimed_until IS NOT NULL",
    "UPDATE orders_webhookmessage SET claimed_until = CASE WHEN claimed_until IS NULL THEN NULL ELSE {past} END, due_at = {past} "
    "WHERE delivered_at IS NULL",
)
JOBS = ("work_imports", "recheck", "deliver_webhooks")
FIRST = "UPDATE deploy_job SET due_at = CASE name WHEN '{job}' THEN '2001-01-01 00:00:00+00:00' ELSE {past} END"
BUSY = "SELECT name FROM deploy_job WHERE claimed_until > {past}"
PAST = {  # a moment just gone
    "postgresql": "(now() - interval '1 s')",
    "sqlite": "strftime('%Y-%m-%d %H:%M:%f', 'now', '-1 second')",
}
# of each import: how it goes, where it is, lines it says it has put, and those in the catalogue
PUT = (
    "SELECT j.extent, j.state, j.put, (SELECT count(*) FROM dispensing_importline l WHERE l.job_id = j.id AND l.put), "
    "(SELECT count(*) FROM dispensing_catalogueframe f WHERE CASE WHEN j.extent = 'line' THEN f.code LIKE 'NEW-%' "
    "ELSE f.side = 140 END), j.new + j.changed FROM dispensing_importjob j WHERE j.file_name IN ('new.csv', 'changed.xlsx')"
)
# pieces of a file that were checked without their lines, or have lines and were not
TORN = (
    "SELECT c.id FROM dispensing_importchunk c WHERE (c.checked_at IS NULL) <> (NOT EXISTS (SELECT 1 FROM dispensing_importline l "
    "WHERE l.chunk_id = c.id))"
)


def half_done(sql) -> list[str]:
    """What is half applied at this moment; `sql` asks the database in one statement each. Empty when all is well."""
    wrong = [f"a piece checked by half: {row}" for row in sql(TORN)]
    for extent, state, put, marked, there, whole in sql(PUT):
        if not put == marked == there or (extent == "file" and put not in (0, whole)) or (state == "done" and put != whole):
            wrong.append(f"{extent}, {state}: says {put}, {marked} lines marked, {there} frames, of {whole}")
    return wrong


def lay_out(cast, lines: int, webhook: int) -> dict:
    """`lines`: of each file; `webhook`: port of the lab's server."""
    from django.utils import timezone

    from deploy.jobs import installed, note_jobs
    from dispensing.imports import export, jobs
    from dispensing.imports.kinds import KINDS
    from dispensing.models import CatalogueFrame
    from orders.issue import issue_order
    from orders.webhooks import outbox
    from practice.branches import change_limit
    from tests.factories import ClientFactory, FrameFactory
    from tests.orders.ready import ready_dispense

    note_jobs(installed(), timezone.now())
    outbox.save_webhook(actor=cast.manager, branch=cast.branch, lab=cast.lab, url=f"http://127.0.0.1:{webhook}/news")
    usual = cast.frame
    CatalogueFrame.objects.bulk_create(
        FrameFactory.build(group=cast.group, code=f"OLD-{n:05d}", model=f"Tern {n}") for n in range(lines)
    )
    cast.frame = CatalogueFrame.objects.get(code="OLD-00000")
    still = [ready_dispense(cast, client=ClientFactory(branch=cast.branch)) for _ in range(3)]
    cast.frame = usual
    for value in LIMITS:
        change_limit(
            actor=cast.manager, branch=cast.branch, name="imbalance.note", value=D(value), reason="Tried with our clients."
        )
    order = issue_order(actor=cast.dispenser, dispense=still.pop(), lab=cast.lab)
    for _ in range(20):
        outbox.announce(order, "answered", timezone.now())

    kind = KINDS["frames"]
    before = digest(cast.group)
    heading, *rows = export.rows_of(kind, kind.all(cast.group).filter(code__startswith="OLD-").order_by("code"))
    code, model, side = (heading.index(name) for name in ("code", "model", "side"))

    def begun(name, content, extent):
        job = jobs.start_import(actor=cast.manager, group=cast.group, kind="frames", file=content, file_name=name)
        return jobs.name_columns(actor=cast.manager, job=job, mapping=job.mapping, key_by="code", extent=extent)

    def let_go(job):
        jobs.work(job=job)
        return jobs.carry_out(actor=cast.manager, job=job)

    def others(prefix):
        for n, row in enumerate(rows):
            yield [f"{prefix}-{n:05d}" if i == code else f"{prefix} {n}" if i == model else c for i, c in enumerate(row)]

    def csv(prefix):
        return io.BytesIO("".join(export.csv_lines([heading, *others(prefix)])).encode())

    let_go(begun("new.csv", csv("NEW"), "line"))
    with export.workbook([heading, *([*r[:side], "140", *r[side + 1 :]] for r in rows)]) as file:
        let_go(begun("changed.xlsx", file, "file"))
    begun("late.csv", csv("LATE"), "line")
    return {"issued": order.number, "still": [d.pk for d in still], "catalogue": before, "lines": lines}


def digest(group) -> str:
    """Of all that the catalogue of frames holds."""
    from dispensing.imports import export
    from dispensing.imports.kinds import KINDS

    kind = KINDS["frames"]
    return hashlib.sha256(repr(list(export.rows_of(kind, kind.all(group).order_by("code")))).encode()).hexdigest()


def finish(still: list[int]) -> dict:
    """Everything worked off by one worker more; counts, and what the catalogue is after the imports were taken back."""
    from django.core.management import call_command
    from django.db import connection

    from dispensing.imports import jobs, undo
    from dispensing.models import ImportJob
    from orders.models import Recheck, RecheckItem, WebhookMessage
    from practice.models import AuditEvent

    def sql(statement):
        with connection.cursor() as cursor:
            cursor.execute(statement)
            return cursor.fetchall() if cursor.description else []

    def worked_off():
        for statement in (*FREE, FIRST.replace("{job}", JOBS[0])):
            sql(statement.format(past=PAST[connection.vendor]))
        call_command("worker", "--until-idle", stdout=io.StringIO())

    worked_off()
    late = ImportJob.objects.get(file_name="late.csv")
    found: dict = {"checked": [late.state, late.new, late.lines.count()]}
    jobs.carry_out(actor=late.by, job=late)
    worked_off()
    imports = list(ImportJob.objects.order_by("done_at", "pk"))
    found["imports"] = {j.file_name: [j.state, j.new, j.changed, j.faulty, j.put] for j in imports}
    found["half_done"] = half_done(sql)
    told = AuditEvent.objects.filter(action="catalogue.imported")
    found["told"] = sorted(told.values_list("subject", flat=True)) == sorted(map(str, imports))
    found["digests"] = all(told.get(subject=str(j)).after["lines_sha256"] == _lines(j) for j in imports)
    found["rechecks"] = [
        [
            r.total,
            r.done,
            r.items.exclude(done_at=None).count(),
            r.items.exclude(trouble="").count(),
            r.finished_at is not None,
        ]
        for r in Recheck.objects.all()
    ]
    found["items_once"] = (
        RecheckItem.objects.count() == RecheckItem.objects.values("recheck", "dispense").distinct().count()
    )
    # dispenses that are alike were judged alike, and what was found of one is there once
    found["changes"] = [
        [r.kind, *(sorted(r.changes.filter(dispense=d).values_list("kind", "check_id", "finding_key")) for d in still)]
        for r in Recheck.objects.exclude(subject__startswith="edition").order_by("pk")
    ]
    found["messages"] = dict(WebhookMessage.objects.values_list("message_id", "order__number"))
    found["undelivered"] = WebhookMessage.objects.filter(delivered_at=None).count()
    for job in reversed(imports):
        undo.undo(actor=job.by, job=job)
    found["catalogue"] = digest(late.group)
    for name in ("verify_audit", "verify_orders"):
        out = io.StringIO()
        call_command(name, stdout=out)
        found[name] = out.getvalue()
    return found


def _lines(job) -> str:
    found = hashlib.sha256()
    for line in job.lines.filter(put=True).order_by("number").values_list("number", "code", "before", "after"):
        found.update(repr(line).encode())
    return found.hexdigest()
