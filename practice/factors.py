"""Second factors: a code from an authenticator (RFC 6238), a passkey (WebAuthn), recovery codes; and whose role demands one.

Kept and reckoned by django-allauth. A code counts once: the time step it was made for is noted with the key, and no code of
that step or an earlier one is taken again (RFC 6238, 5.2).
"""

from __future__ import annotations

import re
from typing import Any

from allauth.core.internal.cryptokit import compare_user_code
from allauth.mfa.models import Authenticator
from allauth.mfa.recovery_codes.internal.auth import RecoveryCodes
from allauth.mfa.totp.internal import auth as totp
from allauth.mfa.utils import decrypt
from allauth.mfa.webauthn.internal.auth import WebAuthn
from django.db import transaction

from practice import access, audit
from practice.errors import Invalid, Refused
from practice.models import Branch, Post, Staff

Type = Authenticator.Type
KINDS = {Type.TOTP: "code from an app", Type.WEBAUTHN: "passkey", Type.RECOVERY_CODES: "recovery codes"}
WRONG = "That code is not right, or was used already. Wait for the next one."


def factors_of(person: Staff) -> list[Authenticator]:
    """What somebody can sign in with besides the password; recovery codes are no factor of their own."""
    rows = Authenticator.objects.filter(user=person).exclude(type=Type.RECOVERY_CODES)
    return list(rows.order_by("created_at", "pk"))


def has_factor(person: Staff) -> bool:
    return Authenticator.objects.filter(user=person).exclude(type=Type.RECOVERY_CODES).exists()


def demanded(person: Staff) -> bool:
    """Whether the group demands a second factor of one of the roles somebody has."""
    roles = person.group.second_factor_roles if person.group else []
    return bool(roles) and person.posts.filter(role__in=roles).exists()


def must_set_up(person: Staff) -> bool:
    return demanded(person) and not has_factor(person)


def new_secret() -> str:
    """160 random bits in Base32, as RFC 4226 (4, R6) recommends."""
    return totp.generate_totp_secret()


def code_fits(secret: str, code: str) -> int | None:
    """The time step a code was made for, one either side of now allowed; None when it fits none of them."""
    for counter in totp.yield_hotp_counters_from_time():
        if compare_user_code(actual=code, expected=totp.format_hotp_value(totp.hotp_value(secret, counter))):
            return counter
    return None


def looks_like_code(text: str) -> bool:
    return re.fullmatch(r"\s*[0-9]{3}[\s-]?[0-9]{3}\s*", text) is not None


@transaction.atomic
def code_right(person: Staff, code: str) -> bool:
    """Whether this is a code from the person's authenticator that was not used yet; it is used now."""
    row = Authenticator.objects.select_for_update().filter(user=person, type=Type.TOTP).first()
    if row is None or not looks_like_code(code):
        return False
    step = code_fits(decrypt(row.data["secret"]), code)
    if step is None or step <= row.data.get("last_step", -1):
        return False
    row.data["last_step"] = step
    row.save(update_fields=["data"])
    row.record_usage()
    return True


@transaction.atomic
def recovery_code_right(person: Staff, code: str) -> bool:
    """Whether this is a recovery code that was not used yet; it is used now, and the trail tells how many are left."""
    # locked, so that two who send the same code at once are not both let in
    row = Authenticator.objects.select_for_update().filter(user=person, type=Type.RECOVERY_CODES).first()
    if row is None or not RecoveryCodes(row).validate_code(code):
        return False
    row.refresh_from_db()
    row.record_usage()
    _told(person, person, "staff.recovery_code_used", after={"left": codes_left(person)})
    return True


def codes_left(person: Staff) -> int:
    row = Authenticator.objects.filter(user=person, type=Type.RECOVERY_CODES).first()
    return len(RecoveryCodes(row).get_unused_codes()) if row else 0


