"""Catalogues from files and to files: choose, name the columns, look, let it be done, undo. Managers of the group only."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_POST, require_safe
from django_htmx.http import HttpResponseClientRedirect

from dispensing import catalogue
from dispensing.imports import jobs, undo
from dispensing.imports.export import lines_to_mend, rows_of, workbook
from dispensing.imports.files import MOST_BYTES, MOST_LINES, Unreadable
from dispensing.imports.kinds import KINDS
from dispensing.models import CatalogueFrame, ImportJob, ImportLine
from dispensing.web.catalogue import frames_asked_for
from practice import access
from practice.errors import Invalid, NotAllowed, Refused
from practice.tables import csv_lines

SHOWN = 40  # lines of each part of a preview
STEP_SECONDS = 0.5  # what a page works off before it shows where things are
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def _managers_only(request: HttpRequest) -> None:
    if not catalogue.may_change(request.user):  # type: ignore[arg-type]
        raise PermissionDenied("Only a manager of this group can change its catalogues.")


def _job(request: HttpRequest, pk: int) -> ImportJob:
    rows = access.scoped(ImportJob.objects.select_related("group", "by", "done_by", "undone_by"), request.user)
    return get_object_or_404(rows, pk=pk)


def imports(request: HttpRequest) -> HttpResponse:
    """Choose a file, and the imports there have been."""
    _managers_only(request)
    kind = request.POST.get("kind") or request.GET.get("kind", "")
    kind = kind if kind in KINDS else "frames"
    trouble = ""
    if request.method == "POST":
        file = request.FILES.get("file")
        try:
            if file is None or isinstance(file, list) or file.file is None:
                raise Unreadable("Choose a file.")
            if (file.size or 0) > MOST_BYTES:
                raise Unreadable(f"The file is larger than {MOST_BYTES // 1_000_000} MB.")
            job = jobs.start_import(
                actor=request.user,  # type: ignore[arg-type]
                group=request.user.group,  # type: ignore[union-attr, arg-type]
                kind=kind,
                file=file.file,  # type: ignore[arg-type]
                file_name=file.name or "",
            )
        except Unreadable as problem:
            trouble = str(problem)
        else:
            return redirect("dispensing:import_job", job.pk)
    rows = access.scoped(ImportJob.objects.select_related("by"), request.user).exclude(state=ImportJob.State.DROPPED)
    context = {
        "kinds": [(name, k.label, name == kind) for name, k in KINDS.items()],
        "columns": [(k.label, [(c.label, c.name, c.needed) for c in k.columns]) for k in KINDS.values()],
        "most_lines": MOST_LINES,
        "most_mb": MOST_BYTES // 1_000_000,
        "trouble": trouble,
        "jobs": rows[:30],
    }
    return render(request, "dispensing/imports.html", context)


def import_job(request: HttpRequest, pk: int) -> HttpResponse:
    """One file: what its columns are, what it would do, what it did."""
    _managers_only(request)
    job = _job(request, pk)
    errors: dict[str, str] = {}
    trouble = ""
    if request.method == "POST":
        try:
            said = _do(request, job)
        except Invalid as problem:
            errors = problem.errors
        except (Refused, NotAllowed) as problem:
            trouble = problem.message
        else:
            if said:
                messages.success(request, said)
            dropped = request.POST.get("deed") == "drop"
            return redirect("dispensing:imports") if dropped else redirect("dispensing:import_job", job.pk)
        job = _job(request, pk)
    return render(request, "dispensing/import_job.html", _context(request, job, errors, trouble))


def _do(request: HttpRequest, job: ImportJob) -> str:
    deed, actor = request.POST.get("deed", ""), request.user
    if deed == "columns":
        mapping = [request.POST.get(f"column-{place}", "")[:40] for place in range(len(job.heading))]
        jobs.name_columns(
            actor=actor,  # type: ignore[arg-type]
            job=job,
            mapping=mapping,
            key_by=request.POST.get("key_by", "")[:8],
            extent=request.POST.get("extent", "")[:4],
        )
        return ""
    if deed == "carry out":
        jobs.carry_out(actor=actor, job=job)  # type: ignore[arg-type]
        return ""
    if deed == "undo":
        undo.undo(actor=actor, job=job)  # type: ignore[arg-type]
        return "The import is undone: the catalogue is as it was before."
    if deed == "drop":
        jobs.drop(actor=actor, job=job)  # type: ignore[arg-type]
        return "The file is left alone; nothing was changed."
    raise Refused("That is not something that can be done here.")


def _context(request: HttpRequest, job: ImportJob, errors: dict[str, str], trouble: str) -> dict[str, Any]:
    kind, state = KINDS[job.kind], ImportJob.State(job.state)
    naming = state == ImportJob.State.MAPPING or (
        state == ImportJob.State.CHECKED and (bool(errors) or request.GET.get("columns") == "1")
    )
    context: dict[str, Any] = {
        "job": job,
        "kind": kind,
        "naming": naming,
        "running": state in (ImportJob.State.CHECKING, ImportJob.State.PUTTING),
        "trouble": trouble or job.trouble,
        "fields": [
            (c.name, c.label + (" (needed)" if c.name in kind.needed(job.key_by or "code") else "")) for c in kind.columns
        ],
        **_progress(job),
    }
    if naming:
        posted = request.POST if errors else {}
        mapping = [posted.get(f"column-{n}", name) for n, name in enumerate(job.mapping)]
        context |= {
            "columns": [
                {
                    "place": n,
                    "heading": text or f"column {n + 1}",
                    "field": mapping[n],
                    "sample": [line[n] for line in job.sample if n < len(line) and line[n]][:3],
                    "error": errors.get(f"column-{n}", ""),
                }
                for n, text in enumerate(job.heading)
            ],
            "keys": [(name, words, name == posted.get("key_by", job.key_by)) for name, words in kind.keys.items()],
            "extents": [(v, w, v == posted.get("extent", job.extent)) for v, w in ImportJob.Extent.choices],
            "key_error": errors.get("key_by", ""),
            "said": list(errors.items()),
        }
    elif state in (ImportJob.State.CHECKED, ImportJob.State.DONE, ImportJob.State.UNDONE):
        labels = {c.name: c.label for c in kind.columns}

        def some(which: str) -> list[ImportLine]:
            return list(job.lines.filter(state=which).order_by("number")[:SHOWN])

        context |= {
            "faults": [
                (line.number, line.code or line.key, [(labels.get(c, c), m) for c, m in line.faults])
                for line in some(ImportLine.State.FAULT)
            ],
            "changes": [(line, _differences(line, labels)) for line in some(ImportLine.State.CHANGED)],
            "new": [(line, _said_of(line)) for line in some(ImportLine.State.NEW)],
            "shown": SHOWN,
            "may_go": state == ImportJob.State.CHECKED
            and (job.new or job.changed)
            and not (job.faulty and job.extent == ImportJob.Extent.FILE),
        }
        if state == ImportJob.State.DONE:
            context["hindrances"] = undo.hindrances(job)
    return context


def _progress(job: ImportJob) -> dict[str, Any]:
    at = jobs.progress(job)
    whole = job.state == ImportJob.State.PUTTING and job.extent == ImportJob.Extent.FILE
    return {"done": at["done"], "total": at["total"], "whole": whole}


def _differences(line: ImportLine, labels: dict[str, str]) -> list[tuple[str, str, str]]:
    return [(labels.get(n, n.replace("_", " ")), _short(line.before.get(n)), _short(line.after[n])) for n in line.after]


def _said_of(line: ImportLine) -> str:
    got = line.after
    words = [str(got[n]) for n in ("maker", "model", "name", "colour") if got.get(n)]
    if got.get("a"):
        words.append(f"{got['a']} □ {got.get('dbl') or '?'}")
    return " · ".join(words)


def _short(value: Any) -> str:
    if value in (None, "", []):
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return f"{len(value)} entries" if len(value) > 8 else " ".join(map(_entry, value))
    return str(value)


def _entry(value: Any) -> str:
    return " ".join(str(v) for v in value.values() if v != "") if isinstance(value, dict) else str(value)


@require_POST
def import_step(request: HttpRequest, pk: int) -> HttpResponse:
    """Push the job a little, then show where it is; at its end the whole page is shown anew."""
    _managers_only(request)
    job = _job(request, pk)
    jobs.work(job=job, seconds=STEP_SECONDS)
    job = _job(request, pk)
    running = job.state in (ImportJob.State.CHECKING, ImportJob.State.PUTTING)
    if not getattr(request, "htmx", False):
        return redirect("dispensing:import_job", job.pk)
    if not running:
        return HttpResponseClientRedirect(request.build_absolute_uri(f"/catalogue/imports/{job.pk}/"))
    context = {"job": job, "running": running, **_progress(job)}
    return render(request, "dispensing/_import_progress.html", context)


@require_safe
def import_lines(request: HttpRequest, pk: int) -> HttpResponseBase:
    """The faulty lines, or all (?all=1), with what is wrong in a last column."""
    _managers_only(request)
    job = _job(request, pk)
    answer = StreamingHttpResponse(
        csv_lines(lines_to_mend(job, every=request.GET.get("all") == "1")), content_type="text/csv; charset=utf-8"
    )
    answer["Content-Disposition"] = f'attachment; filename="{job.kind}-to-mend.csv"'
    return answer


@require_safe
def export(request: HttpRequest, kind: str, form: str) -> HttpResponseBase:
    """A catalogue as CSV or workbook; of frames those that the search found."""
    if kind not in KINDS or form not in ("csv", "xlsx"):
        raise Http404
    what = KINDS[kind]
    if not access.works_somewhere(request.user):
        raise Http404
    items = what.all(request.user.group)  # type: ignore[union-attr, arg-type]
    if kind == "frames":
        items = frames_asked_for(request, access.scoped(CatalogueFrame.objects.all(), request.user))
    rows = rows_of(what, items.iterator(chunk_size=500))
    if form == "xlsx":
        return FileResponse(workbook(rows), as_attachment=True, filename=f"{kind}.xlsx", content_type=WORKBOOK)
    answer = StreamingHttpResponse(csv_lines(rows), content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="{kind}.csv"'
    return answer


urlpatterns = [
    path("catalogue/imports/", imports, name="imports"),
    path("catalogue/imports/<int:pk>/", import_job, name="import_job"),
    path("catalogue/imports/<int:pk>/step", import_step, name="import_step"),
    path("catalogue/imports/<int:pk>/lines.csv", import_lines, name="import_lines"),
    path("catalogue/<str:kind>.<str:form>", export, name="export"),
]
