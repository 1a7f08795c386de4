"""Every address of the site, every kind of person: a route without a line in the table fails.

What is expected: a page of one's own group is there for everybody with a post; managers' pages are for managers; another
group's records and unknown ones are not found, by reading and by writing alike; nobody signed out sees anything but the
door; the lab API knows labs and nobody else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

from dispensing.models import ImportJob, Treatment
from orders.issue import issue_order
from orders.labs import create_token
from orders.models import Recheck
from practice.branches import change_limit
from practice.models import AuditEvent
from tests.factories import ClientFactory, PhotographFactory
from tests.orders.ready import came_back, ready_dispense, signed_dispense

ROLES = ("trainee", "dispenser", "unregistered", "supervisor", "manager", "elsewhere")
Arguments = Callable[[SimpleNamespace], dict[str, Any]]


def _none(_world: SimpleNamespace) -> dict[str, Any]:
    return {}


@dataclass(frozen=True)
class Route:
    """What one address answers. `reads` is the status of a GET for each role; 405 for addresses that only take a POST."""

    reads: int = 200
    managers_only: bool = False
    hidden_from: tuple[str, ...] = ()  # roles for whom it does not exist
    forbidden_to: tuple[str, ...] = ()
    arguments: Arguments = _none
    unknown: dict[str, Any] = field(default_factory=dict)  # arguments of something that is not there
    open_to_all: bool = False  # signed out as well
    redirects: bool = False
    lab: bool = False
    writes: bool = False  # takes a POST
    own_only: bool = True  # has no foreign object to try (False: has one)


def client_page(**kw: Any) -> Route:
    return Route(
        arguments=lambda w: {"reference": w.client.reference}, unknown={"reference": "C-NOWHERE"}, own_only=False, **kw
    )


def dispense(*, extra: dict[str, Any] | None = None, **kw: Any) -> Route:
    more = extra or {}
    return Route(
        arguments=lambda w: {"reference": w.dispense.reference, **more},
        unknown={"reference": "D-NOWHERE", **more},
        own_only=False,
        **kw,
    )


def order(*, extra: dict[str, Any] | None = None, **kw: Any) -> Route:
    more = extra or {}
    return Route(
        arguments=lambda w: {"number": w.order.number, **more},
        unknown={"number": "ZZ-999999", **more},
        own_only=False,
        **kw,
    )


def checked(**kw: Any) -> Route:
    return Route(
        arguments=lambda w: {"number": w.passed.number, "pk": w.passed.receipts.get().pk},
        unknown={"number": "ZZ-999999", "pk": 1},
        own_only=False,
        **kw,
    )


def passed(**kw: Any) -> Route:
    return Route(arguments=lambda w: {"number": w.passed.number}, unknown={"number": "ZZ-999999"}, own_only=False, **kw)


def visited(**kw: Any) -> Route:
    return Route(
        arguments=lambda w: {"number": w.passed.number, "pk": w.passed.returns.get().pk},
        unknown={"number": "ZZ-999999", "pk": 1},
        own_only=False,
        **kw,
    )


def frame(**kw: Any) -> Route:
    return Route(arguments=lambda w: {"code": w.cast.frame.code}, unknown={"code": "NOWHERE"}, own_only=False, **kw)


def lens(**kw: Any) -> Route:
    return Route(arguments=lambda w: {"code": w.cast.lens.code}, unknown={"code": "NOWHERE"}, own_only=False, **kw)


def option(**kw: Any) -> Route:
    return Route(
        arguments=lambda w: {"code": w.cast.lens.code, "material": w.cast.option.material.code},
        unknown={"code": "NOWHERE", "material": "NOWHERE"},
        own_only=False,
        **kw,
    )


def treatment(**kw: Any) -> Route:
    return Route(arguments=lambda w: {"code": w.tint.code}, unknown={"code": "NOWHERE"}, own_only=False, **kw)


def import_job(**kw: Any) -> Route:
    return Route(arguments=lambda w: {"pk": w.import_job.pk}, unknown={"pk": 999999}, own_only=False, **kw)


def photograph(**kw: Any) -> Route:
    return Route(
        arguments=lambda w: {"reference": w.dispense.reference, "pk": w.photograph.pk},
        unknown={"reference": "D-NOWHERE", "pk": 1},
        own_only=False,
        **kw,
    )


def trainee(**kw: Any) -> Route:
    """A trainee's record of cases: their own, their supervisor's and their manager's to read."""
    return Route(
        arguments=lambda w: {"pk": w.cast.trainee.pk},
        unknown={"pk": 999999},
        own_only=False,
        hidden_from=("dispenser", "unregistered", "elsewhere"),
        **kw,
    )


