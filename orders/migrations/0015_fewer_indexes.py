"""What an order's step and its trace line no longer have to write: indexes that no query reads, or that another one begins with.

By `pg_stat_user_indexes` over every page, list and address of the labs: number and lab are found by `order_number_begins`; group,
branch and lab stand first in others; people and labs are never deleted, which is all that the rest would serve.
"""

import django.db.models.deletion
from django.db import migrations, models

from practice.expand import DropForeignKeyIndexInUse, RemoveIndexInUse


def _without(model, name, to, **more):
    field = models.ForeignKey(
        db_index=False, on_delete=django.db.models.deletion.PROTECT, to=to, **{"related_name": "+", **more}
    )
    return DropForeignKeyIndexInUse(model_name=model, name=name, field=field)


class Migration(migrations.Migration):
    atomic = False

    dependencies = [("orders", "0014_learning_by_identity")]

    operations = [
        _without("order", "group", "practice.group", related_name="orders"),
        _without("order", "branch", "practice.branch", related_name="orders"),
        _without("order", "lab", "orders.lab", related_name="orders"),
        _without("order", "issued_by", "practice.staff"),
        _without("orderevent", "by_lab", "orders.lab", blank=True, null=True),
        _without("orderevent", "by_staff", "practice.staff", blank=True, null=True),
        # last: what is above may be run again when it was broken off
        RemoveIndexInUse(model_name="order", name="order_by_lab_number"),
    ]
