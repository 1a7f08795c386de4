"""Group, branches, staff, labs and clients of the demo. All invented; telephone numbers are from ranges kept for fiction."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from django.contrib.auth.hashers import make_password

from orders.demo.files import table, tree
from orders.models import Lab
from practice.models import Branch, Client, Group, Post, Staff
from practice.models_names import learn

GROUP: str = tree("people")["group"]


def make_group() -> tuple[Group, dict[str, Branch]]:
    group = Group.objects.create(name=GROUP)
    branches = {row["code"]: Branch.objects.create(group=group, **row) for row in tree("people")["branches"]}
    return group, branches


def make_staff(group: Group, branches: Mapping[str, Branch], password: str) -> dict[str, Staff]:
    """Everybody with the same password: hashed once, since a strong hash is slow on purpose."""
    encoded = make_password(password)
    rows: list[dict[str, Any]] = tree("people")["staff"]
    staff = {
        row["username"]: Staff.objects.create(
            group=group,
            username=row["username"],
            first_name=row["first_name"],
            last_name=row["last_name"],
            email=f"{row['username']}@example.org",
            registration_number=row["registration"],
            password=encoded,
        )
        for row in rows
    }
    for row in rows:
        for code, role, *supervisor in row["posts"]:
            Post.objects.create(
                staff=staff[row["username"]],
                branch=branches[code],
                role=role,
                supervisor=staff[supervisor[0]] if supervisor else None,
            )
    return staff


def make_labs(group: Group) -> dict[str, Lab]:
    return {row["code"]: Lab.objects.create(group=group, **row) for row in tree("people")["labs"]}


def make_clients(group: Group, branches: Mapping[str, Branch], today: date) -> dict[str, Client]:
    """By their key in the fixture. Everybody has the age they had when the scenario was written, whenever it is loaded:
    what a child or a reader of fifty needs hangs on it."""
    rows = table("clients")
    later = today - date.fromisoformat(tree("people")["written_on"])
    words = ("reference", "given_name", "family_name", "sex", "phone", "email", "address", "occupation", "visual_needs")
    clients = [
        Client(
            group=group,
            branch=branches[row["branch"]],
            date_of_birth=date.fromisoformat(row["born"]) + later,
            sight_impaired=row["sight_impaired"] == "1",
            useful_eye=row["useful_eye"],
            notes=row["notes"],
            **{name: row[name] for name in words},
        )
        for row in rows
    ]
    for client in clients:
        client.set_search_columns()
    Client.objects.bulk_create(clients)
    learn(c.search_name for c in clients)
    return {row["key"]: client for row, client in zip(rows, clients, strict=True)}
