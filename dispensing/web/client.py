"""A client's page: who they are, what they had, and how powers and PDs went over the years."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import path
from django.views.decorators.http import require_safe

from practice import access


@require_safe
def client_page(request: HttpRequest, reference: str) -> HttpResponse:
    client = get_object_or_404(access.visible_clients(request.user).select_related("branch"), reference=reference)
    return render(request, "dispensing/client.html", {"client": client})


urlpatterns = [path("clients/<str:reference>/", client_page, name="client")]
