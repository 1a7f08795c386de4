"""Who may see and do what. The only place where roles are compared.

Seeing: within one's own group clients, their dispenses and orders are seen at every branch, so that care goes on when a
client walks into another branch. Another group does not exist: its records are not found (404), not forbidden.
Doing: a change needs a post at the branch it belongs to; what the post allows is the table at the end of this module.

`why_not` answers with the sentence to show, or None when it is allowed; `may` and `require` are built on it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import date
from typing import Any, TypeVar

from django.core.exceptions import FieldDoesNotExist
from django.db.models import Exists, Model, Q, QuerySet

from practice.errors import NotAllowed
from practice.models import AuditEvent, Branch, Client, Cover, Post, Staff

M = TypeVar("M", bound=Model)

TRAINEE, DISPENSER, SUPERVISOR, MANAGER = Post.Role.TRAINEE, Post.Role.DISPENSER, Post.Role.SUPERVISOR, Post.Role.MANAGER

# --- seeing -----------------------------------------------------------------------------------------------------------

_WAYS_TO_GROUP = (
    ("group", "group"),
    ("branch", "branch__group"),
    ("dispense", "dispense__group"),
    ("order", "order__group"),
    ("lab", "lab__group"),
    ("client", "client__group"),
    ("lens", "lens__group"),
    ("prescription", "prescription__group"),
)


def works_somewhere(staff: Any) -> bool:
    """Signed in, active and with a post in their own group; anybody else sees nothing."""
    return bool(
        getattr(staff, "is_authenticated", False)
        and staff.is_active
        and staff.group_id
        and staff.posts.filter(branch__group=staff.group_id).exists()
    )


def scoped(queryset: QuerySet[M], staff: Any) -> QuerySet[M]:
    """The rows of `queryset` that belong to the group of `staff`; for any model that leads to a group."""
    if not (getattr(staff, "is_authenticated", False) and staff.is_active and staff.group_id):
        return queryset.none()
    works = Exists(
        Post.objects.filter(staff=staff.pk, branch__group=staff.group_id)
    )  # as works_somewhere, in the same query
    for name, way in _WAYS_TO_GROUP:
        try:
            queryset.model._meta.get_field(name)
        except FieldDoesNotExist:
            continue
        return queryset.filter(works, **{way: staff.group_id})
    raise TypeError(f"{queryset.model.__name__} leads to no group")


def visible_clients(staff: Any) -> QuerySet[Client]:
    return scoped(Client.objects.all(), staff)


def visible_branches(staff: Any) -> QuerySet[Branch]:
    return scoped(Branch.objects.all(), staff)


def visible_staff(staff: Any) -> QuerySet[Staff]:
    return scoped(Staff.objects.all(), staff)


def trains(staff: Any) -> QuerySet[Staff]:
    """Whose training somebody answers for: those they supervise or cover, and everybody at a branch they manage; never themselves.

    Where they supervise no more, because their post there went or became another one, a trainee who is still put down under them does
    not count.
    """
    own = Post.objects.filter(staff=staff.pk, branch__group=staff.group_id)
    signing, managed = (
        own.filter(role__in=[SUPERVISOR, MANAGER]).values("branch"),
        own.filter(role=MANAGER).values("branch"),
    )
    whose = Q(posts__supervisor=staff.pk, posts__branch__in=signing) | Q(posts__branch__in=managed)
    for cover in Cover.objects.filter(by=staff.pk, ended_at=None).select_related("branch", "absent"):
        if cover.from_on <= cover.branch.today() <= cover.to_on and covers_still(cover, staff):
            whose |= Q(posts__supervisor=cover.absent_id, posts__branch=cover.branch_id)
    return visible_staff(staff).filter(whose).exclude(pk=staff.pk).distinct()


def covers_still(cover: Cover, by: Staff) -> bool:
    """Whether both still have the posts that a cover was made between. Whoever is away may have closed their account meanwhile."""
    absent = Post.objects.filter(staff=cover.absent_id, branch=cover.branch_id, role__in=[SUPERVISOR, MANAGER])
    return signing_role(by, cover.branch) is not None and absent.exists()


def visible_training(staff: Any) -> QuerySet[Staff]:
    """Whose record of cases somebody may read: their own and of those whose training they answer for."""
    return visible_staff(staff).filter(Q(pk=staff.pk) | Q(pk__in=trains(staff).values("pk")))


def visible_audit(staff: Any) -> QuerySet[AuditEvent]:
    """What a manager may read: events of the branches they manage and those of the group that belong to no branch."""
    if not works_somewhere(staff):
        return AuditEvent.objects.none()
    managed = staff.posts.filter(role=MANAGER, branch__group=staff.group_id).values("branch")
    if not managed.exists():
        return AuditEvent.objects.none()
    return AuditEvent.objects.filter(Q(branch__in=managed) | Q(branch=None), group=staff.group_id)


def posts_of(staff: Any) -> list[Post]:
    """Where somebody works, with the branch at hand."""
    if not getattr(staff, "is_authenticated", False) or not staff.is_active:
        return []
    return list(staff.posts.filter(branch__group=staff.group_id).select_related("branch").order_by("branch__name", "pk"))


def branches_where(staff: Any, action: str) -> list[Branch]:
    """Branches at which an action that hangs on the post alone is open to somebody (for choices in forms)."""
    return [post.branch for post in posts_of(staff) if may(staff, action, branch=post.branch)]


# --- restricted clients -----------------------------------------------------------------------------------------------


def age_on(born: date, on: date) -> int:
    """Completed years."""
    return on.year - born.year - ((on.month, on.day) < (born.month, born.day))


def restrictions(client: Client, branch: Branch, on: date) -> tuple[str, ...]:
    """Why dispensing to this client needs a registered person at this branch; empty when it does not.

    Which clients these are differs by country: both rules are settings of the branch, not law.
    """
    found = []
    limit = branch.restricted_below_age
    if limit is not None and age_on(client.date_of_birth, on) < limit:
        found.append(f"under {limit}")
    if client.sight_impaired:
        found.append("registered sight-impaired")
    return tuple(found)


# --- doing ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Ask:
    """One question: may `staff` (with `role` at `branch`) do this to `subject`?"""

    staff: Staff
    role: str | None
    branch: Branch
    subject: Any = None
    facts: Mapping[str, Any] = field(default_factory=dict)


Rule = Callable[[Ask], str | None]


def _post(*roles: str, words: str) -> Rule:
    def rule(ask: Ask) -> str | None:
        if ask.role is None:
            return f"You have no post at {ask.branch.name}: only people who work there can change this."
        return None if ask.role in roles else words

    return rule


def _not_own(words: str) -> Rule:
    def rule(ask: Ask) -> str | None:
        return words if ask.subject is not None and ask.subject.dispenser_id == ask.staff.pk else None

    return rule


def _not_own_work(ask: Ask) -> str | None:
    """`own_work`: what of it is the asker's own work, in words, whoever it belongs to now."""
    own = ask.facts.get("own_work", ())
    if not own:
        return None
    whose = ask.subject.dispenser.display_name if ask.subject is not None else "the dispenser"
    return (
        f"Nobody signs their own work: {'; '.join(own)}. Another supervisor or the manager signs, or {whose} does it anew."
    )


