"""What hangs on one frame: its stock by branch, and its outline from a file of radii."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.views.decorators.http import require_POST

from dispensing import stock, traced
from dispensing.drawings.catalogue import front_picture
from dispensing.gather import frame_of
from dispensing.models import CatalogueFrame, TracedOutline
from dispensing.optics.trace_files import LARGEST
from dispensing.record import frame_to_store
from dispensing.web.catalogue import frame_of_address, stock_rows
from dispensing.web.catalogue_parts import managers_only
from practice import access
from practice.errors import Invalid, NotAllowed, Refused


@require_POST
def frame_stock(request: HttpRequest, code: str) -> HttpResponse:
    frame = frame_of_address(request, code)
    errors: dict[str, str] = {}
    counts: dict[Any, int | None] = {}
    for branch in access.branches_where(request.user, "stock.change"):
        text = request.POST.get(f"stock-{branch.pk}")
        if text is None:
            continue
        text = text.strip()
        if text and not (text.isascii() and text.isdigit() and len(text) <= 3):
            errors[str(branch.pk)] = f"A whole number from 0 to {stock.MOST}, or nothing."
        else:
            counts[branch] = int(text) if text else None
    if not errors:
        try:
            moved = stock.set_stock(actor=request.user, frame=frame, counts=counts)  # type: ignore[arg-type]
        except NotAllowed as problem:
            raise PermissionDenied(problem.message) from problem
        except Invalid as problem:
            errors = problem.errors
        else:
            messages.success(request, "The stock is counted." if moved else "Nothing was different.")
            return redirect("dispensing:frame", frame.code)
    context = {"item": frame, "stock": stock_rows(request, frame, request.POST, errors), "alone": True}
    return render(request, "dispensing/frame_stock.html", context)


def frame_outline(request: HttpRequest, code: str) -> HttpResponse:
    """Choose a file of radii; look at the shape over the stated box; take or refuse it."""
    managers_only(request)
    frame = frame_of_address(request, code)
    trouble = error = ""
    if request.method == "POST":
        try:
            said = _outline_deed(request, frame)
        except Invalid as problem:
            error = problem.errors.get("file", "")
        except (Refused, NotAllowed) as problem:
            trouble = problem.message
        else:
            if said:
                messages.success(request, said)
                return redirect("dispensing:frame", frame.code)
            return redirect("dispensing:frame_outline", frame.code)
    waiting = frame.traced.filter(decided_at=None).select_related("frame", "read_by").first()
    context: dict[str, Any] = {
        "item": frame,
        "trouble": trouble,
        "error": error,
        "eye": request.POST.get("eye", "right"),
        "waiting": waiting,
    }
    if waiting is not None:
        sides = traced.sides_of(waiting)
        context |= {
            "sides": sides,
            "fits": all(s.fits for s in sides[:2]),
            "picture": front_picture(_with_outline(frame, waiting), _today()),
        }
    return render(request, "dispensing/frame_outline.html", context)


def _today() -> date:
    return timezone.localdate()


def _with_outline(frame: CatalogueFrame, outline: TracedOutline) -> Any:
    """The frame with the shape that waits, in the box that is stated: where the two differ, it shows."""
    stored = frame_to_store(frame, {}) | {"outline": outline.radii}
    return frame_of(stored)


def _outline_deed(request: HttpRequest, frame: CatalogueFrame) -> str:
    deed, actor = request.POST.get("deed", ""), request.user
    if deed in ("take", "refuse"):
        waiting = frame.traced.filter(decided_at=None).first()
        if waiting is None:
            raise Refused("There is no outline to decide on.")
        traced.decide_outline(actor=actor, outline=waiting, take=deed == "take")  # type: ignore[arg-type]
        return (
            "The outline is taken into the catalogue." if deed == "take" else "The outline is refused; nothing was changed."
        )
    file = request.FILES.get("file")
    if file is None or isinstance(file, list):
        raise Invalid({"file": "Choose a file."})
    if (file.size or 0) > LARGEST:
        raise Invalid({"file": f"The file is larger than {LARGEST // 1000} kB."})
    eye = "left" if request.POST.get("eye") == "left" else "right"
    traced.read_outline(
        actor=actor,  # type: ignore[arg-type]
        frame=frame,
        data=file.read(),
        eye=eye,
        file_name=file.name or "",
    )
    return ""


urlpatterns = [
    path("frames/<str:code>/stock", frame_stock, name="frame_stock"),
    path("frames/<str:code>/outline", frame_outline, name="frame_outline"),
]
