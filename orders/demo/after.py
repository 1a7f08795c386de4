"""What becomes of an order once the pair is made: measured, sent back, passed, handed over, back again. Through the use cases."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from dispensing.case import EYES
from dispensing.optics.power import axis_in_scale
from orders import collect, receive, return_visit
from orders.handover.gather import person_of
from orders.handover.points import FIT, advice_for, cautions_for
from orders.models import Order
from orders.receipt.points import points_for
from orders.receipt.verdict import near_reference, ordered_lens
from practice.models import Staff

STEPS = ("received", "rejected", "passed", "collected", "came_back", "adjusted")
_TO = {step: i for i, step in enumerate(STEPS)}


def readings(document: Mapping[str, Any], off: Mapping[str, Any]) -> dict[str, str]:
    """What a focimeter shows of a pair that departs from its order by `off` ("right.sphere": 0.06), as one would type it."""
    found: dict[str, str] = {}
    off = {name: float(value) for name, value in off.items()}  # the scenario's numbers are exact
    for eye in EYES:
        o = document["lenses"][eye]["ordered"]
        if o is None:
            continue
        more = near_reference(document, ordered_lens(document, eye))
        found[f"{eye}.sphere"] = f"{float(o['sphere']) + more + off.get(f'{eye}.sphere', 0.0):.2f}"
        if o["axis"]:
            found[f"{eye}.cylinder"] = f"{float(o['cylinder']) + off.get(f'{eye}.cylinder', 0.0):.2f}"
            found[f"{eye}.axis"] = f"{axis_in_scale(float(o['axis']) + off.get(f'{eye}.axis', 0.0)):g}"
        if o["addition"]:
            found[f"{eye}.add"] = o["addition"]
        thinning = float(document["lens"]["prism_thinning_down"])
        for name, value, words in (
            ("prism_in", float(o["prism"]["in"]), ("in", "out")),
            ("prism_up", float(o["prism"]["up"]) - thinning, ("up", "down")),
        ):
            value += off.get(f"{eye}.{name}", 0.0)
            found[f"{eye}.{name}"] = f"{abs(value):.2f} {words[value < 0]}"
    return found


def play(entry: Mapping[str, Any], order: Order, actor: Staff) -> None:
    """Take a made pair as far as the entry's stage says. `found` are departures of the readings from the order."""
    step = _TO[entry["stage"]]
    document = json.loads(order.document)
    points = [p.code for p in points_for(document, statement=order.branch.impact_statement)]
    check = receive.record_receipt(
        actor=actor,
        order=order,
        typed=readings(document, entry.get("found", {})),
        points=points,
        remark=entry.get("remark", ""),
    )
    if step == _TO["received"]:
        return
    if step == _TO["rejected"]:
        receive.reject_to_lab(actor=actor, check=check, reason=entry["reason"])
        return
    receive.pass_pair(actor=actor, check=check)
    if step == _TO["passed"]:
        return
    order = Order.objects.get(pk=order.pk)
    person = person_of(order)
    collect.record_collection(
        actor=actor,
        order=order,
        fit_points=[p.code for p in FIT],
        marks="none",
        acuity={"right": "6/6", "left": "6/6", "both": "6/5"},
        advice=[a.code for a in advice_for(document, person)],
        cautions=[c.code for c in cautions_for(document, person)],
    )
    if step == _TO["collected"]:
        return
    back = entry["back"]
    visit = return_visit.record_visit(
        actor=actor,
        order=Order.objects.get(pk=order.pk),
        complaints=back["complaints"],
        said=back["words"],
        typed=back["measured"],
    )
    if step == _TO["adjusted"]:
        return_visit.decide_visit(actor=actor, visit=visit, outcome="adjust", cause=back["cause"], note=back["note"])
