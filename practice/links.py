"""Links that let somebody in once: an invitation to a new account, or a way to a new password.

The link is shown once to whoever made it, and mailed where the site can mail. Only its digest is kept; it counts for some days
or hours, once, and until it is taken back.
"""

from __future__ import annotations

import hashlib
import logging
import secrets
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.mail import send_mail
from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from practice import access, audit, devices, sessions, sign_in, staffing
from practice.errors import Invalid, Refused
from practice.models import Branch, Post, SignInLink, Staff

INVITATION_FOR, PASSWORD_FOR = timedelta(days=7), timedelta(hours=24)
MAILED_FOR = timedelta(hours=1)
MOST_MAILED = 3  # links that were asked for at the door and still count; more are not mailed
OVER = "This link counts no more: it was used, taken back, or is too old. Ask for a new one."
Kind = SignInLink.Kind
_log = logging.getLogger(__name__)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def find(token: str, now: datetime | None = None) -> SignInLink | None:
    """The link of this token while it counts."""
    if not token or len(token) > 200:
        return None
    return (
        SignInLink.objects.filter(
            token_sha256=_digest(token), used_at=None, revoked_at=None, expires_at__gt=now or timezone.now()
        )
        .select_related("group", "branch", "person", "supervisor")
        .first()
    )


def open_at(branch: Branch) -> list[SignInLink]:
    """Links of a branch that still count."""
    return list(
        SignInLink.objects.filter(
            branch=branch, used_at=None, revoked_at=None, expires_at__gt=timezone.now()
        ).select_related("person", "made_by")
    )


def _make(**values: Any) -> tuple[SignInLink, str]:
    token = secrets.token_urlsafe(32)
    return SignInLink.objects.create(token_sha256=_digest(token), made_at=timezone.now(), **values), token


def invite(*, actor: Staff, branch: Branch, values: Mapping[str, Any]) -> tuple[SignInLink, str]:
    """Invite somebody to a post at `branch`. `values`: first_name, last_name, registration_number, role, supervisor, email.

    Returns the row and the token for the link. Raises NotAllowed or Invalid.
    """
    with transaction.atomic():
        access.require(actor, "staff.change", branch=branch)
        errors = staffing.post_errors(Staff(), branch, values)
        if errors:
            raise Invalid(errors)
        row, token = _make(
            kind=Kind.INVITATION,
            group=branch.group,
            branch=branch,
            first_name=values["first_name"],
            last_name=values["last_name"],
            registration_number=values.get("registration_number", ""),
            role=values["role"],
            supervisor=values.get("supervisor") if values["role"] == Post.Role.TRAINEE else None,
            email=values.get("email", ""),
            made_by=actor,
            expires_at=timezone.now() + INVITATION_FOR,
        )
        _told(actor, row, "staff.invited", after={"role": row.role, "expires_at": row.expires_at})
        return row, token


def way_to_password(*, actor: Staff, person: Staff, branch: Branch) -> tuple[SignInLink, str]:
    """A link by which somebody sets a new password; earlier ones of theirs count no more, since a manager gives one at a time."""
    with transaction.atomic():
        access.require(actor, "staff.change", branch=branch)
        person = _person_held(person.pk)
        if not person.posts.filter(branch=branch).exists():
            raise Refused("That person has no post at this branch.")
        if not person.is_active:
            raise Refused("This account is closed: open it first.")
        sign_in.links_end(person=person)
        return _password_link(person=person, branch=branch, made_by=actor, counts_for=PASSWORD_FOR)


def forgotten(*, name: str) -> tuple[SignInLink, str] | None:
    """A link for whoever has forgotten their password, to be mailed to them; None when nothing can be mailed to that name.

    Anybody can ask under any name, so asking ends no link that still counts, a manager's least of all; and it makes no more when
    `MOST_MAILED` are in the mailbox already. Whichever is used first ends the others.
    """
    with transaction.atomic():
        people = Staff.objects.select_for_update(of=("self",)).select_related("group")
        person = people.filter(username__iexact=name.strip(), is_active=True, group__isnull=False).first()
        if person is None or not person.email or "\x00" in name:
            return None
        if _still(person).filter(made_by=None).count() >= MOST_MAILED:
            return None
        return _password_link(person=person, branch=None, made_by=None, counts_for=MAILED_FOR)


def _still(person: Staff) -> QuerySet[SignInLink]:
    """Links to a new password that still count."""
    open_links = SignInLink.objects.filter(kind=Kind.PASSWORD, person=person, used_at=None, revoked_at=None)
    return open_links.filter(expires_at__gt=timezone.now())


def _password_link(
    *, person: Staff, branch: Branch | None, made_by: Staff | None, counts_for: timedelta
) -> tuple[SignInLink, str]:
    row, token = _make(
        kind=Kind.PASSWORD,
        group=person.group,
        branch=branch,
        person=person,
        email=person.email,
        made_by=made_by,
        expires_at=timezone.now() + counts_for,
    )
    _told(made_by, row, "staff.password_link_made", after={"expires_at": row.expires_at})
    return row, token


