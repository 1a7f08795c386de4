"""The fitting card of a dispense, as PDF: for those who measure on paper first."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.urls import path
from django.views.decorators.http import require_safe

from dispensing.figures import compute
from dispensing.gather import case_of
from dispensing.renderers.fitting_card import Heading, fitting_card
from dispensing.web.sheet.load import load


@require_safe
def card(request: HttpRequest, reference: str) -> HttpResponse:
    """What is on record and blanks for the rest. Whoever may see the dispense may print it; it changes nothing."""
    dispense = load(request, reference)
    client, case = dispense.client, case_of(dispense)
    born = client.date_of_birth
    heading = Heading(
        reference=dispense.reference,
        client=client.full_name,
        born=f"{born.day} {born:%b %Y}" if born else "",
        branch=dispense.branch.name,
        dispenser=dispense.dispenser.display_name,
        printed=f"{case.today.day} {case.today:%b %Y}",
    )
    body = fitting_card(heading, case, compute(case))
    headers = {
        "Content-Disposition": f'inline; filename="{dispense.reference}-card.pdf"',
        "Cache-Control": "private, no-store",
    }
    return HttpResponse(body, content_type="application/pdf", headers=headers)


urlpatterns = [path("dispenses/<str:reference>/card.pdf", card, name="fitting_card")]
