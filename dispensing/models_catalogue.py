"""What surrounds the catalogues: stock by branch, imports with what each line did, outlines waiting to be accepted."""

from __future__ import annotations

from django.db import models

from dispensing.models import CatalogueFrame
from practice.models import Branch, Group, Staff


class FrameStock(models.Model):
    """How many of a frame a branch has. No row: the branch does not keep it."""

    frame = models.ForeignKey(CatalogueFrame, on_delete=models.CASCADE, related_name="stock")
    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, related_name="+")
    count = models.PositiveSmallIntegerField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["frame", "branch"], name="frame_stock_once_per_branch")]


class ImportJob(models.Model):
    """One file read into a catalogue, from choosing it to its undoing."""

    class Kind(models.TextChoices):
        FRAMES = "frames", "frames"
        LENSES = "lenses", "lens designs"
        OPTIONS = "options", "lens options"
        MATERIALS = "materials", "lens materials"
        TREATMENTS = "treatments", "coatings and tints"

    class State(models.TextChoices):
        MAPPING = "mapping", "columns to be named"
        CHECKING = "checking", "being checked"
        CHECKED = "checked", "checked"
        PUTTING = "putting", "being carried out"
        DONE = "done", "done"
        UNDONE = "undone", "undone"
        DROPPED = "dropped", "dropped"

    class Extent(models.TextChoices):
        FILE = "file", "all lines or none"
        LINE = "line", "each line by itself"

    group = models.ForeignKey(Group, on_delete=models.PROTECT, related_name="imports")
    kind = models.CharField(max_length=12, choices=Kind.choices)
    state = models.CharField(max_length=8, choices=State.choices, default=State.MAPPING)
    file_name = models.CharField(max_length=120, blank=True)
    file_sha256 = models.CharField(max_length=64)
    heading = models.JSONField(default=list)  # the first line, as read
    sample = models.JSONField(default=list)  # a few more lines, as read
    mapping = models.JSONField(default=list)  # a field for each column; "" leaves it out
    key_by = models.CharField(max_length=8, blank=True)
    extent = models.CharField(max_length=4, choices=Extent.choices, default=Extent.FILE)
    total = models.PositiveIntegerField(default=0)  # lines
    new = models.PositiveIntegerField(default=0)
    changed = models.PositiveIntegerField(default=0)
    same = models.PositiveIntegerField(default=0)
    faulty = models.PositiveIntegerField(default=0)
    put = models.PositiveIntegerField(default=0)  # lines carried out
    trouble = models.CharField(max_length=300, blank=True)  # why the whole of it came to a halt
    by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    started_at = models.DateTimeField()
    claimed_until = models.DateTimeField(null=True, blank=True)  # by whoever carries it out as a whole
    done_at = models.DateTimeField(null=True, blank=True)
    done_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="+")
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["-started_at", "-id"]
        indexes = [models.Index(fields=["group", "kind", "-done_at"], name="import_last_done")]

    def __str__(self) -> str:
        return f"import {self.pk}"


class ImportChunk(models.Model):
    """Some hundreds of lines of a file as they were read: what one step works on."""

    job = models.ForeignKey(ImportJob, on_delete=models.CASCADE, related_name="chunks")
    place = models.PositiveIntegerField()
    rows = models.JSONField(default=list)  # [[line number, [cells]]]
    claimed_until = models.DateTimeField(null=True, blank=True)
    checked_at = models.DateTimeField(null=True, blank=True)
    put_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["place"]
        constraints = [models.UniqueConstraint(fields=["job", "place"], name="import_chunk_once")]


class ImportLine(models.Model):
    """What one line would do, did, or what is wrong with it."""

    class State(models.TextChoices):
        NEW = "new", "new"
        CHANGED = "changed", "changed"
        SAME = "same", "as it is"
        FAULT = "fault", "wrong"

    job = models.ForeignKey(ImportJob, on_delete=models.CASCADE, related_name="lines")
    chunk = models.ForeignKey(ImportChunk, on_delete=models.CASCADE, related_name="lines")
    number = models.PositiveIntegerField()  # as a spreadsheet counts: the heading is line 1
    state = models.CharField(max_length=8, choices=State.choices)
    key = models.CharField(max_length=240, blank=True)  # what it was found by
    code = models.CharField(max_length=90, blank=True)  # of the item; "LENS/MATERIAL" for an option
    faults = models.JSONField(default=list)  # [[column, message]]
    before = models.JSONField(default=dict)
    after = models.JSONField(default=dict)
    put = models.BooleanField(default=False)

    class Meta:
        ordering = ["number"]
        indexes = [
            models.Index(fields=["job", "state", "number"], name="import_line_by_state"),
            models.Index(fields=["job", "code"], name="import_line_by_code"),
            models.Index(fields=["job", "key"], name="import_line_by_key"),
            models.Index(fields=["code"], condition=models.Q(put=True), name="import_line_put"),
        ]


class ImportMapping(models.Model):
    """How a group last named the columns of one kind of file: {heading, folded: field}."""

    group = models.ForeignKey(Group, on_delete=models.CASCADE, related_name="+")
    kind = models.CharField(max_length=12, choices=ImportJob.Kind.choices)
    fields = models.JSONField(default=dict)
    key_by = models.CharField(max_length=8, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["group", "kind"], name="import_mapping_once")]


class TracedOutline(models.Model):
    """An outline read from a file for one frame, drawn and held against its box, until somebody takes or refuses it."""

    frame = models.ForeignKey(CatalogueFrame, on_delete=models.CASCADE, related_name="traced")
    radii = models.JSONField()  # mm, equal steps, from nasal through up
    source = models.CharField(max_length=20)  # "angle and radius", "trace records"
    file_name = models.CharField(max_length=120, blank=True)
    file_sha256 = models.CharField(max_length=64)
    read_by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    read_at = models.DateTimeField()
    decided_at = models.DateTimeField(null=True, blank=True)
    decided_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="+")
    taken = models.BooleanField(null=True)

    class Meta:
        ordering = ["-read_at", "-id"]
