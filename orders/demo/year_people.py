"""Who the pairs of the year are for: clients and their dispenses, written in bulk."""

from __future__ import annotations

import copy
import random
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Any

from dispensing.models import Adoption, Dispense, Prescription, PrescriptionEye, Reading, Reason
from orders.demo.year_templates import Template
from practice.models import Branch, Client, Group, Staff
from practice.models import new_client_reference as new_reference
from practice.models_names import learn

BATCH = 400
METHODS = (("pupillometer", 55), ("rule", 25), ("photograph", 20))
Planned = tuple[datetime, Branch, Template]


def make_clients(draw: random.Random, group: Group, plan: list[Planned]) -> list[Client]:
    """One for each pair of the plan; about a fifth come twice in the year."""
    given = sorted(set(Client.objects.filter(group=group).values_list("given_name", flat=True)))
    family = sorted(set(Client.objects.filter(group=group).values_list("family_name", flat=True)))
    by_branch: dict[tuple[int, int], list[Client]] = {}
    made: list[Client] = []
    chosen: list[Client] = []
    for _, branch, template in plan:
        known = by_branch.setdefault((branch.pk, template.order.pk), [])
        if known and draw.random() < 0.2:
            chosen.append(draw.choice(known))
            continue
        like = template.dispense.client
        client = Client(
            group=group, branch=branch, given_name=draw.choice(given), family_name=draw.choice(family), reference=new_reference(),
            date_of_birth=like.date_of_birth + timedelta(days=draw.randint(-170, 170)), sex=like.sex, phone=f"01632 960{draw.randint(0, 999):03d}",
            sight_impaired=like.sight_impaired, useful_eye=like.useful_eye,
        )  # fmt: skip
        client.set_search_columns()
        known.append(client)
        made.append(client)
        chosen.append(client)
    Client.objects.bulk_create(made, batch_size=BATCH)
    learn(c.search_name for c in made)
    return chosen


def make_dispenses(
    draw: random.Random, plan: list[Planned], clients: list[Client], people: Mapping[str, list[Staff]]
) -> list[Dispense]:
    prescriptions: list[Prescription] = []
    dispenses: list[Dispense] = []
    for (at, _, template), client in zip(plan, clients, strict=True):
        assert template.dispense.prescription is not None
        rx = copy.copy(template.dispense.prescription)
        rx.pk, rx.id, rx._state = None, None, copy.copy(rx._state)
        rx._state.adding = True
        rx.client, rx.written_on, rx.imported_document, rx.source = (
            client,
            (at - timedelta(days=draw.randint(1, 40))).date(),
            "",
            "typed",
        )
        rx.imported_key, rx.imported_sha256 = "", ""
        prescriptions.append(rx)
    Prescription.objects.bulk_create(prescriptions, batch_size=BATCH)
    for (at, branch, template), client, rx in zip(plan, clients, prescriptions, strict=True):
        d = copy.copy(template.dispense)
        d._state = copy.copy(d._state)
        d._state.adding, d._state.fields_cache = True, dict(d._state.fields_cache)
        d.pk, d.id, d.reference = None, None, Dispense._meta.get_field("reference").get_default()
        d.branch, d.client, d.prescription, d.state, d.earlier = branch, client, rx, Dispense.State.COLLECTED, None
        d.dispenser = draw.choice(people[branch.code])
        d.updated_by = d.content_by = d.dispenser
        d.fit_confirmed_at, d.fit_confirmed_by = at - timedelta(minutes=20), d.dispenser
        dispenses.append(d)
    Dispense.objects.bulk_create(dispenses, batch_size=BATCH)
    of = list(zip(plan, dispenses, prescriptions, strict=True))
    for (at, _, _), d, rx in of:  # both moments are set by the database layer on creation
        d.created_at = d.updated_at = at - timedelta(minutes=40)
        rx.created_at = d.created_at
    Dispense.objects.bulk_update(dispenses, ["created_at"], batch_size=BATCH)
    _copies(PrescriptionEye, ((e, {"prescription_id": rx.pk}) for (_, _, t), _, rx in of for e in t.eyes))
    method = draw.choices([m for m, _ in METHODS], [w for _, w in METHODS], k=len(of))
    _copies(
        Reading,
        (
            (r, {"dispense_id": d.pk, "by_id": d.dispenser_id, "at": at - timedelta(minutes=15)} | ({"method": m} if r.quantity == "far_pd" else {}))
            for ((at, _, t), d, _), m in zip(of, method, strict=True)
            for r in t.readings
        ),
    )  # fmt: skip
    for model, name in ((Adoption, "adoptions"), (Reason, "reasons")):
        _copies(
            model,
            (
                (r, {"dispense_id": d.pk, "by_id": d.dispenser_id, "at": at - timedelta(minutes=8)})
                for (at, _, t), d, _ in of
                for r in getattr(t, name)
            ),
        )
    return dispenses


def _copies(model: Any, rows: Iterable[tuple[Any, dict[str, Any]]]) -> None:
    names = [f.attname for f in model._meta.concrete_fields if not f.primary_key and f.name != "entry"]
    model._default_manager.bulk_create(
        (model(**{n: getattr(row, n) for n in names} | change) for row, change in rows), batch_size=BATCH
    )
