"""What is encrypted under the site's key, brought under a new one: seeds of second factors. See deploy/KEYS.md."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from allauth.mfa.adapter import get_adapter
from allauth.mfa.models import Authenticator
from cryptography.fernet import InvalidToken
from django.db import transaction

# where allauth keeps encrypted text: one, or a list
_SEALED = {Authenticator.Type.TOTP: ("secret",), Authenticator.Type.RECOVERY_CODES: ("seed", "migrated_codes")}


@dataclass(slots=True)
class Renewed:
    count: int = 0
    lost: list[int] = field(default_factory=list)  # staff whose factor opens under none of the keys: they set it up anew


def renew() -> Renewed:
    """Encrypt every seed anew under the present key. Twice does no harm; people go on signing in meanwhile."""
    done = Renewed()
    for pk in Authenticator.objects.filter(type__in=_SEALED).order_by("pk").values_list("pk", flat=True):
        with transaction.atomic():
            row = Authenticator.objects.select_for_update().filter(pk=pk).first()
            if row is None:
                continue
            try:
                changed = {
                    name: _again(row.data[name]) for name in _SEALED[Authenticator.Type(row.type)] if name in row.data
                }
            except InvalidToken:
                done.lost.append(row.user_id)
                continue
            row.data |= changed
            row.save(update_fields=["data"])
            done.count += 1
    return done


def _again(sealed: Any) -> Any:
    if isinstance(sealed, list):
        return [_again(each) for each in sealed]
    cipher = get_adapter()
    return cipher.encrypt(cipher.decrypt(sealed))
