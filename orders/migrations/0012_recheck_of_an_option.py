"""A re-check may be of a lens option too: a name for a value, nothing in the table."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("orders", "0011_learning")]
    operations = [
        migrations.AlterField(
            model_name="recheck",
            name="kind",
            field=models.CharField(
                choices=[
                    ("limit", "a limit"),
                    ("lens", "a lens design"),
                    ("frame", "a frame"),
                    ("option", "a lens option"),
                ],
                max_length=6,
            ),
        )
    ]