def lab(*, extra: Callable[[SimpleNamespace], dict[str, Any]] = _none, **kw: Any) -> Route:
    return Route(
        arguments=lambda w: {"pk": w.cast.lab.pk, **extra(w)},
        unknown={"pk": 999999, **({"token": 1} if extra is not _none else {})},
        own_only=False,
        **kw,
    )


ACT = {"reads": 405, "writes": True}
ROUTES: dict[str, Route] = {
    "practice:sign_in": Route(open_to_all=True, redirects=True),
    "practice:sign_out": Route(**ACT),
    "practice:password": Route(),
    "practice:sessions": Route(writes=True),
    "practice:look": Route(reads=405, open_to_all=True, writes=True),
    "practice:choose_branch": Route(**ACT),
    "practice:second_factor": Route(redirects=True, open_to_all=True),
    "practice:factors": Route(writes=True),
    "practice:add_totp": Route(writes=True),
    "practice:add_passkey": Route(writes=True),
    "practice:devices": Route(forbidden_to=("trainee", "dispenser", "unregistered", "elsewhere"), writes=True),
    "practice:pin": Route(writes=True),
    "practice:change_place": Route(open_to_all=True, writes=True),
    "practice:invitations": Route(managers_only=True),
    "practice:help_in": Route(
        managers_only=True,
        arguments=lambda w: {"pk": w.cast.trainee.pk},
        unknown={"pk": 999999},
        own_only=False,
        writes=True,
    ),
    "practice:open_link": Route(open_to_all=True, redirects=True, arguments=lambda _w: {"token": "x"}),
    "practice:use_link": Route(open_to_all=True),
    "practice:forgotten": Route(open_to_all=True),
    "practice:sign_in_rules": Route(managers_only=True),
    "practice:clients": Route(),
    "practice:new_client": Route(),
    "practice:read_birth_date": Route(),
    "practice:edit_client": client_page(writes=True),
    "practice:held": client_page(writes=True),
    "practice:hand_over": client_page(**ACT),
    "practice:retention": Route(managers_only=True, writes=True),
    "practice:retention_csv": Route(managers_only=True),
    "practice:cover": Route(forbidden_to=("trainee", "dispenser", "unregistered", "elsewhere"), writes=True),
    "practice:own_branch": Route(redirects=True),
    "practice:branch": Route(
        arguments=lambda w: {"pk": w.cast.branch.pk}, unknown={"pk": 999999}, own_only=False, writes=True
    ),
    "practice:staff": Route(managers_only=True),
    "practice:new_person": Route(managers_only=True),
    "practice:person": Route(
        managers_only=True,
        arguments=lambda w: {"pk": w.cast.trainee.pk},
        unknown={"pk": 999999},
        own_only=False,
        writes=True,
    ),
    "practice:audit": Route(managers_only=True),
    "practice:today": Route(redirects=True),
    "dispensing:bench": Route(),
    "dispensing:bench_one": Route(arguments=lambda w: {"name": w.calculation}, unknown={"name": "nothing-like-it"}),
    "dispensing:checks": Route(),
    "dispensing:check": Route(arguments=lambda w: {"identifier": w.check}, unknown={"identifier": "nothing.like-it"}),
    "dispensing:frames": Route(),
    "dispensing:new_frame": Route(managers_only=True),
    "dispensing:frame": frame(),
    "dispensing:change_frame": frame(managers_only=True, writes=True),
    "dispensing:retire_frame": frame(**ACT),
    "dispensing:frame_stock": frame(**ACT),
    "dispensing:frame_outline": frame(managers_only=True, writes=True),
    "dispensing:imports": Route(managers_only=True),
    "dispensing:import_job": import_job(managers_only=True, writes=True),
    "dispensing:import_step": import_job(**ACT),
    "dispensing:import_lines": import_job(managers_only=True),
    "dispensing:export": Route(
        arguments=lambda _w: {"kind": "frames", "form": "csv"}, unknown={"kind": "nothing", "form": "csv"}
    ),
    "dispensing:new_lens": Route(managers_only=True),
    "dispensing:new_option": lens(managers_only=True),
    "dispensing:change_option": option(managers_only=True, writes=True),
    "dispensing:retire_option": option(**ACT),
    "dispensing:materials": Route(),
    "dispensing:new_material": Route(managers_only=True),
    "dispensing:change_material": Route(
        arguments=lambda w: {"code": w.cast.option.material.code},
        unknown={"code": "NOWHERE"},
        own_only=False,
        managers_only=True,
        writes=True,
    ),
    "dispensing:treatments": Route(),
    "dispensing:new_treatment": Route(managers_only=True),
    "dispensing:change_treatment": treatment(managers_only=True, writes=True),
    "dispensing:retire_treatment": treatment(**ACT),
    "dispensing:lenses": Route(),
    "dispensing:lens": lens(),
    "dispensing:change_lens": lens(managers_only=True, writes=True),
    "dispensing:retire_lens": lens(**ACT),
    "dispensing:client": client_page(),
    "dispensing:start": client_page(**ACT),
    "dispensing:sheet": dispense(),
    "dispensing:save_part": dispense(extra={"part": "needs"}, **ACT),
    "dispensing:preview": dispense(**ACT),
    "dispensing:presence": dispense(**ACT),
    "dispensing:use_prescription": dispense(**ACT),
    "dispensing:import_prescription": dispense(**ACT),
    "dispensing:read_back": dispense(writes=True),
    "dispensing:sheet_frames": dispense(),
    "dispensing:choose_frame": dispense(**ACT),
    "dispensing:adopt": dispense(**ACT),
    "dispensing:strike_out": dispense(**ACT),
    "dispensing:measurement_reason": dispense(**ACT),
    "dispensing:reason": dispense(**ACT),
    "dispensing:cancel": dispense(**ACT),
    "dispensing:working": dispense(extra={"figure": "mass_g"}),
    "dispensing:fitting_card": dispense(),
    "dispensing:compare": dispense(),
    "dispensing:compare_print": dispense(),
    "dispensing:compare_choose": dispense(**ACT),
    "dispensing:compare_frames": dispense(),
    "dispensing:what_if": dispense(),
    "dispensing:remeasure": dispense(writes=True),
    "dispensing:photographs": dispense(writes=True),
    "dispensing:photograph": photograph(writes=True),
    "dispensing:photograph_preview": photograph(**ACT),
    "dispensing:photograph_picture": photograph(),
    "dispensing:remove_photograph": photograph(**ACT),
    "dispensing:sign_off_desk": Route(),
    "dispensing:sign_off": dispense(writes=True),
    "dispensing:signature": Route(
        arguments=lambda w: {"reference": w.signed.reference, "pk": w.signature.pk},
        unknown={"reference": "D-NOWHERE", "pk": 1},
        own_only=False,
    ),
    "dispensing:measuring": Route(),
    "dispensing:guide": Route(arguments=lambda _w: {"method": "rule"}, unknown={"method": "guesswork"}),
    "dispensing:own_training": Route(),
    "dispensing:agreement": Route(forbidden_to=("trainee", "dispenser", "unregistered", "elsewhere")),
    "dispensing:training": trainee(writes=True),
    "dispensing:training_csv": trainee(),
    "dispensing:training_pdf": trainee(),
    "dispensing:limits": Route(arguments=lambda w: {"pk": w.cast.branch.pk}, unknown={"pk": 999999}, own_only=False),
    "dispensing:limit": Route(
        managers_only=True,
        arguments=lambda w: {"pk": w.cast.branch.pk, "name": w.limit},
        unknown={"pk": 999999, "name": "nothing"},
        own_only=False,
        writes=True,
    ),
    "orders:today": Route(),
    "orders:list": Route(),
    "orders:print": Route(**ACT),
    "orders:outbox_limits": Route(managers_only=True, writes=True),
    "orders:detail": order(),
    "orders:pdf": order(),
    "orders:tray_label": order(),
    "orders:cancel": order(**ACT),
    "orders:replace": order(**ACT),
    "orders:answer": order(extra={"pk": 1}, **ACT),
    "orders:issue": dispense(writes=True),
    "orders:labs": Route(managers_only=True),
    "orders:new_lab": Route(managers_only=True),
    "orders:lab": lab(managers_only=True, writes=True),
    "orders:make_token": lab(**ACT),
    "orders:revoke_token": lab(extra=lambda w: {"token": w.token.pk}, **ACT),
    "orders:webhook": lab(**ACT),
    "orders:rechecks": Route(arguments=lambda w: {"pk": w.cast.branch.pk}, unknown={"pk": 999999}, own_only=False),
    "orders:recheck_step": Route(
        arguments=lambda w: {"pk": w.cast.branch.pk}, unknown={"pk": 999999}, own_only=False, **ACT
    ),
    "orders:recheck_look": Route(
        arguments=lambda w: {"pk": w.cast.branch.pk, "number": w.recheck.pk},
        unknown={"pk": 999999, "number": 1},
        own_only=False,
        **ACT,
    ),
    "orders:arrivals": Route(),
    "orders:receive": order(writes=True),
    "orders:receive_preview": order(**ACT),
    "orders:verdict": checked(writes=True),
    "orders:receipt_report": checked(),
    "orders:collect": passed(writes=True),
    "orders:handover": passed(),
    "orders:return_visit": passed(writes=True),
    "orders:visit": visited(writes=True),
    "orders:learning": Route(),
    "orders:return_words": Route(writes=True),
    "orders:learning_csv": Route(arguments=lambda w: {"name": "lab"}, unknown={"name": "nothing"}),
    "dispensing_api:calculations": Route(),
    "dispensing_api:calculation": Route(
        arguments=lambda w: {"name": w.calculation}, unknown={"name": "nothing-like-it"}, writes=True
    ),
    "dispensing_api:assessments": Route(reads=405, writes=True),
    "dispensing_api:assessment_schema": Route(),
    "dispensing_api:checks": Route(),
    "orders_api:orders": Route(lab=True),
    "orders_api:acknowledgements": Route(lab=True, reads=405),
    "orders_api:order": order(lab=True),
    "orders_api:order_as": order(extra={"format": "pdf"}, lab=True),
    "orders_api:acknowledgement": order(lab=True, reads=405),
    "orders_api:progress": order(lab=True, reads=405),
    "orders_api:promise": order(lab=True, reads=405),
    "orders_api:cannot_make": order(lab=True, reads=405),
    "orders_api:questions": order(lab=True),
    "orders_api:json_schema": Route(
        open_to_all=True, arguments=lambda w: {"name": "order-1.0.json"}, unknown={"name": "order-9.9.json"}
    ),
    "orders_api:openapi": Route(open_to_all=True),
    "orders_api:docs": Route(open_to_all=True),
}
NOT_A_PAGE = {"orders_api:nothing_here"}  # the 404 of the API itself


