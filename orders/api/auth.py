"""Who is asking: a lab, by its bearer token."""

from __future__ import annotations

from typing import Any, cast

from rest_framework import authentication, exceptions
from rest_framework.request import Request

from orders import labs
from orders.api.addresses import may_come_from
from orders.api.problems import AddressRefused, Problem
from orders.models import Lab, LabToken


class LabAuthentication(authentication.BaseAuthentication):
    """`Authorization: Bearer <token>` (RFC 6750). Sets request.user to the Lab and request.auth to the LabToken."""

    def authenticate(self, request: Request) -> tuple[Any, Any] | None:
        header = authentication.get_authorization_header(request)
        scheme, _, rest = header.partition(b" ")
        if scheme.lower() != b"bearer" or not rest.strip():
            return None
        try:
            text = rest.strip().decode("ascii")
        except UnicodeDecodeError as error:
            raise exceptions.AuthenticationFailed("This token is not valid.") from error
        token = labs.find_token(text)
        if token is None:
            raise exceptions.AuthenticationFailed("This token is not valid.")
        if not may_come_from(request._request, token.lab.allowed_addresses):
            raise AddressRefused
        return token.lab, token

    def authenticate_header(self, request: Request) -> str:
        return 'Bearer realm="lab API"'


def lab_of(request: Request, scope: str) -> Lab:
    """The lab that asks; a problem when there is none or its token lacks the scope."""
    token = request.auth
    if not isinstance(token, LabToken):
        raise Problem("not-authenticated")
    if scope not in token.scopes:
        raise Problem("not-allowed", f"This token lacks the scope {scope}.")
    return cast("Lab", request.user)
