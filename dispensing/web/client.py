"""A client's page: who they are, what they had, and how powers and PDs went over the years."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import path
from django.views.decorators.http import require_safe

from dispensing import case as c
from dispensing.gather import current_adoptions, frame_of, prescription_of
from dispensing.models import Adoption, Dispense, Prescription
from dispensing.web.sheet import present
from dispensing.web.trend import trend
from practice import access
from practice.models import Client
from practice.web.seen import opened
from practice.web.shell import branch_of


@require_safe
def client_page(request: HttpRequest, reference: str) -> HttpResponse:
    client = get_object_or_404(access.visible_clients(request.user).select_related("branch"), reference=reference)
    opened(request, client, f"client {reference}")
    branch = branch_of(request) or client.branch
    on = branch.today()
    dispenses = list(
        Dispense.objects.filter(client=client)
        .select_related("branch", "dispenser", "lens_option__lens", "lens_option__material")
        .order_by("-created_at", "-pk")
    )
    prescriptions = _prescriptions(client)
    pds = _pds(client, dispenses)
    trends = [
        trend("Mean sphere", "D", _mean_spheres(prescriptions), least_span=1.0, digits=2, signed=True),
        trend("PD for distance", "mm", pds, least_span=2.0, digits=1),
    ]
    context: dict[str, Any] = {
        "client": client,
        "age": access.age_on(client.date_of_birth, on),
        "restricted": access.restrictions(client, branch, on),
        "dispenses": [(d, present.frame_words(frame_of(d.frame))) for d in dispenses],
        "prescriptions": [
            (p, present.prescription_words(value), p.expires_on and p.expires_on < on) for p, value in prescriptions
        ],
        "trends": [t for t in trends if t is not None],
        "may_change": client.erased_at is None
        and (
            access.may(request.user, "client.change", branch=client.branch)
            or access.may(request.user, "client.change", branch=branch)
        ),
        "may_start": client.erased_at is None and access.may(request.user, "dispense.start", branch=branch),
        "here": branch,
    }
    return render(request, "dispensing/client.html", context)


def _prescriptions(client: Client) -> list[tuple[Prescription, c.Prescription]]:
    """Newest first, as rows and as values."""
    rows = client.prescriptions.prefetch_related("eyes").defer("imported_document")
    found = [(p, prescription_of(p, p.eyes.all())) for p in rows]
    return sorted(found, key=lambda pair: (_day(pair[0]), pair[0].pk), reverse=True)


def _day(prescription: Prescription) -> date:
    """Without a day on it, that on which it was recorded, at the client's branch."""
    return prescription.written_on or _at_the_branch(prescription.created_at, prescription.client)


def _at_the_branch(at: datetime, client: Client) -> date:
    return at.astimezone(ZoneInfo(client.branch.time_zone)).date()


def _mean_spheres(
    prescriptions: Iterable[tuple[Prescription, c.Prescription]],
) -> list[tuple[date, float | None, float | None]]:
    """Sphere and half the cylinder: what is left of a power when its direction is left out."""

    def mean(lens: c.PrescribedLens) -> float | None:
        return None if lens.sphere is None or lens.balance else lens.sphere + (lens.cylinder or 0.0) / 2

    return [(_day(p), mean(value.right), mean(value.left)) for p, value in prescriptions]


def _pds(client: Client, dispenses: Iterable[Dispense]) -> list[tuple[date, float | None, float | None]]:
    """Adopted monocular distances of every dispense that was not cancelled; values in doubt are left out."""
    adopted: dict[int, list[Adoption]] = {}
    for row in Adoption.objects.filter(dispense__client=client, quantity="far_pd").order_by("at", "id"):
        adopted.setdefault(row.dispense_id, []).append(row)
    out: list[tuple[date, float | None, float | None]] = []
    for dispense in dispenses:
        if dispense.state == Dispense.State.CANCELLED or dispense.pk not in adopted:
            continue
        current = current_adoptions(adopted[dispense.pk])
        values = [current.get(("far_pd", eye)) for eye in c.EYES]
        right, left = (None if a is None or a.in_doubt or a.value is None else float(a.value) for a in values)
        out.append((_at_the_branch(dispense.created_at, client), right, left))
    return out


urlpatterns = [path("clients/<str:reference>/", client_page, name="client")]