def _walk(resolver: URLResolver, space: str = "") -> Iterator[str]:
    for pattern in resolver.url_patterns:
        if isinstance(pattern, URLResolver):
            yield from _walk(pattern, space + (pattern.namespace + ":" if pattern.namespace else ""))
        elif isinstance(pattern, URLPattern):
            yield space + (pattern.name or str(pattern.pattern))


ALL = sorted(set(_walk(get_resolver())) - NOT_A_PAGE)


def test_every_route_has_its_line():
    assert set(ALL) == set(ROUTES), set(ALL) ^ set(ROUTES)


@pytest.fixture
def world(cast):
    from dispensing.calculations import all_calculations
    from dispensing.checks import registry
    from dispensing.checks.thresholds import THRESHOLDS

    signed = signed_dispense(cast, client=ClientFactory(branch=cast.branch))
    issued = issue_order(actor=cast.supervisor, dispense=signed, lab=cast.lab)
    ready = ready_dispense(cast, actor=cast.trainee)
    brought_back = ready_dispense(cast, client=ClientFactory(branch=cast.branch))
    passed = came_back(cast, issue_order(actor=cast.dispenser, dispense=brought_back, lab=cast.lab))
    change_limit(
        actor=cast.manager, branch=cast.branch, name="pd.unequal", value=Decimal(3), reason="Two came back last year."
    )
    return SimpleNamespace(
        passed=passed,
        cast=cast,
        client=cast.client,
        dispense=ready,
        import_job=ImportJob.objects.create(
            group=cast.group, kind="frames", by=cast.manager, started_at=timezone.now(), file_sha256="0" * 64
        ),
        tint=Treatment.objects.create(group=cast.group, code="HC", kind="coating", name="hard coating"),
        photograph=PhotographFactory(dispense=ready, added_by=cast.trainee),
        signed=signed,
        signature=signed.signatures.filter(decision="signed").get(),
        order=issued,
        token=create_token(lab=cast.lab).row,
        calculation=next(iter(all_calculations())).name,
        check=next(iter(registry())),
        limit=next(t.name for t in THRESHOLDS.values() if t.changeable),
        recheck=Recheck.objects.get(),
    )


