"""Frames by trade number and by model: what an import looks for, hundreds at a time."""

from django.db import migrations, models

from practice.expand import AddIndexInUse


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("dispensing", "0009_signed_covering")]
    operations = [
        AddIndexInUse(model_name="catalogueframe", index=models.Index(fields=["group", "gtin"], name="frame_by_gtin")),
        AddIndexInUse(
            model_name="catalogueframe", index=models.Index(fields=["group", "maker", "model"], name="frame_by_model")
        ),
    ]
