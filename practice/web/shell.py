"""What every page shows around its content: who is signed in, where they work, and where they can go."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.urls import NoReverseMatch, reverse

from practice import access
from practice.models import Branch, Post

BRANCH_KEY = "branch"
NAV = (
    ("Today", "orders:today"),
    ("Clients", "practice:clients"),
    ("Orders", "orders:list"),
    ("Frames", "dispensing:frames"),
    ("Lenses", "dispensing:lenses"),
    ("Bench", "dispensing:bench"),
    ("Checks", "dispensing:checks"),
)


@dataclass(frozen=True)
class NavItem:
    label: str
    url: str
    current: bool
    exact: bool


def desk_of(request: HttpRequest) -> Post | None:
    """The post somebody works from now: the branch chosen in this session, else their first. None without a post."""
    if not hasattr(request, "_desks"):
        request._desks = access.posts_of(request.user)  # type: ignore[attr-defined]
    desks: list[Post] = request._desks  # type: ignore[attr-defined]
    chosen = request.session.get(BRANCH_KEY)
    return next((d for d in desks if d.branch_id == chosen), desks[0] if desks else None)


def desks_of(request: HttpRequest) -> list[Post]:
    """Where somebody works, looked up once a request."""
    desk_of(request)
    desks: list[Post] = request._desks  # type: ignore[attr-defined]
    return desks


def branch_of(request: HttpRequest) -> Branch | None:
    desk = desk_of(request)
    return desk.branch if desk else None


def shell(request: HttpRequest) -> dict[str, Any]:
    """Context processor."""
    if not getattr(request, "user", None) or not request.user.is_authenticated:
        return {"nav": [], "side": [], "shell_post": None, "shell_posts": [], "here_zone": settings.TIME_ZONE}
    desk = desk_of(request)
    nav = [item for label, name in NAV if (item := _item(request, label, name))]
    if (
        desk
        and access.signing_role(request.user, desk.branch)
        and (item := _item(request, "Sign-off", "dispensing:sign_off_desk"))
    ):
        nav.insert(2, item)
    side = []
    if item := _item(request, "My cases", "dispensing:own_training"):
        side.append(item)
    if (
        desk
        and access.signing_role(request.user, desk.branch)
        and (item := _item(request, "Agreement", "dispensing:agreement"))
    ):
        side.append(item)
    if desk and access.signing_role(request.user, desk.branch) and (item := _item(request, "Cover", "practice:cover")):
        side.append(item)
    if (
        desk
        and access.signing_role(request.user, desk.branch)
        and (item := _item(request, "Shared devices", "practice:devices"))
    ):
        side.append(item)
    if desk and access.may(request.user, "branch.settings", branch=desk.branch):
        for label, name, args in (
            ("Branch", "practice:branch", [desk.branch_id]),
            ("Limits", "dispensing:limits", [desk.branch_id]),
            ("Re-checks", "orders:rechecks", [desk.branch_id]),
            ("Staff", "practice:staff", []),
            ("Sign-in rules", "practice:sign_in_rules", []),
            ("Labs", "orders:labs", []),
            ("Audit trail", "practice:audit", []),
            ("Retention", "practice:retention", []),
        ):
            if item := _item(request, label, name, args):
                side.append(item)
    return {
        "nav": nav,
        "side": side,
        "shell_post": desk,
        "shell_posts": request._desks,  # type: ignore[attr-defined]
        "here_zone": desk.branch.time_zone
        if desk
        else settings.TIME_ZONE,  # by which moments are shown: `|timezone:here_zone`
    }


def _item(request: HttpRequest, label: str, name: str, args: list[Any] | None = None) -> NavItem | None:
    try:
        url = reverse(name, args=args or [])
    except NoReverseMatch:
        return None  # this part of the site is not installed
    inside = request.path == url or (url != "/" and request.path.startswith(url.rstrip("/") + "/"))
    return NavItem(label, url, inside, request.path == url)