def _client(person: Any = None) -> Client:
    client = Client()
    if person is not None:
        client.force_login(person)
    return client


def _get(client: Client, url: str, **headers: str) -> int:
    return _read(client.get(url, **headers))  # type: ignore[arg-type]


def _post(client: Client, url: str, data: dict[str, str] | None = None) -> int:
    return _read(client.post(url, data or {}))


def _read(answer: Any) -> int:
    """Read to its end, so that what it holds open is closed (closing it by hand would close the database's connection too)."""
    if answer.streaming:
        b"".join(answer.streaming_content)
    return int(answer.status_code)


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_who_reads_what(world):
    wrong = []
    roles = ROLES if connection.vendor == "sqlite" else ("trainee", "manager")  # who may what does not hang on the database
    for name, route in ROUTES.items():
        if route.lab:
            continue
        url = reverse(name, kwargs=route.arguments(world))
        for role in roles:
            expected = {route.reads}
            if route.managers_only and role != "manager":
                expected = {403}
            if role in route.forbidden_to:
                expected = {403}
            if role in route.hidden_from:
                expected = {404}
            if route.redirects:
                expected = {302}
            got = _get(_client(getattr(world.cast, role)), url)
            if got not in expected:
                wrong.append((name, role, got, expected))
    assert not wrong


