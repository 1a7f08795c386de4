"""An order that its lab cannot make, looked at again before it goes to another one.

The dispense is assessed as it is recorded now, against catalogue and limits of now, and the document that would be sent is held
against the one that was: whatever would be made differently is said before anything is sent. Nothing is edited: `issue.replace_order`
cancels the old order and issues a new one that points to it, or does neither.
"""

from __future__ import annotations

import copy
import json
from dataclasses import dataclass

from dispensing import sign_off
from dispensing.assess import assess_dispense
from dispensing.models import Dispense
from orders import issue
from orders.models import Lab, Order
from orders.unlike import Difference, differences
from practice.errors import Refused
from practice.models import Staff

__all__ = ["Again", "Difference", "differences", "look_again"]


@dataclass(frozen=True, slots=True)
class Again:
    no: str  # why it cannot be sent as it is; empty when it can
    differences: list[Difference]


def look_again(*, actor: Staff, order: Order, lab: Lab) -> Again:
    """What would be sent to `lab` in place of `order`, and whether it may. Reads only."""
    dispense = copy.copy(order.dispense)
    found = assess_dispense(dispense)
    signature = sign_off.current_signature(dispense)
    dispense.state = Dispense.State.SIGNED if signature else Dispense.State.OPEN  # as it is once the old order is cancelled
    no = sign_off.why_not_issue(actor=actor, dispense=dispense, found=found) or ""
    try:
        document = issue.document_for(
            dispense=dispense, found=found, lab=lab, actor=actor, number=order.number, replaces=order
        )
    except Refused as problem:
        return Again(no or problem.message, [])
    other = issue.unlike_signed(dispense=dispense, content=document, lab=lab, actor=actor, replaces=order)
    no = no or (other.message if other else "")
    return Again(no, differences(json.loads(order.document), document))
