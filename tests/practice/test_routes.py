"""Every address of the site: nothing without signing in, nothing of another group; found by walking the address list itself."""

from __future__ import annotations

import pytest
from django.urls import URLPattern, URLResolver, get_resolver, reverse

from dispensing.models import Dispense
from orders.models import Order
from practice.models import Staff

# Open to everybody, on purpose.
OPEN = {"practice:sign_in", "practice:look"}
# How a part of an address is filled with something that exists, here and in another group.
STANDS_FOR = {
    "pk": {
        "practice:branch": "branch",
        "dispensing:limits": "branch",
        "dispensing:limit": "branch",
        "practice:person": "staff",
    },
}


def routes(resolver=None, namespace="", keys=()):
    for entry in (resolver or get_resolver()).url_patterns:
        found = [*keys, *entry.pattern.converters]
        if isinstance(entry, URLResolver):
            inner = ":".join(n for n in (namespace, entry.namespace) if n)
            yield from routes(entry, inner, found)
        elif isinstance(entry, URLPattern) and entry.name:
            yield f"{namespace}:{entry.name}" if namespace else entry.name, tuple(dict.fromkeys(found))


ROUTES = dict(routes())
PAGES = {name: keys for name, keys in ROUTES.items() if name.split(":")[0] in {"practice", "dispensing", "orders"}}


def test_the_walk_finds_the_pages():
    assert {"practice:clients", "dispensing:sheet", "dispensing:sign_off", "orders:today", "orders:detail"} <= set(PAGES)


VALUES = {
    "reference": "D-XXXXXXX", "pk": 999_999, "number": "SM-999999", "code": "none", "name": "none", "part": "needs",
    "figure": "right.blank_needed", "identifier": "none", "path": "none", "format": "pdf", "kind": "frame",
    "check": "none", "subject": "none", "topic": "none",
}  # fmt: skip


def address(name: str, keys, **known) -> str:
    values = {key: known.get(key, VALUES.get(key, "none")) for key in keys}
    return reverse(name, kwargs=values)


@pytest.mark.parametrize("name", sorted(PAGES))
def test_nothing_without_signing_in(client, db, name):
    for method in (client.get, client.post):
        answer = method(address(name, PAGES[name]))
        if name in OPEN:
            assert answer.status_code in {200, 302, 405}
        else:
            assert answer.status_code == 302, name
            assert answer["Location"].startswith("/sign-in/")


@pytest.mark.parametrize("who", ["trainee", "dispenser", "supervisor", "manager", "foreigner"])
def test_no_address_fails_on_what_does_not_exist(client, cast, who):
    """404 or a page or a refusal, never a fault of ours, for every address and everybody."""
    client.raise_request_exception = True
    client.force_login(getattr(cast, who))
    for name, keys in sorted(PAGES.items()):
        if not keys or name in {"practice:sign_out"}:
            continue
        for method in (client.get, client.post):
            answer = method(address(name, keys))
            assert answer.status_code in {302, 403, 404, 405, 200}, (name, answer.status_code)
            assert answer.status_code != 200 or name in {"dispensing:check", "dispensing:manual", "dispensing:tool"}, name


@pytest.fixture
def things(cast):
    from orders import issue
    from tests.orders.ready import ready_dispense

    made = ready_dispense(cast)
    order = issue.issue_order(actor=cast.dispenser, dispense=made, lab=cast.lab, version=made.version)
    return cast, Dispense.objects.get(pk=made.pk), order if isinstance(order, Order) else Order.objects.get()


def test_another_groups_things_are_not_found_at_any_address(client, things):
    cast, dispense, order = things
    client.force_login(cast.foreigner)
    tried = 0
    for name, keys in sorted(PAGES.items()):
        if not ({"reference", "number"} & set(keys) or ("pk" in keys and name in STANDS_FOR["pk"])):
            continue
        stands = STANDS_FOR["pk"].get(name)
        known = {
            "reference": dispense.reference,
            "number": order.number,
            "pk": cast.branch.pk if stands == "branch" else cast.trainee.pk if stands == "staff" else 1,
        }
        for reference in {dispense.reference, cast.client.reference} if "reference" in keys else {""}:
            url = address(name, keys, **(known | ({"reference": reference} if reference else {})))
            for method in (client.get, client.post):
                answer = method(url)
                assert answer.status_code in {404, 405}, (name, url, answer.status_code)
                tried += 1
    assert tried > 40
    assert Staff.objects.filter(pk=cast.trainee.pk, is_active=True).exists()
