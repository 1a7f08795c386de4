"""What an order said when it was issued it says for good, whatever becomes of the catalogues."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from dispensing import catalogue, lens_options
from dispensing.models import CatalogueFrame, CatalogueLens, LensOption
from orders.issue import issue_order
from orders.models import Order
from orders.verify import differences
from tests.orders.ready import ready_dispense


def test_changing_and_retiring_what_was_ordered_changes_nothing_in_the_order(cast):
    order = issue_order(actor=cast.dispenser, dispense=ready_dispense(cast), lab=cast.lab)
    before = Order.objects.get(pk=order.pk).document
    frame, option = CatalogueFrame.objects.get(pk=cast.frame.pk), LensOption.objects.get(pk=cast.option.pk)
    lens = CatalogueLens.objects.get(pk=option.lens_id)
    catalogue.change_frame(
        actor=cast.manager,
        frame=frame,
        read=catalogue.as_read(frame),
        values={"a": Decimal(49), "ed": None, "model": "Another", "valid_until": date(2020, 1, 1)},
    )
    catalogue.change_lens(
        actor=cast.manager, lens=lens, read=catalogue.as_read(lens), values={"corridor_mm": Decimal(9), "name": "Other"}
    )
    lens_options.change_option(
        actor=cast.manager, option=option, read=lens_options.as_read(option), values={"blank_diameters": [50]}
    )
    lens_options.retire_option(actor=cast.manager, option=option, reason="no longer made")
    catalogue.retire(actor=cast.manager, item=CatalogueFrame.objects.get(pk=frame.pk), reason="no longer sold")
    after = Order.objects.get(pk=order.pk)
    assert after.document == before
    assert not [d for _, d in differences() if d is not None]
    assert "Tern 412" in before
    assert "Another" not in before
