"""Until when what is held on a client has to be kept, and who is due.

How long differs by country, and within one by what kind of record it is: both numbers are settings of the branch, and the
figures it starts with are placeholders, not law. A client who was at several branches is kept by the strictest of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

from practice.access import age_on
from practice.models import Branch, Client, Group
from practice.privacy.registry import parts
from practice.words import long_date


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """`until` is the first day on which the client may be forgotten."""

    client: Client
    last_visit: date
    until: date
    why: str
    branch: Branch  # whose setting decides

    def due(self, on: date) -> bool:
        return on >= self.until

    @property
    def words(self) -> str:
        return f"kept until {long_date(self.until)}: {self.why} ({self.branch.name})"


def add_years(day: date, years: int) -> date:
    """The same day of a later year; 29 February becomes 1 March where there is none."""
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return date(day.year + years, 3, 1)


def rule(branch: Branch, born: date, last_visit: date) -> tuple[date, str]:
    """Until when this branch keeps a client born on `born`, last there on `last_visit`, and why.

    An adult's: so many years after the last visit. Somebody who was not of age then: that, or the birthday on which they reach
    the age a child's is kept to, whichever is later.
    """
    years = add_years(last_visit, branch.keep_adult_years)
    adult = f"{branch.keep_adult_years} years after the last visit"
    if age_on(born, last_visit) >= branch.adult_from_age:
        return years, adult
    birthday = add_years(born, branch.keep_child_until_age)
    if birthday >= years:
        return birthday, f"under {branch.adult_from_age} at the last visit, so to age {branch.keep_child_until_age}"
    return years, adult


def kept_of(clients: Sequence[Client], branches: dict[int, Branch]) -> list[Kept]:
    """Of clients of one group; `branches` are all of that group's. A few queries, however many they are."""
    of = {c.pk: c for c in clients}
    seen: dict[int, dict[int, date]] = {
        c.pk: {c.branch_id: c.created_at.astimezone(ZoneInfo(branches[c.branch_id].time_zone)).date()} for c in clients
    }
    asked = list(of) if len(of) <= 500 else None  # more than SQLite takes in one statement: then everybody's
    for part in parts():
        for contact in part.contacts(asked):
            if contact.client not in of or contact.branch not in branches:
                continue
            on = contact.at.astimezone(ZoneInfo(branches[contact.branch].time_zone)).date()
            known = seen[contact.client].get(contact.branch)
            seen[contact.client][contact.branch] = on if known is None else max(known, on)
    found = []
    for pk, visits in seen.items():
        last = max(visits.values())
        rules = [(*rule(branches[b], of[pk].date_of_birth, last), branches[b]) for b in visits]
        until, why, branch = max(rules, key=lambda r: r[0])
        found.append(Kept(client=of[pk], last_visit=last, until=until, why=why, branch=branch))
    return found


def kept(client: Client) -> Kept:
    return kept_of([client], _branches(client.group))[0]


def _branches(group: Group) -> dict[int, Branch]:
    return {b.pk: b for b in Branch.objects.filter(group=group)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """One branch: whose usual branch it is, oldest due first."""

    branch: Branch
    held: int
    erased: int
    due: tuple[Kept, ...]
    soon: int  # due within a year


def report(group: Group, at: Iterable[Branch]) -> list[Report]:
    """For each branch the clients who usually come there."""
    wanted = {b.pk: b for b in at}
    clients = Client.objects.filter(branch__in=wanted, erased_at=None)
    all_kept = kept_of(list(clients), _branches(group))
    out = []
    for branch in wanted.values():
        today = branch.today()
        mine = [k for k in all_kept if k.client.branch_id == branch.pk]
        due = sorted((k for k in mine if k.due(today)), key=lambda k: (k.until, k.client.pk))
        soon = sum(1 for k in mine if not k.due(today) and k.due(add_years(today, 1)))
        erased = Client.objects.filter(branch=branch).exclude(erased_at=None).count()
        out.append(Report(branch=branch, held=len(mine), erased=erased, due=tuple(due), soon=soon))
    return out
