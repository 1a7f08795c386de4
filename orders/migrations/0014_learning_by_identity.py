"""How a group's sums were counted (null: by name), and a frame taken out of the catalogue as a thing a re-check says."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("orders", "0013_requests_of_labs")]
    operations = [
        migrations.AddField("tallystate", "edition", models.PositiveSmallIntegerField(null=True)),
        migrations.AlterField(
            model_name="recheckchange",
            name="kind",
            field=models.CharField(
                choices=[
                    ("raised", "new"),
                    ("gone", "gone"),
                    ("graver", "graver"),
                    ("milder", "milder"),
                    ("reason", "reason no longer holds"),
                    ("figures", "catalogue figures differ"),
                    ("retired", "no longer in the catalogue"),
                ],
                max_length=8,
            ),
        ),
    ]
