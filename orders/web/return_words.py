"""The lists of the return visit, and a group's own entries in them."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.views.decorators.http import require_http_methods

from orders import return_words
from orders.models_learning import ReturnWord
from practice import access
from practice.errors import Conflict, Invalid, NotAllowed, Refused
from practice.web.fields import Field
from practice.web.shell import branch_of

TITLES = {
    "complaint": ("What clients say", "Like", "An entry that is like a built-in one is explained like it."),
    "cause": ("What the cause turned out to be", "", ""),
    "outcome": ("What is done", "Works as", "What happens to the order follows from it."),
}
DEEDS = ("add", "rename", "retire", "bring_back")


@require_http_methods(["GET", "HEAD", "POST"])
def return_words_page(request: HttpRequest) -> HttpResponse:
    branch = branch_of(request)
    may = branch is not None and access.may(request.user, "catalogue.change", branch=branch)
    errors: dict[str, str] = {}
    trouble, deed, kind = "", request.POST.get("deed", ""), request.POST.get("kind", "")
    chosen = request.POST.get("word", "")
    if request.method == "POST" and branch is not None and deed in DEEDS:
        given: dict[str, Any] = {"actor": request.user, "branch": branch}
        text = request.POST.get("text", "")[:200]
        try:
            if deed == "add":
                return_words.add_word(**given, kind=kind, text=text, like=request.POST.get("like", "")[:30])
            else:
                own = access.scoped(ReturnWord.objects.all(), request.user)
                word = get_object_or_404(
                    own, pk=int(chosen) if chosen.isascii() and chosen.isdigit() and len(chosen) < 19 else 0
                )
                kind = word.kind
                if deed == "rename":
                    return_words.rename_word(**given, word=word, text=text)
                else:
                    return_words.retire_word(**given, word=word, back=deed == "bring_back")
        except Invalid as problem:
            errors = problem.errors
        except (Conflict, NotAllowed, Refused) as problem:
            trouble = problem.message
        else:
            messages.success(request, "Saved.")
            return redirect("orders:return_words")
    own_words = list(access.scoped(ReturnWord.objects.all(), request.user))
    parts: list[dict[str, Any]] = []
    for name, (title, like_label, like_help) in TITLES.items():
        here = deed == "add" and kind == name
        field = Field(
            name="text", label="New entry", ident=f"{name}-text", value=request.POST.get("text", "")[:200] if here else "",
            error=errors.get("text", "") if here else "", autocomplete="off",
        )  # fmt: skip
        like = Field(
            name="like", label=like_label, ident=f"{name}-like", kind="select", value=request.POST.get("like", "") if here else "",
            choices=[("", "choose …" if name == "outcome" else "none of them"), *return_words.BUILT_IN[name].items()],
            error=errors.get("like", "") if here else "", help=like_help,
        ) if like_label else None  # fmt: skip
        rows = []
        for word in own_words:
            if word.kind != name:
                continue
            bad = deed == "rename" and chosen == str(word.pk)
            rename = Field(
                name="text", label=f"Rename “{word.text}”", ident=f"word-{word.pk}",
                value=request.POST.get("text", "")[:200] if bad else word.text, error=errors.get("text", "") if bad else "",
                autocomplete="off",
            )  # fmt: skip
            rows.append((word, return_words.BUILT_IN[name].get(word.like, ""), rename))
        parts.append(
            {
                "kind": name,
                "title": title,
                "built_in": return_words.BUILT_IN[name].values(),
                "own": rows,
                "field": field,
                "like": like,
            }
        )
    fields = [f for p in parts for f in (p["field"], p["like"], *(r[2] for r in p["own"])) if f is not None and f.error]
    context = {"parts": parts, "may": may, "errors": fields, "trouble": trouble, "branch": branch}
    return render(request, "orders/return_words.html", context)


urlpatterns = [path("learning/words/", return_words_page, name="return_words")]
