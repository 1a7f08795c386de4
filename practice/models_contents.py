"""Keys in the store of contents that no row holds: see practice/contents."""

from __future__ import annotations

from django.db import models


class LooseContent(models.Model):
    """An object that is to be held by a row within the hour, or is to be deleted. Says nothing of what it is or whose."""

    key = models.CharField(max_length=80, unique=True)
    since = models.DateTimeField()
    dropped = models.BooleanField(default=False)  # its row let go of it: deleted at once; otherwise after `LOOSE_FOR`

    class Meta:
        ordering = ["since", "id"]
