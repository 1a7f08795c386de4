"""What running for real has to remember: when each periodic job is due, who is at it, and which workers are alive."""

from __future__ import annotations

from django.db import models


class Job(models.Model):
    """One periodic job of `deploy.jobs.JOBS`. A claim ends by itself, so that a worker that was killed holds nothing up."""

    name = models.CharField(max_length=60, unique=True)
    due_at = models.DateTimeField()
    claimed_by = models.CharField(max_length=120, blank=True)
    claimed_until = models.DateTimeField(null=True, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    succeeded_at = models.DateTimeField(null=True, blank=True)
    seconds = models.FloatField(null=True, blank=True)  # of the last run
    runs = models.PositiveBigIntegerField(default=0)
    failures = models.PositiveIntegerField(default=0)  # in a row; 0 after a run that succeeded
    said = models.CharField(max_length=200, blank=True)  # last line of the last run that succeeded
    trouble = models.CharField(max_length=300, blank=True)  # kind and place of the last error; kept after a success

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Worker(models.Model):
    """A worker process that has said that it is there."""

    name = models.CharField(max_length=120, unique=True)  # host:process:chance
    started_at = models.DateTimeField()
    seen_at = models.DateTimeField(db_index=True)

    def __str__(self) -> str:
        return self.name