@transaction.atomic
def add_totp(*, actor: Staff, secret: str, code: str) -> list[str]:
    """The app that made `code` becomes a factor. Returns recovery codes to show when there were none yet."""
    step = code_fits(secret, code)
    if step is None:
        raise Invalid({"code": "That is not the code the app shows now. Look again; the clock of the phone must be right."})
    if Authenticator.objects.filter(user=actor, type=Type.TOTP).exists():
        raise Refused("There is an app already. Remove it first to use another one.")
    row = totp.TOTP.activate(actor, secret).instance
    row.data["last_step"] = step
    row.save(update_fields=["data"])
    _told(actor, actor, "staff.factor_added", after={"factor": KINDS[Type.TOTP]})
    return _first_codes(actor)


@transaction.atomic
def add_passkey(*, actor: Staff, name: str, credential: dict[str, Any]) -> list[str]:
    """A passkey whose registration was verified becomes a factor. Returns recovery codes to show when there were none yet."""
    name = " ".join(name.split())[:60] or "Passkey"
    WebAuthn.add(actor, name, credential)
    _told(actor, actor, "staff.factor_added", after={"factor": KINDS[Type.WEBAUTHN], "name": name})
    return _first_codes(actor)


def _first_codes(person: Staff) -> list[str]:
    return [] if Authenticator.objects.filter(user=person, type=Type.RECOVERY_CODES).exists() else _fresh_codes(person)


def _fresh_codes(person: Staff) -> list[str]:
    Authenticator.objects.filter(user=person, type=Type.RECOVERY_CODES).delete()
    return RecoveryCodes.activate(person).get_unused_codes()


@transaction.atomic
def new_codes(*, actor: Staff) -> list[str]:
    """Ten new recovery codes; the old ones are worth nothing any more."""
    if not has_factor(actor):
        raise Refused("Recovery codes come with an app or a passkey: set one up first.")
    codes = _fresh_codes(actor)
    _told(actor, actor, "staff.recovery_codes_made", after={"count": len(codes)})
    return codes


@transaction.atomic
def remove_factor(*, actor: Staff, pk: int) -> None:
    """Remove one's own app or passkey. Refused for the last one while the role demands one."""
    rows = list(Authenticator.objects.select_for_update().filter(user=actor).exclude(type=Type.RECOVERY_CODES))
    row = next((r for r in rows if r.pk == pk), None)
    if row is None:
        raise Refused("That was removed already.")
    if len(rows) == 1 and demanded(actor):
        raise Refused("Your role needs a second factor: set up another one before you remove this one.")
    kind = KINDS[Type(row.type)]
    row.delete()
    if len(rows) == 1:
        Authenticator.objects.filter(user=actor).delete()
    _told(actor, actor, "staff.factor_removed", before={"factor": kind})


def remove_all(*, actor: Staff, person: Staff, branch: Branch) -> int:
    """For somebody who has lost what they sign in with; done by the manager, who knows that it is them. Returns how many went."""
    with transaction.atomic():
        access.require(actor, "staff.change", branch=branch)
        if not Post.objects.filter(staff=person, branch=branch).exists():
            raise Refused("That person has no post at this branch.")
        rows = Authenticator.objects.filter(user=person)
        kinds = sorted({KINDS[Type(kind)] for kind in rows.values_list("type", flat=True)})
        count = rows.exclude(type=Type.RECOVERY_CODES).count()
        rows.delete()
        if kinds:
            _told(actor, person, "staff.factors_removed", branch=branch, before={"factors": kinds})
        return count


def _told(
    actor: Staff,
    person: Staff,
    action: str,
    *,
    branch: Branch | None = None,
    before: dict[str, Any] | None = None,
    after: dict[str, Any] | None = None,
) -> None:
    if person.group is not None:
        audit.record(
            actor=actor,
            action=action,
            subject=f"staff {person.username}",
            group=person.group,
            branch=branch,
            before=before,
            after=after,
        )
