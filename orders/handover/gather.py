"""What the handover needs to know of a person, from the records."""

from __future__ import annotations

from orders.handover.points import Person
from orders.models import Order
from practice import access


def person_of(order: Order) -> Person:
    dispense, client = order.dispense, order.dispense.client
    return Person(
        age=access.age_on(client.date_of_birth, order.branch.today()),
        first_progressive=dispense.first_progressive,
        first_pair=not client.dispenses.filter(state="collected").exclude(pk=dispense.pk).exists(),
        uses=tuple(dispense.uses),
        useful_eye=client.useful_eye,
    )
