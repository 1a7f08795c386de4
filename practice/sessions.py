"""Where somebody is signed in: kept for them to see and to end, and ended by itself when unused for as long as the branch says.

The session is Django's, in the database; this module keeps a row beside it. Rows are written once a minute at most.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from django.contrib.sessions.backends.base import SessionBase
from django.contrib.sessions.models import Session
from django.db import transaction
from django.utils import timezone

from practice.models import Branch, SignedIn, Staff
from practice.sign_in import note

USED, IDLE, WHY = "used_at", "idle_minutes", "ended_unused"  # keys in the session
A_TICK = 60  # seconds between two notes that a session is used

_BROWSERS = (
    ("Edg", "Edge"),
    ("EdgA", "Edge"),
    ("OPR", "Opera"),
    ("Firefox", "Firefox"),
    ("Chrome", "Chrome"),
    ("Safari", "Safari"),
)
_SYSTEMS = (
    ("iPad", "iPad"),
    ("iPhone", "iPhone"),
    ("Android", "Android"),
    ("Windows", "Windows"),
    ("Mac OS", "macOS"),
    ("Linux", "Linux"),
)


def device_words(agent: str) -> str:
    """A browser's line about itself in a few words; what is not known is not guessed."""
    browser = next((words for sign, words in _BROWSERS if f"{sign}/" in agent), "")
    system = next((words for sign, words in _SYSTEMS if sign in agent), "")
    return " on ".join(w for w in (browser, system) if w) or "unknown device"


def begin(
    *, person: Staff, session: SessionBase, branch: Branch | None, agent: str, now: datetime | None = None
) -> SignedIn:
    """Somebody has signed in with this session."""
    now = now or timezone.now()
    if not session.session_key:
        session.save()
    session[USED], session[IDLE] = int(now.timestamp()), branch.idle_minutes if branch else None
    return SignedIn.objects.create(
        staff=person, session_key=session.session_key or "", device=device_words(agent)[:80], started_at=now, used_at=now
    )


def unused_for(session: SessionBase, now: datetime | None = None) -> int | None:
    """The minutes after which this session ends, when they are over; None while it goes on (or has no such limit)."""
    used, idle = session.get(USED), session.get(IDLE)
    if used is None or not idle:
        return None
    return idle if (now or timezone.now()).timestamp() - used >= idle * 60 else None


def due(session: SessionBase, now: datetime | None = None) -> bool:
    """Whether it is time to note that the session is used."""
    used = session.get(USED)
    return used is not None and (now or timezone.now()).timestamp() - used >= A_TICK


def used(*, session: SessionBase, branch: Branch | None, now: datetime | None = None) -> None:
    """Note that the session is used; the branch may have changed, or its rule."""
    now = now or timezone.now()
    session[USED], session[IDLE] = int(now.timestamp()), branch.idle_minutes if branch else None
    SignedIn.objects.filter(session_key=session.session_key, ended_at=None).update(used_at=now)


def open_of(person: Staff) -> list[SignedIn]:
    """Where somebody is signed in now, last used first."""
    rows = list(person.sign_ins.filter(ended_at=None))
    keys = [r.session_key for r in rows]
    alive = set(
        Session.objects.filter(session_key__in=keys, expire_date__gt=timezone.now()).values_list("session_key", flat=True)
    )
    return [r for r in rows if r.session_key in alive]


def moved(*, session_key: str, session: SessionBase) -> None:
    """The session has another key now (after a change of password)."""
    SignedIn.objects.filter(session_key=session_key).update(session_key=session.session_key or "")


def closed(*, session_key: str | None) -> None:
    """Signed out there."""
    if session_key:
        SignedIn.objects.filter(session_key=session_key, ended_at=None).update(ended_at=timezone.now())


def end(*, person: Staff, rows: list[SignedIn]) -> int:
    """End sessions of one's own; whoever holds one is signed out at their next step. Returns how many were open."""
    with transaction.atomic():
        mine = [r for r in rows if r.staff_id == person.pk and r.ended_at is None]
        for row in mine:
            Session.objects.filter(session_key=row.session_key).delete()
            closed(session_key=row.session_key)
        if mine:
            note(person=person, action="staff.sessions_ended")
        return len(mine)


def forget_old(before: timedelta = timedelta(days=90)) -> int:
    """Rows of sessions that ended long ago say nothing any more."""
    return SignedIn.objects.filter(used_at__lt=timezone.now() - before).delete()[0]
