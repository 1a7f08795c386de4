"""Where somebody is signed in: kept for them to see and to end, and ended by itself when unused for as long as the branch says.

The session is Django's, in the database; this module keeps a row beside it. Rows are written once a minute at most.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from django.contrib.sessions.backends.base import SessionBase
from django.contrib.sessions.models import Session
from django.db import transaction
from django.utils import timezone

from practice import access, audit
from practice.errors import Refused
from practice.models import Branch, SignedIn, Staff
from practice.sign_in import note

USED, IDLE, WHY = "used_at", "idle_minutes", "ended_unused"  # keys in the session
FULL, SET_UP, BEGAN = "full_sign_in_at", "must_set_up_factor", "began_at"
DEVICE = "device"  # the shared device on which a PIN opened the session
REVOKED = -1  # in the place of the minutes: that device is shared no more
LONGEST = timedelta(
    hours=12
)  # however much it is used: a day at work, the reauthentication period of NIST SP 800-63B at AAL2
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
    *,
    person: Staff,
    session: SessionBase,
    branch: Branch | None,
    agent: str,
    full: bool = True,
    must_set_up: bool = False,
    now: datetime | None = None,
) -> SignedIn:
    """Somebody has signed in with this session. `full`: by password (and second factor), not by a PIN.

    `must_set_up`: their role demands a second factor and they have none yet, which comes before anything else.
    """
    now = now or timezone.now()
    if not session.session_key:
        session.save()
    if full:
        session[FULL] = int(now.timestamp())
    session[SET_UP], session[BEGAN] = must_set_up, int(now.timestamp())
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


def too_old(session: SessionBase, now: datetime | None = None) -> bool:
    """Whether a session has gone on for as long as any may."""
    began = session.get(BEGAN)
    return began is not None and (now or timezone.now()).timestamp() - began >= LONGEST.total_seconds()


def why_words(minutes: int) -> str:
    """What the sign-in page says of a session that ended by itself; 0 minutes: by its age; REVOKED."""
    if minutes == REVOKED:
        return "You were signed out: this device is shared no more. What was saved is kept; sign in with your password."
    why = f"after {minutes} minutes without use" if minutes else f"after {LONGEST.total_seconds() / 3600:.0f} hours"
    return f"You were signed out {why}. What was saved is kept; sign in to go on."


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
    """The session has another name now (after a change of password, or of the site's key)."""
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


def end_all(*, person: Staff, keep: str | None = "") -> int:
    """End all sessions of somebody but `keep`: the password is new, or the account is closed. Returns how many were open."""
    rows = [r for r in person.sign_ins.filter(ended_at=None) if r.session_key != keep]
    Session.objects.filter(session_key__in=[r.session_key for r in rows]).delete()
    SignedIn.objects.filter(pk__in=[r.pk for r in rows]).update(ended_at=timezone.now())
    return len(rows)


def end_by_manager(*, actor: Staff, person: Staff, branch: Branch) -> int:
    """End all sessions of somebody with a post at a branch one manages. Returns how many were open."""
    with transaction.atomic():
        access.require(actor, "staff.change", branch=branch)
        if not person.posts.filter(branch=branch).exists():
            raise Refused("That person has no post at this branch.")
        count = end_all(person=person)
        audit.record(
            actor=actor,
            action="staff.sessions_ended",
            subject=f"staff {person.username}",
            group=branch.group,
            branch=branch,
            after={"ended": count},
        )
        return count


def forget_old(before: timedelta = timedelta(days=90)) -> int:
    """Rows of sessions that ended long ago say nothing any more."""
    return SignedIn.objects.filter(used_at__lt=timezone.now() - before).delete()[0]
