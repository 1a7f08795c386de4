"""Load the whole demo, once; told to load it again, it finds it there and only says who may sign in."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from dataclasses import dataclass

from django.core.management import call_command
from django.db import connection, transaction
from django.utils import timezone

from dispensing.models import Dispense
from orders import guard
from orders.demo import catalogue, held, history, people, remeasures, scenario, shelves, year
from orders.demo.clock import other_clock
from orders.labs import create_token, valid_tokens
from orders.models import Lab, Order
from orders.summarise import summarise
from practice import audit, audit_guard
from practice.models import Client, Group, Post, Staff

TOKEN_LABEL = "demo"  # noqa: S105
_WORDS = [
    "anchor",
    "bellows",
    "bramble",
    "candle",
    "cobble",
    "copper",
    "cutter",
    "dapple",
    "ember",
    "ferry",
    "fiddle",
    "gannet",
    "garnet",
    "hamper",
    "harbour",
    "heron",
    "kettle",
    "lantern",
    "larch",
    "marble",
    "marrow",
    "needle",
    "orchard",
    "otter",
    "pebble",
    "pepper",
    "plover",
    "quarry",
    "ripple",
    "rowan",
    "saddle",
    "sorrel",
    "spindle",
    "tallow",
    "tanner",
    "thimble",
    "timber",
    "turret",
    "velvet",
    "walnut",
    "willow",
    "winter",
]


class OtherRecords(Exception):
    """The database holds a practice that is not the demo: it is left alone."""


@dataclass(frozen=True)
class Loaded:
    group: Group
    password: str  # of every demo person
    tokens: dict[str, str]  # lab code: the token's text
    made_now: bool
    counts: dict[str, int]


def new_password() -> str:
    """Four words and two figures: easy to type on a tablet, about 2^28 to guess; a demo holds invented people only."""
    return "-".join(secrets.choice(_WORDS) for _ in range(4)) + f"-{secrets.randbelow(90) + 10}"


def load(*, fresh: bool = False, password: str = "", with_year: bool = True) -> Loaded:
    """The demo group with everything in it; `with_year`: the year before today too. `fresh` empties the database first, but only
    one that holds the demo alone.

    A run that finds the demo gives its people a new password and each lab a new token (passwords and tokens are kept as
    digests only, so the old ones cannot be shown again). Raises OtherRecords.
    """
    others = Group.objects.exclude(name=people.GROUP)
    if others.exists() or Staff.objects.filter(group=None).exists():
        raise OtherRecords("This database holds records that are not the demo's. The demo is not loaded beside them.")
    if fresh and Group.objects.exists():
        _empty()
    password = password or new_password()
    with transaction.atomic():
        group = Group.objects.filter(name=people.GROUP).first()
        made_now = group is None
        if group is None:
            group = _make(password, with_year)
        else:
            _new_password(group, password)
        tokens = _new_tokens(group.labs.filter(active=True))
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("ANALYZE")  # so much came at once that its own habits come too late
    summarise(group)
    return Loaded(group, password, tokens, made_now, counts_of(group))


def _make(password: str, with_year: bool) -> Group:
    group, branches = people.make_group()
    staff = people.make_staff(group, branches, password)
    labs = people.make_labs(group)
    catalogue.load_catalogues(group)
    shelves.furnish(group, [lab.code for lab in group.labs.order_by("pk")])
    clients = people.make_clients(group, branches, timezone.localdate())
    pairs = history.load_earlier_pairs(group, branches, staff, clients, timezone.now())
    audit.record(
        actor=None,
        action="demo.loaded",
        subject=f"group {group.pk}",
        group=group,
        after={"clients": len(clients), "earlier pairs": pairs, "staff": len(staff)},
    )
    if with_year:
        year.reserve_numbers(branches)
    stage, now = scenario.Stage(group, branches, staff, labs, clients, password), timezone.now()
    if not with_year:
        scenario.play(stage)
        remeasures.load_remeasures(branches, staff, clients)
        held.load_held(staff, clients)
        return group
    with other_clock() as clock:
        scenario.play(stage, clock)
        year.load_year(group, branches, now)
        remeasures.load_remeasures(branches, staff, clients)
        held.load_held(staff, clients)
    return group


def _new_password(group: Group, password: str) -> None:
    usernames = {row["username"] for row in people.tree("people")["staff"]}
    encoded = people.make_password(password)
    group.staff.filter(username__in=usernames).update(password=encoded)
    audit.record(
        actor=None, action="demo.passwords_set", subject=f"group {group.pk}", group=group, after={"people": len(usernames)}
    )


def _new_tokens(labs: Iterable[Lab]) -> dict[str, str]:
    """One demo token a lab; the last run's is revoked, so that they do not pile up."""
    tokens = {}
    for lab in labs:
        lab.tokens.filter(label=TOKEN_LABEL, revoked_at=None).update(revoked_at=timezone.now())
        others = valid_tokens(lab)  # somebody may have made some: the oldest ends where there is no room for this one
        tokens[lab.code] = create_token(lab=lab, label=TOKEN_LABEL, instead_of=others[0].pk if others else None).text
    return tokens


def _empty() -> None:
    """Audit rows and orders refuse to be deleted; only for a database that holds nothing but the demo is that set aside."""
    audit_guard.remove()
    guard.remove()
    try:
        call_command("flush", interactive=False, verbosity=0)
    finally:
        guard.install()
        audit_guard.install()


def counts_of(group: Group) -> dict[str, int]:
    return {
        "branches": group.branches.count(),
        "staff": group.staff.count(),
        "posts": Post.objects.filter(branch__group=group).count(),
        "clients": Client.objects.filter(group=group).count(),
        "frames": group.frames.count(),
        "lenses": group.lenses.count(),
        "dispenses": Dispense.objects.filter(group=group).count(),
        "orders": Order.objects.filter(group=group).count(),
    }
