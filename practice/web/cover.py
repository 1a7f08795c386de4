"""Who covers for whom at this branch: set, seen, ended."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods

from practice import access, cover, staffing
from practice.errors import Invalid, NotAllowed, Refused
from practice.models import Branch, Cover, Staff
from practice.web.fields import with_errors
from practice.web.forms import Read, fields_of, show_errors
from practice.web.shell import branch_of
from practice.words import long_date, number_in


def day_to_come(text: str) -> date:
    """A day as people type it, day first: 12/3/2027, 12-03-27, 12 March 2027 or 2027-03-12."""
    words = " ".join(text.replace(".", "/").replace("-", "/").split())
    for form in ("%d/%m/%Y", "%d/%m/%y", "%Y/%m/%d", "%d %B %Y", "%d %b %Y"):
        try:
            return datetime.strptime(words, form).date()  # noqa: DTZ007  (a day has no time zone)
        except ValueError:
            continue
    raise ValueError("Day, month, year, such as 12/3/2027.")


class CoverForm(forms.Form):
    absent = forms.ChoiceField(label="Who is away")
    by = forms.ChoiceField(label="Who covers")
    from_on = Read(day_to_come, needed="Type the first day.", label="From")
    to_on = Read(day_to_come, needed="Type the last day.", label="To, this day included")

    def __init__(self, *args: Any, people: dict[str, Staff], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.people = people
        for name in ("absent", "by"):
            self.fields[name].choices = [("", "choose"), *((k, p.display_name) for k, p in people.items())]  # type: ignore[attr-defined]
            self.fields[name].error_messages |= {"required": "Choose one.", "invalid_choice": "Choose one from the list."}

    def clean_absent(self) -> Staff:
        return self.people[self.cleaned_data["absent"]]

    def clean_by(self) -> Staff:
        return self.people[self.cleaned_data["by"]]


def _desk(request: HttpRequest) -> Branch:
    branch = branch_of(request)
    if branch is None or not access.may(request.user, "cover.set", branch=branch):
        raise PermissionDenied
    return branch


@require_http_methods(["GET", "HEAD", "POST"])
def cover_page(request: HttpRequest) -> HttpResponse:
    branch = _desk(request)
    people = {str(s.pk): s for s in staffing.supervisors_at(branch)}
    ending = request.POST.get("end", "")
    form = CoverForm(
        request.POST if request.method == "POST" and not ending else None,
        people=people,
        initial={"absent": request.user.pk, "from_on": long_date(branch.today())},
    )
    trouble = ""
    if request.method == "POST":
        try:
            if ending:
                row = get_object_or_404(Cover, pk=number_in(ending, digits=18) or 0, branch=branch)
                cover.end_cover(actor=request.user, cover=row)  # type: ignore[arg-type]
                messages.success(request, "That cover is ended.")
                return redirect("practice:cover")
            if form.is_valid():
                made = cover.set_cover(actor=request.user, branch=branch, **form.cleaned_data)  # type: ignore[arg-type]
                messages.success(
                    request,
                    f"{made.by.display_name} covers for {made.absent.display_name} until {long_date(made.to_on)}.",
                )
                return redirect("practice:cover")
        except Invalid as problem:
            trouble = show_errors(form, problem)
        except (NotAllowed, Refused) as problem:
            trouble = problem.message
    fields = fields_of(form, from_on={"autocomplete": "off"}, to_on={"autocomplete": "off"})
    today = branch.today()
    context = {
        "branch": branch,
        "rows": [(row, row.from_on <= today) for row in cover.known(branch)],
        "fields": fields,
        "errors": with_errors(fields),
        "trouble": trouble,
    }
    return render(request, "practice/cover.html", context)


urlpatterns = [path("cover/", cover_page, name="cover")]