def _registered_if_restricted(words: str) -> Rule:
    """`restricted`: what `restrictions` found; `signed_by_registered`: a registered person has signed exactly this."""

    def rule(ask: Ask) -> str | None:
        restricted = ask.facts.get("restricted", ())
        if not restricted or ask.staff.registered or ask.facts.get("signed_by_registered"):
            return None
        return f"This client is {' and '.join(restricted)}: {words}"

    return rule


def _registered(words: str) -> Rule:
    def rule(ask: Ask) -> str | None:
        return None if ask.staff.registered else words

    return rule


def _all(*rules: Rule) -> Rule:
    def rule(ask: Ask) -> str | None:
        return next((no for each in rules if (no := each(ask)) is not None), None)

    return rule


_ANYBODY = _post(TRAINEE, DISPENSER, SUPERVISOR, MANAGER, words="")
_NOT_TRAINEE = "A trainee cannot do this; ask a dispenser, your supervisor or the manager."
_SIGNERS = "Only a supervisor or manager of this branch can do this."
_MANAGER = _post(MANAGER, words="Only the manager of this branch can do this.")

ACTIONS: dict[str, Rule] = {
    "client.create": _ANYBODY,
    "client.change": _ANYBODY,
    "client.export": _post(SUPERVISOR, MANAGER, words=_SIGNERS),
    "client.erase": _MANAGER,
    "consent.note": _ANYBODY,
    "retention.read": _MANAGER,
    "cover.set": _post(SUPERVISOR, MANAGER, words=_SIGNERS),
    "dispense.start": _ANYBODY,
    "dispense.change": _ANYBODY,
    "dispense.cancel": _ANYBODY,
    "dispense.put_forward": _ANYBODY,
    # a trainee's reason is read by whoever signs; without a signature nothing of a trainee's is issued
    "reason.give": _ANYBODY,
    "dispense.take_over": _post(DISPENSER, SUPERVISOR, MANAGER, words=_NOT_TRAINEE),
    "dispense.sign": _all(
        _post(SUPERVISOR, MANAGER, words=_SIGNERS),
        _not_own("Nobody signs their own dispense; ask another supervisor."),
        _not_own_work,
        _registered_if_restricted("a registered person has to sign."),
    ),
    "dispense.return": _all(
        _post(SUPERVISOR, MANAGER, words=_SIGNERS), _not_own("Nobody returns their own dispense; change it instead.")
    ),
    "dispense.remeasure": _all(
        _post(SUPERVISOR, MANAGER, words=_SIGNERS),
        _not_own("Nobody re-measures their own dispense; ask another supervisor."),
    ),
    "order.issue": _all(
        _post(DISPENSER, SUPERVISOR, MANAGER, words="A trainee cannot issue an order; it is issued by whoever signs."),
        _registered_if_restricted("a registered person has to issue or sign."),
    ),
    "order.cancel": _post(DISPENSER, SUPERVISOR, MANAGER, words=_NOT_TRAINEE),
    "order.print": _ANYBODY,
    "order.replace": _post(DISPENSER, SUPERVISOR, MANAGER, words=_NOT_TRAINEE),
    "receipt.record": _ANYBODY,
    "receipt.decide": _post(DISPENSER, SUPERVISOR, MANAGER, words=_NOT_TRAINEE),
    "receipt.accept_outside": _all(
        _post(DISPENSER, SUPERVISOR, MANAGER, words=_NOT_TRAINEE),
        _registered("Only a registered person accepts a pair that is outside tolerance or not fully measured."),
    ),
    "collection.record": _all(_ANYBODY, _registered_if_restricted("a registered person has to hand over the spectacles.")),
    "return.record": _ANYBODY,
    "return.decide": _post(DISPENSER, SUPERVISOR, MANAGER, words=_NOT_TRAINEE),
    "learning.people": _MANAGER,
    "branch.settings": _MANAGER,
    "staff.change": _MANAGER,
    "sign_in.rules": _MANAGER,
    "device.change": _post(SUPERVISOR, MANAGER, words=_SIGNERS),
    "audit.read": _MANAGER,
    "catalogue.change": _MANAGER,
    "stock.change": _ANYBODY,
    "lab.change": _MANAGER,
}


