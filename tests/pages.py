"""The pages whose cost is watched, and what they are looked at with: by benchmarks at a million dispenses, by a test on the demo.

`look_for` finds its people and records by what they are, so that it serves any group that has an open dispense, an order at a lab and
somebody who signs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.db.models import Q
from django.test import Client as Browser
from django.urls import reverse

from dispensing.models import Dispense
from orders import labs
from orders.models import Lab, Order
from practice.models import Client, Post, Staff

FORM = "application/x-www-form-urlencoded"


@dataclass(slots=True)
class World:
    """Somebody who signs at a branch where there is work, their manager, and one record of each kind."""

    signer: Staff
    manager: Staff
    dispense: Dispense
    order: Order
    client: Client
    lab: Lab
    token: str
    feed_after: int


def look_for(branch_code: str = "") -> World:
    """The world of the branch with that code; without one, of the first that has everything. LookupError where none has."""
    for post in Post.objects.filter(role="supervisor").select_related("staff", "branch").order_by("branch__code", "pk"):
        branch = post.branch
        if branch_code and branch.code != branch_code:
            continue
        manager = Post.objects.filter(branch=branch, role="manager").select_related("staff").first()
        ready = (
            Dispense.objects.filter(branch=branch, state="open", fit_confirmed_at__isnull=False)
            .exclude(Q(prescription=None) | Q(lens_option=None) | Q(dispenser=post.staff))
            .select_related("client")
            .order_by("-created_at", "-pk")
            .first()
        )
        order = (
            Order.objects.filter(branch=branch, state__in=["acknowledged", "in_work"]).order_by("-issued_at", "-pk").first()
        )
        if manager is None or ready is None or order is None:
            continue
        lab = order.lab
        last = Order.objects.filter(lab=lab).order_by("-feed_position").values_list("feed_position", flat=True)[0]
        valid = labs.valid_tokens(lab)  # of earlier runs, in a database that is kept
        token = labs.create_token(lab=lab, label="watched pages", instead_of=valid[0].pk if valid else None).text
        return World(post.staff, manager.staff, ready, order, ready.client, lab, token, max(0, last - 100))
    raise LookupError("no branch has an open dispense, an order at a lab, a supervisor and a manager")


@dataclass(frozen=True, slots=True)
class Page:
    """How one page is asked for. `who` is an attribute of World, empty for a lab."""

    name: str
    who: str
    ask: Callable[[Browser, World], Any]


def _slip(word: str) -> str:
    """The word with two neighbouring letters exchanged."""
    return word[:3] + word[4] + word[3] + word[5:] if len(word) > 5 else word[:-1]


def _get(name: str, *attributes: str, **query: Callable[[World], str]) -> Callable[[Browser, World], Any]:
    def ask(browser: Browser, world: World) -> Any:
        args = []
        for path in attributes:
            value: Any = world
            for part in path.split("."):
                value = getattr(value, part)
            args.append(value)
        return browser.get(reverse(name, args=args), {k: v(world) for k, v in query.items()} or None)

    return ask


def _find(text: Callable[[World], str]) -> Callable[[Browser, World], Any]:
    return lambda browser, world: browser.post(reverse("practice:clients"), {"q": text(world)})


def live_body(browser: Browser, world: World) -> tuple[str, dict[str, Any]]:
    """Address and form of the live answer, as the sheet's script sends them."""
    from dispensing.forms import PART_NAMES
    from tests.dispensing.test_sheet import fields_of

    page = browser.get(reverse("dispensing:sheet", args=[world.dispense.reference])).content.decode()
    shown: dict[str, Any] = {"parts": " ".join(PART_NAMES)}
    for part in PART_NAMES:
        shown |= fields_of(page, part)
    return reverse("dispensing:preview", args=[world.dispense.reference]), shown


_forms: dict[str, tuple[str, dict[str, Any]]] = {}


def _live(browser: Browser, world: World) -> Any:
    if world.dispense.reference not in _forms:
        _forms[world.dispense.reference] = live_body(browser, world)
    url, shown = _forms[world.dispense.reference]
    return browser.post(url, urlencode(shown, doseq=True), content_type=FORM, headers={"Accept": "application/json"})


def _feed(waiting: str) -> Callable[[Browser, World], Any]:
    def ask(browser: Browser, world: World) -> Any:
        return browser.get(
            "/api/v1/orders",
            {"after": world.feed_after, **({"waiting": waiting} if waiting else {})},
            headers={"Authorization": f"Bearer {world.token}"},
        )

    return ask


PAGES = (
    Page("today", "signer", _get("orders:today")),
    Page("clients, nothing asked", "signer", _get("practice:clients")),
    Page("clients by name", "signer", _find(lambda w: f"{w.client.given_name} {w.client.family_name}")),
    Page("clients by family name", "signer", _find(lambda w: w.client.family_name)),
    Page("clients by name with a slip", "signer", _find(lambda w: _slip(w.client.family_name))),
    Page(
        "clients by name with a slip and given name",
        "signer",
        _find(lambda w: f"{_slip(w.client.family_name)} {w.client.given_name}"),
    ),
    Page("clients by date of birth", "signer", _find(lambda w: f"{w.client.date_of_birth:%d/%m/%Y}")),
    Page("clients by telephone", "signer", _find(lambda w: (w.client.phone or "01632 960111")[-6:])),
    Page("clients by reference", "signer", _find(lambda w: w.client.reference)),
    Page("client", "signer", _get("dispensing:client", "client.reference")),
    Page("sheet", "signer", _get("dispensing:sheet", "dispense.reference")),
    Page("live answer", "signer", _live),
    Page("orders", "signer", _get("orders:list")),
    Page("orders by number", "signer", _get("orders:list", q=lambda w: w.order.number)),
    Page("order", "signer", _get("orders:detail", "order.number")),
    Page("sign-off desk", "signer", _get("dispensing:sign_off_desk")),
    Page("arrivals", "signer", _get("orders:arrivals")),
    Page("learning", "manager", _get("orders:learning")),
    Page("audit trail", "manager", _get("practice:audit")),
    Page("audit trail of a client", "manager", _get("practice:audit", client=lambda w: w.client.reference)),
    Page("feed of a lab", "", _feed("any")),
    Page("feed of a lab, waiting", "", _feed("")),
)


def browsers(world: World) -> dict[str, Browser]:
    found = {"": Browser()}
    for who in ("signer", "manager"):
        found[who] = Browser()
        found[who].force_login(getattr(world, who))
    return found
