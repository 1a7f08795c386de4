"""The start page: what waits for the person who has signed in."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path


def today(request: HttpRequest) -> HttpResponse:
    return render(request, "orders/today.html", {})


urlpatterns = [path("", today, name="today")]