def take_back(*, actor: Staff, branch: Branch, pk: int) -> None:
    """The link counts no more."""
    with transaction.atomic():
        access.require(actor, "staff.change", branch=branch)
        row = SignInLink.objects.select_for_update(of=("self",)).filter(pk=pk, branch=branch).first()
        if row is None or row.used_at or row.revoked_at:
            raise Refused("That link counts no more already.")
        row.revoked_at = timezone.now()
        row.save(update_fields=["revoked_at"])
        _told(actor, row, "staff.link_taken_back")


def not_mailed(row: SignInLink) -> None:
    """End a link that somebody asked for and that did not reach their mailbox: it takes up none of the places of those that count."""
    with transaction.atomic():
        if row.person_id is not None:
            _person_held(row.person_id)
        row = SignInLink.objects.select_for_update(of=("self",)).select_related("group", "branch", "person").get(pk=row.pk)
        if row.used_at or row.revoked_at:
            return
        row.revoked_at = timezone.now()
        row.save(update_fields=["revoked_at"])
        _told(None, row, "staff.link_taken_back", after={"why": "it could not be mailed"})


def accept(*, token: str, username: str, password: str) -> Staff:
    """Use an invitation: the account is there, with its post. Raises Refused or Invalid ("username", "password")."""
    with transaction.atomic():
        row = _locked(token, Kind.INVITATION)
        assert row.branch is not None
        maker = row.made_by
        if maker is None or not access.may(maker, "staff.change", branch=row.branch):
            raise Refused(OVER)  # whoever invited is a manager here no more
        values = {
            "first_name": row.first_name,
            "last_name": row.last_name,
            "registration_number": row.registration_number,
            "role": row.role,
            "supervisor": row.supervisor,
        }
        person = staffing.add_person(actor=maker, branch=row.branch, username=username, password=password, values=values)
        if row.email:
            person.email = row.email
            person.save(update_fields=["email"])
        _use(row, person)
        _told(person, row, "staff.invitation_used")
        return person


def set_password(*, token: str, password: str) -> Staff:
    """Use a link for a new password. Everything signed in as them ends. Raises Refused or Invalid ("password")."""
    with transaction.atomic():
        found = find(token)
        if found is None or found.person_id is None:
            raise Refused(OVER)
        person = _person_held(found.person_id)
        row = _locked(token, Kind.PASSWORD)
        maker = row.made_by
        if maker is not None and (row.branch is None or not access.may(maker, "staff.change", branch=row.branch)):
            raise Refused(OVER)  # whoever made it is a manager here no more, and may have kept a copy
        if not person.is_active:
            raise Refused(OVER)
        try:
            validate_password(password, person)
        except ValidationError as problem:
            raise Invalid({"password": problem.messages[0]}) from problem
        person.set_password(password)
        person.save(update_fields=["password"])
        sessions.end_all(person=person)
        devices.forget_person(person)
        _use(row, person)
        sign_in.links_end(person=person)
        _told(person, row, "staff.password_changed", after={"how": "link"})
        return person


def _person_held(pk: int) -> Staff:
    """Before any of their links: several may count at a time, and whoever ends them all must not wait for who uses another."""
    return Staff.objects.select_for_update(of=("self",)).select_related("group").get(pk=pk)


def _locked(token: str, kind: SignInLink.Kind) -> SignInLink:
    found = find(token)
    if found is None or found.kind != kind:
        raise Refused(OVER)
    row = SignInLink.objects.select_for_update(of=("self",)).get(pk=found.pk)
    if row.used_at or row.revoked_at:
        raise Refused(OVER)
    return row


def _use(row: SignInLink, person: Staff) -> None:
    row.used_at, row.person = timezone.now(), person
    row.save(update_fields=["used_at", "person"])


def _told(actor: Staff | None, row: SignInLink, action: str, after: Mapping[str, Any] | None = None) -> None:
    who = f"staff {row.person.username}" if row.person else f"invitation {row.pk}"
    audit.record(
        actor=actor,
        actor_name="" if actor else "somebody not signed in",
        action=action,
        subject=who,
        group=row.group,
        branch=row.branch,
        after=after,
    )


def forget_old(before: timedelta = timedelta(days=90)) -> int:
    """Links that are long over."""
    return SignInLink.objects.filter(expires_at__lt=timezone.now() - before).delete()[0]


def mail(row: SignInLink, url: str) -> bool:
    """Mail the link, after the transaction that made it. Whether it went; nothing is said in the log of whom it concerns."""
    if not settings.MAIL_WORKS or not row.email:
        return False
    what = "You are invited to Datumline" if row.kind == Kind.INVITATION else "Your new password for Datumline"
    text = (
        f"{row.group.name}\n\nOpen this address to {'set up your account' if row.kind == Kind.INVITATION else 'set a new password'}. "
        f"It counts once, until {row.expires_at:%d %B %Y %H:%M} UTC.\n\n{url}\n\nIf you did not expect this, do nothing and tell your "
        "manager.\n"
    )
    try:
        return bool(send_mail(what, text, None, [row.email]))
    except (
        OSError,
        ValueError,
    ) as problem:  # SMTPException is an OSError; an address that cannot be written is a ValueError
        _log.warning("a sign-in link could not be mailed: %s", type(problem).__name__)
        return False
