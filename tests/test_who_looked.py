"""Every page about one client says in the audit trail that it was opened; and no log and no address says who the client is."""

from __future__ import annotations

import logging
import re

import pytest
from django.test import Client
from django.urls import reverse

from practice.models import AuditEvent
from practice.seen import ACTION
from tests.test_every_route import ROUTES, world  # noqa: F401  (a fixture)


def _subjects(world):  # noqa: F811
    """What an address may be about, with the client behind it."""
    return {
        world.client.reference: world.client,
        world.dispense.reference: world.dispense.client,
        world.signed.reference: world.signed.client,
        world.order.number: world.order.dispense.client,
        world.passed.number: world.passed.dispense.client,
    }


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_every_page_about_a_client_records_who_opened_it(world):  # noqa: F811
    """Pages that show the name, and everything that is no page (pictures, documents) at an address of one client's."""
    subjects, looked_at, missing = _subjects(world), [], []
    for name, route in ROUTES.items():
        arguments = route.arguments(world)
        about = [subjects[v] for v in arguments.values() if v in subjects]
        if not about or route.lab or route.reads == 405:
            continue
        browser = Client()
        last = AuditEvent.objects.latest("pk").pk
        # within the hour one person's second look is no second row, so that each address is opened by a person of its own
        person = world.cast._staff("manager", f"M-{len(looked_at)}")
        browser.force_login(person)
        answer = browser.get(reverse(name, kwargs=arguments))
        body = b"".join(answer.streaming_content) if answer.streaming else answer.content
        kind = answer.headers.get("Content-Type", "")
        shows = any(c.family_name.encode() in body or c.reference.encode() in body for c in about)
        if answer.status_code == 200 and (shows or not kind.startswith("text/html")):
            looked_at.append(name)
            rows = AuditEvent.objects.filter(pk__gt=last, action=ACTION, actor=person)
            if [r.client for r in rows] != about:
                missing.append(name)
    assert not missing
    assert len(looked_at) > 20, looked_at


class _Kept(logging.Handler):
    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(f"{record.name} {record.getMessage()} {vars(record)}" + str(record.exc_info or ""))


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_logs_of_a_whole_dispense_name_nobody(cast):
    """Everything that any part of the site logs, warnings and refusals included, from the form to the handed-over pair.

    The database's own statements are left out: they are written only where a developer asks for them.
    """
    from orders.issue import issue_order
    from tests.factories import ClientFactory
    from tests.orders.ready import came_back, ready_dispense

    kept = _Kept()
    root = logging.getLogger()
    quiet = logging.getLogger("django.db.backends")
    was = root.level, quiet.level
    root.addHandler(kept)
    root.setLevel(logging.DEBUG)
    quiet.setLevel(logging.INFO)
    others = [logging.getLogger(n) for n in list(logging.root.manager.loggerDict)]
    shut = [lg for lg in others if not lg.propagate]
    for lg in shut:
        lg.addHandler(kept)
    try:
        client = ClientFactory(
            branch=cast.branch, given_name="Zoraida", family_name="Quillfeather", date_of_birth="1958-07-29"
        )
        browser = Client()
        browser.force_login(cast.supervisor)
        edit = reverse("practice:edit_client", args=[client.reference])
        browser.get(edit)
        wrong = {"given_name": "Zoraida", "family_name": "Quillfeather", "date_of_birth": "29 July 2958"}
        browser.post(edit, wrong)
        for typed in ("Quillfeather", "29 July 1958"):
            assert b"illfeather" in browser.post(reverse("practice:clients"), {"q": typed}).content
            browser.post(reverse("practice:read_birth_date"), {"date_of_birth": typed})
        dispense = ready_dispense(cast, client=client)
        issued = issue_order(actor=cast.dispenser, dispense=dispense, lab=cast.lab)
        order = came_back(cast, issued)
        urls = [
            reverse("dispensing:client", args=[client.reference]),
            *(
                reverse(f"dispensing:{n}", args=[dispense.reference])
                for n in ("sheet", "fitting_card", "compare", "sign_off")
            ),
            *(reverse(f"orders:{n}", args=[order.number]) for n in ("detail", "pdf", "tray_label", "collect", "handover")),
            reverse("dispensing:sheet", args=["D-NOWHERE"]),
            reverse("practice:staff"),
        ]
        for url in urls:
            answer = browser.get(url)
            for found in re.findall(rb'(?:href|action|src|hx-get|hx-post)="([^"]*)"', answer.content):
                assert b"uillfeather" not in found
                assert b"1958" not in found
        browser.post(reverse("dispensing:save_part", args=[dispense.reference, "needs"]), {"needs.wish": "Quillfeather"})
    finally:
        root.removeHandler(kept)
        root.setLevel(was[0])
        quiet.setLevel(was[1])
        for lg in shut:
            lg.removeHandler(kept)
    said = "\n".join(kept.lines)
    assert "Not Found" in said  # the handler was listening
    for personal in ("uillfeather", "oraida", "1958-07-29", "29 July", "29 Jul 1958"):
        assert personal not in said
