"""Words of names, to compare a mistyped one with; filled from the clients on record."""

from __future__ import annotations

from typing import Any

from django.db import migrations, models


def fill(apps: Any, schema_editor: Any) -> None:
    using = schema_editor.connection.alias
    client, word = apps.get_model("practice", "Client"), apps.get_model("practice", "NameWord")
    seen: set[str] = set()
    for name in client.objects.using(using).values_list("search_name", flat=True).iterator(chunk_size=5000):
        seen.update(w for w in name.split() if len(w) >= 3)
    word.objects.using(using).bulk_create([word(word=w) for w in sorted(seen)], ignore_conflicts=True, batch_size=500)


class Migration(migrations.Migration):
    dependencies = [("practice", "0005_privacy_and_cover")]

    operations = [
        migrations.CreateModel(
            name="NameWord",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("word", models.CharField(max_length=200, unique=True)),
            ],
        ),
        migrations.RunPython(fill, migrations.RunPython.noop),
    ]
