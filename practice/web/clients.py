"""Clients: the list with its search, and the form to add or change one."""

from __future__ import annotations

from functools import partial
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.views.decorators.http import require_http_methods

from practice import access, clients
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.models import Client
from practice.web.fields import Field, with_errors
from practice.web.forms import Read, fields_of, show_errors
from practice.web.pager import Stretch
from practice.web.seen import opened
from practice.web.shell import branch_of
from practice.words import LONGEST_PROSE, birth_date, dates_meant, line, long_date, person_name, prose, telephone

A_PAGE = 50
A_FEW = 1000  # more are not counted one by one each time the page is opened


class ClientForm(forms.Form):
    given_name = Read(person_name, needed="Type the given name.", label="Given name")
    family_name = Read(person_name, needed="Type the family name.", label="Family name")
    date_of_birth = Read(str, needed="Type the date of birth.", label="Date of birth")
    sex = forms.ChoiceField(required=False, choices=[("", "not said"), *Client.Sex.choices], label="Sex")
    phone = Read(telephone, label="Telephone")
    email = forms.EmailField(required=False, max_length=254, label="Email")
    address = Read(partial(prose, longest=500), label="Address", widget=forms.Textarea)
    occupation = Read(line, label="Occupation")
    visual_needs = Read(partial(prose, longest=LONGEST_PROSE), label="Visual needs", widget=forms.Textarea)
    sight_impaired = forms.BooleanField(required=False, label="Registered sight-impaired")
    useful_eye = forms.ChoiceField(
        required=False, choices=[("", "both eyes useful"), *Client.UsefulEye.choices], label="Useful eye"
    )
    notes = Read(partial(prose, longest=LONGEST_PROSE), label="Notes", widget=forms.Textarea)
    branch = forms.TypedChoiceField(label="Usual branch", coerce=int)

    def __init__(self, *args: Any, actor: Any, client: Client | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.branches = {b.pk: b for b in access.branches_where(actor, "client.create")}
        if client is not None:
            self.branches.setdefault(client.branch_id, client.branch)
        self.fields["branch"].choices = [(b.pk, b.name) for b in self.branches.values()]  # type: ignore[attr-defined]
        self.fields["branch"].error_messages["invalid_choice"] = "Choose one of the branches you work at."
        self.fields["email"].error_messages["invalid"] = "An email address looks like name@place.example."
        for name in ("sex", "useful_eye"):
            self.fields[name].error_messages["invalid_choice"] = "Choose one from the list."

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        data["branch"] = branch = self.branches.get(data.get("branch", 0))
        typed = data.get("date_of_birth")
        if branch and typed:
            try:
                data["date_of_birth"] = birth_date(typed, branch.today())
            except ValueError as problem:
                self.add_error("date_of_birth", str(problem))
        return data

    PARTS = (
        ("Who", ("given_name", "family_name", "date_of_birth", "sex", "branch")),
        ("How to reach them", ("phone", "email", "address")),
        ("Eyes and needs", ("occupation", "useful_eye", "sight_impaired", "visual_needs", "notes")),
    )

    def parts(self, shown: list[Field]) -> list[tuple[str, list[Field]]]:
        by_name = {f.name: f for f in shown}
        return [(title, [by_name[n] for n in names]) for title, names in self.PARTS]

    def shown(self) -> list[Field]:
        return fields_of(
            self,
            given_name={"autocomplete": "off"},
            family_name={"autocomplete": "off"},
            date_of_birth={
                "autocomplete": "off",
                "inputmode": "text",
                "help": "Day first: 12/3/1961, 12 March 61 or 120361.",
                "echo": _understood(str(self["date_of_birth"].value() or ""), self),
                "attrs": {
                    "hx-post": reverse("practice:read_birth_date"),
                    "hx-trigger": "change, keyup changed delay:300ms",
                    "hx-target": "#f-date_of_birth-echo",
                    "hx-sync": "this:replace",
                },
            },
            sex={"help": "Only used to judge whether a PD is likely."},
            phone={"kind": "tel", "autocomplete": "off"},
            email={"autocomplete": "off"},
            address={"rows": 2, "autocomplete": "off"},
            occupation={"help": "What the eyes do all day."},
            visual_needs={"rows": 2},
            useful_eye={},
            notes={"rows": 2, "help": "One line each for what explains unusual figures, such as a past orbital fracture."},
        )


def _understood(text: str, form: ClientForm) -> str:
    branch = next(iter(form.branches.values()), None)
    meant = dates_meant(text, branch.today()) if branch else []
    return f"{long_date(meant[0])} · {access.age_on(meant[0], branch.today())} years" if meant and branch else ""


@require_http_methods(["GET", "HEAD", "POST"])
def read_birth_date(request: HttpRequest) -> HttpResponse:
    """How a date of birth being typed is understood; shown under the field. Asked by POST: an address holds no date of birth."""
    branch = branch_of(request)
    text = request.POST.get("date_of_birth", "")[:100]
    if branch is None or not text.strip():
        return HttpResponse("")
    try:
        born = birth_date(text, branch.today())
    except ValueError as problem:
        return HttpResponse(str(problem), content_type="text/plain; charset=utf-8")
    return HttpResponse(
        f"{long_date(born)} · {access.age_on(born, branch.today())} years", content_type="text/plain; charset=utf-8"
    )


@require_http_methods(["GET", "HEAD", "POST"])
def client_list(request: HttpRequest) -> HttpResponse:
    """The search is a POST that changes nothing: names and dates of birth belong in no address, history or log.

    An address that carries one all the same is read; no page makes one.
    """
    text = request.POST.get("q") or request.GET.get("q", "")
    everybody = access.visible_clients(request.user).filter(erased_at=None).select_related("branch")
    branch = branch_of(request)
    context: dict[str, Any] = {
        "q": text[:200],
        "search": Field(
            name="q",
            label="Name, date of birth, telephone number or reference",
            value=text[:200],
            kind="search",
            autocomplete="off",
        ),
        "may_add": bool(branch and access.may(request.user, "client.create", branch=branch)),
        "total": f"more than {A_FEW}" if (count := everybody[: A_FEW + 1].count()) > A_FEW else str(count),
    }
    if text.strip() and branch:
        context["found"] = clients.find_clients(everybody, text, today=branch.today())
    else:
        page = Stretch(everybody.order_by("family_name", "given_name", "pk"), A_PAGE, request.GET.get("page"))
        context |= {"page": page, "found": page.rows}
    context["people"] = [(c, access.age_on(c.date_of_birth, c.branch.today())) for c in context["found"]]
    return render(request, "practice/clients.html", context)


def new_client(request: HttpRequest) -> HttpResponse:
    branch = branch_of(request)
    if branch is None or not access.may(request.user, "client.create", branch=branch):
        raise PermissionDenied("Only people with a post at a branch put clients on record.")
    form = ClientForm(request.POST or None, actor=request.user, initial={"branch": branch.pk if branch else None})
    trouble, alike = "", []
    if request.method == "POST" and form.is_valid():
        values = form.cleaned_data
        if not request.POST.get("another"):
            alike = clients.same_person(
                access.visible_clients(request.user),
                family_name=values["family_name"],
                given_name=values["given_name"],
                born=values["date_of_birth"],
            )
        if alike:
            trouble = "Somebody like this is already on record. Open them, or say that this is another person."
        else:
            try:
                client = clients.add_client(actor=request.user, branch=values["branch"], values=values)  # type: ignore[arg-type]
            except Invalid as problem:
                trouble = show_errors(form, problem)
            except NotAllowed as problem:
                trouble = problem.message
            else:
                messages.success(request, f"{client.full_name} is on record as {client.reference}.")
                return redirect("dispensing:client", client.reference)
    fields = form.shown()
    context = {"parts": form.parts(fields), "errors": with_errors(fields), "trouble": trouble, "alike": alike}
    return render(request, "practice/client_form.html", context)


def edit_client(request: HttpRequest, reference: str) -> HttpResponse:
    client = get_object_or_404(access.visible_clients(request.user).select_related("branch", "group"), reference=reference)
    opened(request, client, f"client {reference}")
    initial = {name: getattr(client, name) for name in clients.FIELDS} | {
        "branch": client.branch_id,
        "date_of_birth": long_date(client.date_of_birth),
    }
    form = ClientForm(request.POST or None, actor=request.user, client=client, initial=initial)
    trouble = ""
    if request.method == "POST" and form.is_valid():
        version = request.POST.get("version", "")
        try:
            clients.change_client(
                actor=request.user,  # type: ignore[arg-type]
                client=client,
                version=int(version) if version.isascii() and version.isdigit() and len(version) < 10 else 0,
                values=form.cleaned_data,
            )
        except Invalid as problem:
            trouble = show_errors(form, problem)
        except (Conflict, NotAllowed, Refused) as problem:
            trouble = problem.message
        else:
            messages.success(request, "Saved.")
            return redirect("dispensing:client", client.reference)
    fields = form.shown()
    context = {
        "client": client,
        "version": request.POST.get("version") or client.version,
        "parts": form.parts(fields),
        "errors": with_errors(fields),
        "trouble": trouble,
    }
    return render(request, "practice/client_form.html", context)


urlpatterns = [
    path("clients/", client_list, name="clients"),
    path("clients/new/", new_client, name="new_client"),
    path("clients/read-birth-date/", read_birth_date, name="read_birth_date"),
    path("clients/<str:reference>/edit/", edit_client, name="edit_client"),
]
