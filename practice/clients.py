"""Clients: finding, adding and changing them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Q, QuerySet

from practice import access, audit
from practice.errors import Conflict, Invalid, Refused
from practice.hold import hold
from practice.models import Branch, Client, Staff
from practice.models_names import NameWord
from practice.words import dates_meant, digits_of, fold, slips, slips_to_beginnings

FIELDS = (
    "given_name",
    "family_name",
    "date_of_birth",
    "sex",
    "phone",
    "email",
    "address",
    "occupation",
    "visual_needs",
    "sight_impaired",
    "useful_eye",
    "notes",
    "branch",
)
MOST_LOOKED_AT = 2000  # clients whose names are put in order by their slips
MOST_MEANT = 12  # words of names that one typed word may mean


# --- finding ----------------------------------------------------------------------------------------------------------


def find_clients(clients: QuerySet[Client], text: str, *, today: date, most: int = 50) -> list[Client]:
    """Clients who may be meant, the likeliest first.

    `text` is a reference (C-7F3K9QX, with or without C-), a date of birth in any common way of typing it, a telephone
    number or the end of one, or parts of a name: in any order, without accents, and with a typing slip or two.
    A name and a date together narrow each other down.
    """
    text = " ".join(text.replace("\x00", " ").split())[:200]
    if not text:
        return []
    reference = text.upper().replace(" ", "")
    by_reference = list(clients.filter(reference__in=[reference, f"C-{reference}"]))
    if by_reference:
        return by_reference
    born = dates_meant(text, today)
    if born:
        return list(clients.filter(date_of_birth__in=born).order_by("family_name", "given_name")[:most])
    digits = digits_of(text)
    if len(digits) >= 4 and not any(c.isalpha() for c in text):
        # the international form and the national one end alike
        tail = digits.lstrip("0") or digits
        return list(clients.filter(phone_digits__contains=tail[-9:]).order_by("family_name", "given_name")[:most])
    name, dates = _name_and_dates(text, today)
    if dates:
        clients = clients.filter(date_of_birth__in=dates)
    return _by_name(clients, fold(name).split(), most)


def _name_and_dates(text: str, today: date) -> tuple[str, list[date]]:
    """Split "oakhurst 12/3/1961" into its two parts."""
    words = text.split()
    for start in range(1, len(words)):
        if not any(c.isdigit() for c in words[start]):
            continue
        dates = dates_meant(" ".join(words[start:]), today)
        if dates:
            return " ".join(words[:start]), dates
    return text, []


def _by_name(clients: QuerySet[Client], words: list[str], most: int) -> list[Client]:
    if not words:
        return []
    exact = clients
    for word in words:
        exact = exact.filter(_has(word))
    found = list(exact.order_by("family_name", "given_name")[: most * 4])
    found.sort(key=lambda c: not all(any(p.startswith(w) for p in c.search_name.split()) for w in words))
    if len(found) >= most or all(len(w) < 4 for w in words):
        return found[:most]
    have = {c.pk for c in found}
    close = sorted((distance, name, pk) for pk, name, distance in _alike(clients, words) if pk not in have)
    near = clients.in_bulk([pk for _, _, pk in close[: most - len(found)]])
    return found + [near[pk] for _, _, pk in close[: most - len(found)] if pk in near]


def _has(word: str) -> Q:
    """A part of a name contains the word, or begins with it where it is too short to be looked up inside of names."""
    if len(word) >= 3:
        return Q(search_name__contains=word)
    return Q(search_name__startswith=word) | Q(search_name__contains=f" {word}")


def _alike(clients: QuerySet[Client], words: list[str]) -> Iterable[tuple[int, str, int]]:
    """Clients in whose name every word is read with a few slips: key, name and slips in all."""
    meant = {}
    for word in words:
        near = _near(word)
        meant[word] = near
        some = _has(word) if len(word) < 4 else Q()
        for each in near:
            some |= Q(search_name__contains=each)
        if not some:
            return
        clients = clients.filter(some)
    for pk, name in clients.order_by().values_list("pk", "search_name")[:MOST_LOOKED_AT]:
        parts = name.split()
        best = [
            min((meant[w][p] for p in parts if p in meant[w]), default=None)
            if len(w) >= 4
            else 0
            if any(p.startswith(w) for p in parts)
            else None
            for w in words
        ]
        if None not in best:
            yield pk, name, sum(b for b in best if b is not None)


def _near(word: str) -> dict[str, int]:
    """The words of names that may be meant by one of four letters or more, with the slips between; the nearest few.

    One slip in a word leaves some piece of it whole, and moves it by a place at most; two slips, by two.
    """
    n = len(word)
    if n < 4:
        return {}
    allowed, size = 1 if n < 7 else 2, 3 if n >= 6 else 2
    pieces = [(i, word[i : i + size]) for i in range(n - size + 1)]
    some = Q()
    for _, piece in pieces:
        some |= Q(word__contains=piece)
    rows = NameWord.objects.filter(some).values_list("word", flat=True)
    alike = (w for w in rows if any(w.find(p, max(0, i - allowed), i + allowed + size) >= 0 for i, p in pieces))
    nearest = sorted(pair for pair in ((slips_in(word, each, allowed), each) for each in alike) if pair[0] <= allowed)
    return {each: distance for distance, each in nearest[:MOST_MEANT]}


def slips_in(word: str, part: str, allowed: int) -> int:
    """Slips needed to read `word` as `part` or as its beginning (a letter shorter, as long, a letter longer); `allowed` + 1 when more."""
    n = len(word)
    if len(set(word).difference(part[: n + allowed])) > allowed:  # that many letters it has not: no need to look closer
        return allowed + 1
    return slips_to_beginnings(word, part, {n - 1, n, n + 1, len(part)}, allowed)


def same_person(clients: QuerySet[Client], *, family_name: str, given_name: str, born: date) -> list[Client]:
    """Clients already on record who may be the same: born on the same day, with a family or given name written alike."""
    family, given = fold(family_name), fold(given_name)
    return [
        c
        for c in clients.filter(date_of_birth=born).order_by("pk")[:200]
        if slips(fold(c.family_name), family, 2) <= 2 or slips(fold(c.given_name), given, 1) <= 1
    ]


# --- adding and changing ----------------------------------------------------------------------------------------------


def add_client(*, actor: Staff, branch: Branch, values: Mapping[str, Any]) -> Client:
    """Put a client on record. `values`: the names of FIELDS without branch. Raises NotAllowed or Invalid."""
    with transaction.atomic():
        access.require(actor, "client.create", branch=branch)
        client = Client(group=branch.group, branch=branch)
        _put(client, {k: v for k, v in values.items() if k != "branch"})
        _check(client, branch.today())
        client.save(force_insert=True)
        audit.record(
            actor=actor,
            action="client.added",
            subject=f"client {client.reference}",
            group=client.group,
            branch=branch,
            client=client,
            after=audit.snapshot(client, FIELDS),
        )
        return client


def change_client(*, actor: Staff, client: Client, version: int, values: Mapping[str, Any]) -> Client:
    """Change what is known of a client. `branch` in `values` is where they usually come.

    A post at the branch they usually come to is needed, or at the one they are moved to. Raises NotAllowed, Invalid, or
    Conflict when somebody else changed the client since `version` was read.
    """
    with transaction.atomic():
        row = hold(Client.objects.select_related("group", "branch"), pk=client.pk)
        to = values.get("branch") or row.branch
        if not access.may(actor, "client.change", branch=to):
            access.require(actor, "client.change", branch=row.branch)
        if row.erased_at is not None:
            raise Refused("This client has been erased. Put them on record anew.")
        if row.version != version:
            raise Conflict("Somebody else changed this client since you opened the page. Nothing of yours was saved yet.")
        if to.group_id != row.group_id:
            raise Invalid({"branch": "That branch belongs to another group."})
        before = audit.snapshot(row, FIELDS)
        _put(row, values)
        _check(row, to.today())
        old, new = audit.changed(before, audit.snapshot(row, FIELDS))
        if not new:
            return row
        row.version += 1
        row.save()
        audit.record(
            actor=actor,
            action="client.changed",
            subject=f"client {row.reference}",
            group=row.group,
            branch=to,
            client=row,
            before=old,
            after=new,
        )
        return row


def _put(client: Client, values: Mapping[str, Any]) -> None:
    for name, value in values.items():
        if name not in FIELDS:
            raise TypeError(f"no field of a client: {name}")
        setattr(client, name, value)


def _check(client: Client, today: date) -> None:
    try:
        client.full_clean(validate_unique=False, validate_constraints=False)
    except ValidationError as problem:
        raise Invalid({name: messages[0] for name, messages in problem.message_dict.items()}) from problem
    if client.date_of_birth > today:
        raise Invalid({"date_of_birth": "A date of birth lies in the past."})
