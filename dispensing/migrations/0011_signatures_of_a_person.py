"""What somebody has decided lately, however much they have decided in their life."""

from django.db import migrations, models

from practice.expand import AddIndexInUse


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("dispensing", "0010_frames_found_sooner")]
    operations = [
        AddIndexInUse(model_name="signature", index=models.Index(fields=["by", "-at"], name="signature_by_person")),
    ]
