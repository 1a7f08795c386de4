"""Secrets and signatures by the Standard Webhooks specification (version 1, HMAC-SHA256).

A secret is not stored. It is derived, by HMAC-SHA256, from the site's own key (SECRET_KEY) and a random salt kept in the webhook's
row: the database alone does not give it away, and it can be made again for every message. With a new SECRET_KEY all labs' secrets
change; while the old key stands in SECRET_KEY_FALLBACKS messages carry both signatures.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
from datetime import datetime

from django.conf import settings
from django.utils.crypto import salted_hmac

from orders.models import Webhook

MARK = "whsec_"
_PURPOSE = "orders.webhooks.secret"


def new_salt() -> str:
    return secrets.token_hex(32)


def secret_of(salt: str, key: str | None = None) -> bytes:
    """32 bytes."""
    return salted_hmac(_PURPOSE, salt, secret=key, algorithm="sha256").digest()


def shown(secret: bytes) -> str:
    """As the lab puts it into its own software."""
    return MARK + base64.b64encode(secret).decode("ascii")


def sign(secret: bytes, message_id: str, timestamp: int, body: bytes) -> str:
    """ "v1,…" over `id.timestamp.body`; `timestamp` in seconds of Unix time."""
    signed = f"{message_id}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(secret, signed, hashlib.sha256).digest()).decode("ascii")


def signatures(webhook: Webhook, message_id: str, timestamp: int, body: bytes, now: datetime) -> str:
    """All that are valid now, with spaces between: the secret's, the one before while it is being changed, old site keys'."""
    salts = [webhook.salt]
    if webhook.previous_salt and webhook.previous_until and now < webhook.previous_until:
        salts.append(webhook.previous_salt)
    keys: list[str | None] = [None, *(str(key) for key in settings.SECRET_KEY_FALLBACKS)]
    return " ".join(sign(secret_of(salt, key), message_id, timestamp, body) for salt in salts for key in keys)