def test_signed_out_sees_the_door_only(world):
    wrong = []
    for name, route in ROUTES.items():
        url = reverse(name, kwargs=route.arguments(world))
        got = _get(_client(), url)
        api = "_api:" in name
        expected = {200, 405, *([302] if route.redirects else [])} if route.open_to_all else {401} if api else {302}
        if got not in expected:
            wrong.append((name, "GET", got))
        if not route.open_to_all and _post(_client(), url) not in ({401, 405} if api else {302}):
            wrong.append((name, "POST"))
    assert not wrong


def test_another_group_and_the_unknown_are_not_found(world):
    wrong = []
    for name, route in ROUTES.items():
        if route.lab:
            continue
        tries = []
        if not route.own_only:
            tries.append((world.cast.foreigner, route.arguments(world), "foreign"))
        if route.unknown:
            tries.append((world.cast.manager, route.unknown, "unknown"))
        for person, arguments, what in tries:
            url = reverse(name, kwargs=arguments)
            if route.reads != 405 and _get(_client(person), url) != 404:
                wrong.append((name, what, "GET"))
            if route.writes and _post(_client(person), url) != 404:
                wrong.append((name, what, "POST"))
    assert not wrong


def test_no_post_at_the_branch_changes_nothing(world):
    """Somebody of the same group who works elsewhere reads the sheet and changes none of it."""
    reference = world.dispense.reference
    before = AuditEvent.objects.count(), world.dispense.version
    attempts = {
        ("dispensing:save_part", "needs"): {"needs.uses": "near", "version": "0"},
        ("dispensing:save_part", "prescription"): {"prescription.right.sphere": "-9.00", "version": "0"},
        ("dispensing:cancel", ""): {"reason": "not wanted any more"},
        ("dispensing:compare_choose", ""): {"option": str(world.cast.single_option.pk), "version": "1"},
        ("dispensing:measurement_reason", ""): {"measurements.reason": "because"},
        ("orders:issue", ""): {"lab": str(world.cast.lab.pk)},
        ("orders:cancel", "order"): {"reason": "not wanted any more"},
        ("orders:replace", "order"): {"reason": "not wanted any more"},
        ("dispensing:sign_off", ""): {"decision": "sign", "password": "heron over saltmarsh"},
    }
    client = _client(world.cast.elsewhere)
    for (name, part), data in attempts.items():
        arguments: dict[str, Any] = {"number": world.order.number} if part == "order" else {"reference": reference}
        if name == "dispensing:save_part":
            arguments["part"] = part
        assert _post(client, reverse(name, kwargs=arguments), data) < 500
    world.dispense.refresh_from_db()
    world.order.refresh_from_db()
    after = AuditEvent.objects.exclude(action__startswith="seen").count(), world.dispense.version
    assert after == before
    assert world.order.state == "issued"


def test_labs_see_their_own_orders_only(world):
    own = create_token(lab=world.cast.lab, label="own").text
    other = create_token(lab=world.cast.foreign_lab, label="other").text
    wrong = []
    for name, route in ROUTES.items():
        if not route.lab:
            continue
        url = reverse(name, kwargs=route.arguments(world))
        for role in ROLES:
            if _get(_client(getattr(world.cast, role)), url) != 401:
                wrong.append((name, role))
        if _get(_client(), url, HTTP_AUTHORIZATION=f"Bearer {own}") != route.reads:
            wrong.append((name, "own lab"))
        if not route.own_only:
            got = _get(_client(), url, HTTP_AUTHORIZATION=f"Bearer {other}")
            if got != (405 if route.reads == 405 else 404):
                wrong.append((name, "other lab", got))
    assert not wrong
