"""The branch, its staff and the audit trail: pages for the manager."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal
from functools import partial
from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_safe

from practice import access, audit, branches, staffing
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.models import Branch, Post, Staff
from practice.web import proving
from practice.web.fields import Field, with_errors
from practice.web.forms import Read, fields_of, show_errors, whole_number
from practice.web.shell import branch_of
from practice.words import line, person_name, prose, telephone

OWN = "own_password"  # of whoever changes an account, beside the new one of somebody else


def _decimal(text: str) -> Decimal:
    text = text.strip().replace(",", ".")
    if not re.fullmatch(r"[0-9](?:\.[0-9]{1,2})?", text) or Decimal(text) > 3:
        raise ValueError("From 0 to 3 mm, such as 0.50.")
    return Decimal(text)


def _code(text: str) -> str:
    text = text.strip().upper()
    if not re.fullmatch(r"[A-Z][A-Z0-9]{0,5}", text):
        raise ValueError("One to six letters or digits A to Z and 0 to 9, a letter first.")
    return text


def _time_zone(text: str) -> str:
    text = text.strip()
    if text not in available_timezones():
        raise ValueError("A time zone is named like Europe/London.")
    return text


class BranchForm(forms.Form):
    name = Read(line, needed="Type the name of the branch.", label="Name")
    code = Read(_code, needed="Type a prefix.", label="Order number prefix")
    address = Read(partial(prose, longest=500), label="Address", widget=forms.Textarea)
    phone = Read(telephone, label="Telephone")
    time_zone = Read(_time_zone, needed="Type the time zone.", label="Time zone")
    tolerance_standard = forms.ChoiceField(choices=Branch.Standard.choices, label="Tolerance standard")
    cylinder_form = forms.ChoiceField(choices=Branch.CylinderForm.choices, label="Powers are shown in")
    restricted_below_age = Read(whole_number(1, 25, optional=True, unit=" years"), label="Registered person below age")
    prescription_valid_months = Read(
        whole_number(1, 120, optional=True, unit=" months"), label="A prescription is valid for"
    )
    registered_may_use_expired = forms.BooleanField(
        required=False, label="A registered person may dispense an out-of-date prescription, with a reason"
    )
    idle_minutes = Read(whole_number(5, 720, optional=True, unit=" minutes"), label="Sign out when unused for")
    keep_adult_years = Read(whole_number(1, 100, unit=" years"), needed="Type the years.", label="Keep an adult's for")
    keep_child_until_age = Read(whole_number(16, 100, unit=" years"), needed="Type the age.", label="Keep a child's to age")
    adult_from_age = Read(whole_number(12, 25, optional=True, unit=" years"), label="Of age from")
    groove_mm = Read(_decimal, needed="Type the usual depth.", label="Rim to bevel apex, each side")
    name_on_lab_documents = forms.BooleanField(required=False, label="Put the client's name on documents for the lab")
    impact_statement = Read(partial(line, longest=400), label="Impact-resistance statement at the receipt check")
    prism_feed = forms.ChoiceField(
        required=False,
        choices=Branch._meta.get_field("prism_feed").choices or [],
        label="Prism tolerance of an unequal pair goes by",
    )

    def clean_adult_from_age(self) -> int:
        return self.cleaned_data["adult_from_age"] or 18

    def clean_prism_feed(self) -> str:
        return self.cleaned_data["prism_feed"] or "weaker"

    PARTS = (
        ("Place", ("name", "code", "phone", "time_zone", "address")),
        ("How powers and prisms are judged", ("tolerance_standard", "prism_feed", "cylinder_form", "groove_mm")),
        (
            "Rules that differ by country",
            ("restricted_below_age", "prescription_valid_months", "registered_may_use_expired", "impact_statement"),
        ),
        (
            "Records",
            ("idle_minutes", "keep_adult_years", "keep_child_until_age", "adult_from_age", "name_on_lab_documents"),
        ),
    )


_BRANCH_DETAILS: dict[str, dict[str, Any]] = {
    "code": {"help": "Numbers already given keep theirs."},
    "phone": {"kind": "tel"},
    "time_zone": {"help": "Ages, expiry and times on pages follow it."},
    "restricted_below_age": {
        "unit": "years",
        "kind": "figure",
        "inputmode": "numeric",
        "help": "Empty: no such rule here.",
    },
    "prescription_valid_months": {
        "unit": "months",
        "kind": "figure",
        "inputmode": "numeric",
        "help": "Unless it says a date.",
    },
    "idle_minutes": {
        "unit": "minutes",
        "kind": "figure",
        "inputmode": "numeric",
        "help": "Empty: only when the day’s session ends, after 12 hours.",
    },
    "keep_adult_years": {
        "unit": "years",
        "kind": "figure",
        "inputmode": "numeric",
        "help": "After the last visit. 10 is a placeholder: check local law.",
    },
    "keep_child_until_age": {
        "unit": "years",
        "kind": "figure",
        "inputmode": "numeric",
        "help": "Or as long as an adult’s, if that is later. 25 is a placeholder: check local law.",
    },
    "adult_from_age": {
        "unit": "years",
        "kind": "figure",
        "inputmode": "numeric",
        "help": "Younger at the last visit: kept as a child’s. Check local law.",
    },
    "groove_mm": {"unit": "mm", "kind": "figure", "inputmode": "decimal", "help": "Where the frame does not say."},
    "impact_statement": {
        "wide": True,
        "help": "What has to be stated of finished lenses by local rules. Empty: no such rule here.",
    },
    "prism_feed": {"help": "No text seen settles it: check your copy of the standard."},
}


def branch_page(request: HttpRequest, pk: int) -> HttpResponse:
    branch = get_object_or_404(access.visible_branches(request.user).select_related("group"), pk=pk)
    may_change = access.may(request.user, "branch.settings", branch=branch)
    shown = {name: getattr(branch, name) for name in branches.FIELDS}
    form = BranchForm(request.POST or None, initial=shown)
    trouble = ""
    if request.method == "POST":
        if not may_change:
            raise PermissionDenied
        if form.is_valid():
            try:
                branches.change_branch(
                    actor=request.user,  # type: ignore[arg-type]
                    branch=branch,
                    seen=request.POST.get("seen", ""),
                    values=form.cleaned_data,
                )
            except Invalid as problem:
                trouble = show_errors(form, problem)
            except (Conflict, NotAllowed) as problem:
                trouble = problem.message
            else:
                messages.success(request, "Saved.")
                return redirect("practice:branch", branch.pk)
    details = {n: _BRANCH_DETAILS.get(n, {}) | ({} if may_change else {"readonly": True}) for n in form.fields}
    fields = {f.name: f for f in fields_of(form, **details)}
    context = {
        "branch": branch,
        "may_change": may_change,
        "seen": request.POST.get("seen") or audit.token(audit.snapshot(branch, branches.FIELDS)),
        "parts": [(title, [fields[n] for n in names]) for title, names in BranchForm.PARTS],
        "errors": with_errors(fields.values()),
        "trouble": trouble,
    }
    return render(request, "practice/branch.html", context)


# --- staff ------------------------------------------------------------------------------------------------------------


def _managed(request: HttpRequest) -> Branch:
    branch = branch_of(request)
    if branch is None or not access.may(request.user, "staff.change", branch=branch):
        raise PermissionDenied
    return branch


def _username(text: str) -> str:
    text = text.strip()
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9.@_+-]{1,79}", text):
        raise ValueError("2 to 80 letters, digits and . @ _ + -")
    return text


class PersonForm(forms.Form):
    first_name = Read(person_name, needed="Type the given name.", label="Given name")
    last_name = Read(person_name, needed="Type the family name.", label="Family name")
    registration_number = Read(partial(line, longest=40), label="Registration number")
    role = forms.ChoiceField(required=False, label="Role here")
    supervisor = forms.ChoiceField(required=False, label="Supervised by")
    is_active = forms.BooleanField(required=False, label="Account is open", initial=True)

    def __init__(self, *args: Any, branch: Branch, person: Staff | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.supervisors = {str(s.pk): s for s in staffing.supervisors_at(branch) if person is None or s.pk != person.pk}
        none = [("", "no post here (any more)" if person else "choose")]
        self.fields["role"].choices = none + Post.Role.choices  # type: ignore[attr-defined]
        self.fields["supervisor"].choices = [("", "nobody")] + [(k, s.display_name) for k, s in self.supervisors.items()]  # type: ignore[attr-defined]
        for name in ("role", "supervisor"):
            self.fields[name].error_messages["invalid_choice"] = "Choose one from the list."
        if person is None:
            del self.fields["is_active"]

    def clean_supervisor(self) -> Staff | None:
        return self.supervisors.get(self.cleaned_data["supervisor"])

    def shown(self) -> list[Field]:
        return fields_of(
            self,
            registration_number={"help": "With the body that registers opticians; empty when not registered."},
            supervisor={"help": "For a trainee."},
        )


class NewPersonForm(PersonForm):
    username = Read(_username, needed="Type the name they sign in with.", label="Name to sign in")
    password = forms.CharField(
        label="First password",
        strip=False,
        widget=forms.PasswordInput,
        error_messages={"required": "Type a first password."},
    )

    def shown(self) -> list[Field]:
        return fields_of(
            self,
            registration_number={"help": "With the body that registers opticians; empty when not registered."},
            supervisor={"help": "For a trainee."},
            username={"autocomplete": "off"},
            password={"autocomplete": "new-password", "help": "At least 12 characters; they change it themselves."},
        )


@require_safe
def staff_list(request: HttpRequest) -> HttpResponse:
    branch = _managed(request)
    posts = (
        Post.objects.filter(branch=branch)
        .select_related("staff", "supervisor")
        .order_by("staff__last_name", "staff__first_name")
    )
    return render(request, "practice/staff.html", {"branch": branch, "posts": posts})


def new_person(request: HttpRequest) -> HttpResponse:
    branch = _managed(request)
    form = NewPersonForm(request.POST or None, branch=branch)
    trouble, error = "", ""
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            proving.ask(request, OWN)
            person = staffing.add_person(
                actor=request.user,  # type: ignore[arg-type]
                branch=branch,
                username=data["username"],
                password=data["password"],
                values=data,
            )
        except Invalid as problem:
            error = problem.errors.pop(OWN, "")
            trouble = show_errors(form, problem)
        except NotAllowed as problem:
            trouble = problem.message
        else:
            messages.success(request, f"{person.display_name} can sign in now.")
            return redirect("practice:staff")
    prove = proving.field(request, error, OWN)
    fields = [*form.shown(), *([prove] if prove else [])]
    context = {"branch": branch, "fields": fields, "errors": with_errors(fields), "trouble": trouble}
    return render(request, "practice/person.html", context)


def edit_person(request: HttpRequest, pk: int) -> HttpResponse:
    branch = _managed(request)
    person = get_object_or_404(access.visible_staff(request.user).filter(posts__branch=branch), pk=pk)
    shown = staffing.shown_of(person, branch)
    initial = shown | {"supervisor": shown["supervisor_id"] or "", "role": shown["role"] or ""}
    form = PersonForm(request.POST or None, branch=branch, person=person, initial=initial)
    setting = "new_password" in request.POST
    trouble, error = "", ""
    if request.method == "POST" and setting:
        try:
            proving.ask(request, OWN)
            staffing.set_password(
                actor=request.user,  # type: ignore[arg-type]
                person=person,
                branch=branch,
                password=request.POST["new_password"][:200],
            )
        except Invalid as problem:
            error = problem.errors.get(OWN, "")
            trouble = problem.errors.get("password", "")
        except (NotAllowed, Refused) as problem:
            trouble = problem.message
        else:
            messages.success(request, f"{person.display_name} has a new password; their other sessions are closed.")
            return redirect("practice:staff")
        form = PersonForm(None, branch=branch, person=person, initial=initial)
    elif request.method == "POST" and form.is_valid():
        try:
            proving.ask(request, OWN)
            staffing.change_person(
                actor=request.user,  # type: ignore[arg-type]
                person=person,
                branch=branch,
                seen=request.POST.get("seen", ""),
                values=form.cleaned_data,
            )
        except Invalid as problem:
            error = problem.errors.pop(OWN, "")
            trouble = show_errors(form, problem)
        except (Conflict, NotAllowed, Refused) as problem:
            trouble = problem.message
        else:
            messages.success(request, "Saved.")
            return redirect("practice:staff")
    prove = proving.field(request, "" if setting else error, OWN)
    again = replace(prove, ident="set-own_password", error=error if setting else "") if prove else None
    fields = [*form.shown(), *([prove] if prove else [])]
    context = {
        "branch": branch,
        "person": person,
        "prove_set": again,
        "seen": request.POST.get("seen") or audit.token(shown),
        "fields": fields,
        "errors": with_errors([*fields, *([again] if again else [])]),
        "trouble": trouble,
        "new_password": Field(
            name="new_password",
            label="New password for them",
            kind="password",
            autocomplete="new-password",
            help="At least 12 characters. For somebody who cannot sign in; they change it themselves.",
        ),
    }
    return render(request, "practice/person.html", context)


@require_safe
def own_branch(request: HttpRequest) -> HttpResponse:
    branch = branch_of(request)
    if branch is None:
        raise Http404
    return redirect("practice:branch", branch.pk)


urlpatterns = [
    path("branch/", own_branch, name="own_branch"),
    path("branches/<int:pk>/", branch_page, name="branch"),
    path("staff/", staff_list, name="staff"),
    path("staff/new/", new_person, name="new_person"),
    path("staff/<int:pk>/", edit_person, name="person"),
]