_roles: ContextVar[dict[tuple[int, int], str | None] | None] = ContextVar("roles", default=None)


@contextmanager
def looked_up_once() -> Iterator[None]:
    """Within it each role is asked of the database once. For a page that only reads: a deed always asks anew."""
    token = _roles.set({})
    try:
        yield
    finally:
        _roles.reset(token)


def role_at(staff: Any, branch: Branch) -> str | None:
    """The role of somebody at a branch, None without a post there or in another group."""
    if not getattr(staff, "is_authenticated", False) or not staff.is_active or staff.group_id != branch.group_id:
        return None
    known = _roles.get()
    key = (staff.pk, branch.pk)
    if known is not None and key in known:
        return known[key]
    role = staff.posts.filter(branch=branch).values_list("role", flat=True).first()
    if known is not None:
        known[key] = role
    return role


def why_not(
    staff: Any, action: str, *, branch: Branch, subject: Any = None, known_role: str | None = None, **facts: Any
) -> str | None:
    """Why somebody may not do this, in one sentence to show; None when they may. An unknown action is an error.

    `known_role`: their role at the branch, where a list has looked it up once for all its rows.
    """
    rule = ACTIONS[action]
    role = known_role or role_at(staff, branch)
    return rule(Ask(staff=staff, role=role, branch=branch, subject=subject, facts=facts))


def may(staff: Any, action: str, *, branch: Branch, subject: Any = None, **facts: Any) -> bool:
    return why_not(staff, action, branch=branch, subject=subject, **facts) is None


def require(staff: Any, action: str, *, branch: Branch, subject: Any = None, **facts: Any) -> None:
    """Raise NotAllowed with the sentence to show unless it is allowed."""
    no = why_not(staff, action, branch=branch, subject=subject, **facts)
    if no is not None:
        raise NotAllowed(no)


def signing_role(staff: Any, branch: Branch) -> str | None:
    """The role by which somebody signs others' dispenses at a branch; None when they never do."""
    role = role_at(staff, branch)
    return role if role in {SUPERVISOR, MANAGER} else None


def is_trainee_at(staff: Staff, branch: Branch) -> bool:
    """Somebody whose dispenses need a signature; so does everybody who has no post at the branch (any more)."""
    return role_at(staff, branch) in {TRAINEE, None}
