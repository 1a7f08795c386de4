"""Two people at one record at the same moment, on PostgreSQL: the second waits, and is then told what the first has done.

Each case is one the database could answer with "there is no such row" or with nobody where somebody is: what the first changes is what
the second's statement joins. SQLite lets one transaction in at a time, so that there is nothing to wait for half-way.
"""

from __future__ import annotations

import threading
import time

import pytest
from django.db import connection, transaction
from django.utils import timezone

from dispensing import record, sign_off
from dispensing.models import Dispense
from dispensing.record.base import lock
from orders import printing
from orders.models import Order
from practice import clients
from practice.errors import Conflict
from practice.models import Client, Post
from tests.factories import BranchFactory, Cast
from tests.orders.ready import ready_dispense

pytestmark = [
    pytest.mark.skipif("connection.vendor != 'postgresql'", reason="SQLite has no row to wait for"),
    pytest.mark.django_db(transaction=True),
]


def waits_for_a_lock() -> bool:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM pg_locks WHERE NOT granted"
        )  # of other databases too: a moment early does no harm
        return bool(cursor.fetchone()[0])


def meanwhile(first, second):
    """Do `first`, and before it is saved let somebody else begin `second`; what came of that: its answer or its exception."""
    came = []

    def run():
        try:
            came.append(second())
        except Exception as error:
            came.append(error)
        finally:
            connection.close()

    other = threading.Thread(target=run)
    with transaction.atomic():
        first()
        other.start()
        until = time.monotonic() + 120
        while not waits_for_a_lock() and other.is_alive() and time.monotonic() < until:
            time.sleep(0.02)
        assert not came, f"it did not wait: {came}"
    other.join()
    return came[0]


@pytest.fixture
def cast(db):
    return Cast()


def fresh(row):
    return type(row).objects.get(pk=row.pk)


def test_a_dispense_that_is_taken_over_is_not_gone_for_who_returns_it(cast):
    made = ready_dispense(cast, actor=cast.trainee)
    sign_off.put_forward(actor=cast.trainee, dispense=made, version=made.version)
    waiting = fresh(made)
    shown = {"dispense": waiting, "version": waiting.version, "last_seen": sign_off.newest_decision(waiting)}
    came = meanwhile(
        lambda: sign_off.take_over(actor=cast.supervisor, **shown),
        lambda: sign_off.return_to_dispenser(actor=cast.manager, comment="Look at the fit.", **shown),
    )
    assert isinstance(came, Conflict), came
    assert f"taken over by {cast.supervisor.display_name}" in came.message


def test_two_who_save_one_part_of_a_sheet_the_second_is_told(cast):
    made = ready_dispense(cast)
    assert made.updated_by != cast.supervisor
    version = record.part_version(made, "needs")

    def save(actor, wish):
        return record.save_needs(actor=actor, dispense=fresh(made), version=version, uses=["all_round"], wish=wish)

    came = meanwhile(lambda: save(cast.supervisor, "Light."), lambda: save(cast.dispenser, "Thin."))
    assert isinstance(came, Conflict), came
    assert fresh(made).updated_by == cast.supervisor


def test_what_was_put_there_meanwhile_is_there(cast):
    made = ready_dispense(cast)
    Dispense.objects.filter(pk=made.pk).update(prescription=None, fit_confirmed_by=None)
    prescription = made.prescription

    def look():
        with transaction.atomic():
            row = lock(made)
            return row.prescription, row.fit_confirmed_by

    came = meanwhile(
        lambda: Dispense.objects.filter(pk=made.pk).update(prescription=prescription, fit_confirmed_by=cast.supervisor),
        look,
    )
    assert came == (prescription, cast.supervisor)


def test_a_client_who_is_moved_to_another_branch_is_not_gone_for_who_changes_them(cast):
    client, other = cast.client, BranchFactory(group=cast.group)
    Post.objects.create(staff=cast.manager, branch=other, role="manager")
    values = {"given_name": "Other", "family_name": client.family_name, "date_of_birth": client.date_of_birth}
    came = meanwhile(
        lambda: Client.objects.filter(pk=client.pk).update(branch=other, version=client.version + 1),
        lambda: clients.change_client(actor=cast.manager, client=client, version=client.version, values=values),
    )
    assert isinstance(came, Conflict), came


def test_the_paper_of_an_order_that_is_being_replaced_names_the_new_one(cast, make_order):
    order, later = make_order(), make_order()

    def replace():
        Order.objects.filter(pk=later.pk).update(replaces=order)
        over = {"state": Order.State.CANCELLED, "cancelled_at": timezone.now(), "cancel_reason": "Another lens."}
        Order.objects.filter(pk=order.pk).update(**over)

    came = meanwhile(replace, lambda: printing.print_orders(actor=cast.dispenser, orders=[order], what="sheets"))
    assert isinstance(came, printing.Printed), came
    assert printing.cancellation_of(came.orders[0]).replaced_by == later.number
