"""What labs have used of the running minute: counted in the database, for any number of server processes."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("orders", "0012_recheck_of_an_option")]
    operations = [
        migrations.CreateModel(
            name="LabRequests",
            fields=[
                (
                    "token",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.CASCADE,
                        primary_key=True,
                        related_name="+",
                        serialize=False,
                        to="orders.labtoken",
                    ),
                ),
                ("minute", models.BigIntegerField()),
                ("used", models.PositiveBigIntegerField()),
            ],
        )
    ]
