"""Two people on one sheet see each other, and what the other has changed."""

from __future__ import annotations

from datetime import timedelta

from django.http import HttpRequest, JsonResponse
from django.utils import timezone
from django.views.decorators.http import require_POST

from dispensing import forms
from dispensing.models import Presence
from dispensing.record import ORDER_OF_PARTS, part_version
from dispensing.web.sheet.load import load

GONE_AFTER = timedelta(seconds=30)


@require_POST
def presence(request: HttpRequest, reference: str) -> JsonResponse:
    """Say that one is here, and learn who else is and which versions the parts have."""
    dispense = load(request, reference)
    part = str(request.POST.get("part") or "")
    now = timezone.now()
    Presence.objects.update_or_create(
        dispense=dispense,
        staff=request.user,  # type: ignore[misc]
        defaults={"part": part if part in forms.PART_NAMES else "", "seen_at": now},
    )
    others = (
        Presence.objects.filter(dispense=dispense, seen_at__gte=now - GONE_AFTER)
        .exclude(staff=request.user.pk)
        .select_related("staff")
        .order_by("staff__first_name")
    )
    by = dispense.updated_by
    return JsonResponse(
        {
            "others": [{"name": p.staff.display_name, "part": p.part} for p in others],
            "versions": {name: part_version(dispense, name) for name in ORDER_OF_PARTS},
            "by": "you" if by and by.pk == request.user.pk else by.initials if by else "",
        }
    )
