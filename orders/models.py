"""Lens orders. The document is the truth: it is stored as the text that was signed, and never changes."""

from __future__ import annotations

from django.db import models

from dispensing.models import Dispense
from practice.models import Branch, Group, Staff


class Lab(models.Model):
    group = models.ForeignKey(Group, on_delete=models.PROTECT, related_name="labs")
    code = models.CharField(max_length=20)
    name = models.CharField(max_length=120)
    address = models.TextField(blank=True)
    email = models.EmailField(blank=True)
    active = models.BooleanField(default=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["group", "code"], name="lab_code_once_per_group")]

    def __str__(self) -> str:
        return self.name


class LabToken(models.Model):
    """A lab's key to the API: shown once, kept as a digest."""

    lab = models.ForeignKey(Lab, on_delete=models.PROTECT, related_name="tokens")
    label = models.CharField(max_length=80, blank=True)
    prefix = models.CharField(max_length=12)  # to tell tokens apart on screen
    digest = models.CharField(max_length=64, unique=True)  # SHA-256 of the token
    scopes = models.JSONField(default=list)
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)
    last_used_at = models.DateTimeField(null=True, blank=True)


class NumberSeries(models.Model):
    """The last order number given at a branch; locked while the next is taken."""

    branch = models.OneToOneField(Branch, on_delete=models.PROTECT, primary_key=True)
    last = models.PositiveIntegerField(default=0)


class Order(models.Model):
    class State(models.TextChoices):
        ISSUED = "issued", "issued"
        ACKNOWLEDGED = "acknowledged", "acknowledged"
        IN_WORK = "in_work", "in work"
        DISPATCHED = "dispatched", "dispatched"
        CANNOT_MAKE = "cannot_make", "cannot be made"
        CANCELLED = "cancelled", "cancelled"

    group = models.ForeignKey(Group, on_delete=models.PROTECT, related_name="orders")
    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, related_name="orders")
    lab = models.ForeignKey(Lab, on_delete=models.PROTECT, related_name="orders")
    dispense = models.ForeignKey(Dispense, on_delete=models.PROTECT, related_name="orders")
    dispense_version = models.PositiveIntegerField()
    number = models.CharField(max_length=24)
    state = models.CharField(max_length=12, choices=State.choices, default=State.ISSUED)
    feed_position = models.PositiveBigIntegerField()  # grows within a lab in the order in which news becomes visible to it:
    # given at issue, and given anew when the practice cancels, so that a lab past the first place meets it again
    waiting = models.BooleanField(default=True)  # the lab has not yet said that it has the order, or its cancellation
    document = models.TextField()  # canonical JSON (RFC 8785), as signed
    document_sha256 = models.CharField(max_length=64)
    schema_version = models.CharField(max_length=12)
    issued_at = models.DateTimeField()
    issued_by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    replaces = models.OneToOneField("self", on_delete=models.PROTECT, null=True, blank=True, related_name="replaced_by")
    cancelled_at = models.DateTimeField(null=True, blank=True)
    cancel_reason = models.CharField(max_length=400, blank=True)
    promised_on = models.DateField(null=True, blank=True)  # by the lab
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["group", "number"], name="order_number_once_per_group"),
            models.UniqueConstraint(fields=["lab", "feed_position"], name="feed_position_once_per_lab"),
            models.UniqueConstraint(
                fields=["dispense"], condition=~models.Q(state="cancelled"), name="one_live_order_per_dispense"
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "state", "-issued_at"], name="order_by_branch_state"),
            models.Index(fields=["lab", "feed_position"], condition=models.Q(waiting=True), name="order_waiting_at_lab"),
            models.Index(fields=["lab", "number"], name="order_by_lab_number"),
        ]

    def __str__(self) -> str:
        return self.number


class FeedHead(models.Model):
    """The last feed position given to a lab; locked while the next is taken, so that a feed never skips."""

    lab = models.OneToOneField(Lab, on_delete=models.PROTECT, primary_key=True)
    last = models.PositiveBigIntegerField(default=0)


class OrderEvent(models.Model):
    """What happened to an order after it was issued: append-only."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="events")
    at = models.DateTimeField()
    kind = models.CharField(max_length=30)  # issued, fetched, acknowledged, in_work, dispatched, cancelled, replaced, …
    by_lab = models.ForeignKey(Lab, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    by_staff = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    note = models.CharField(max_length=400, blank=True)
    data = models.JSONField(default=dict)

    class Meta:
        ordering = ["at", "id"]


class Question(models.Model):
    """Something a lab asks about an order. The answer is words only: a changed value is a new order that replaces this one."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="questions")
    field = models.CharField(max_length=80, blank=True)  # path in the document, e.g. "lenses.right.ordered.axis"
    text = models.CharField(max_length=400)
    asked_at = models.DateTimeField()
    answer = models.CharField(max_length=400, blank=True)
    answered_at = models.DateTimeField(null=True, blank=True)
    answered_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["asked_at", "id"]


class IdempotentAnswer(models.Model):
    """What a POST with an Idempotency-Key was answered, so that a repeat gets the same."""

    lab = models.ForeignKey(Lab, on_delete=models.CASCADE, related_name="+")
    key = models.CharField(max_length=120)
    fingerprint = models.CharField(max_length=64)  # of method, path and body
    status = models.PositiveSmallIntegerField()
    body = models.TextField()
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["lab", "key"], name="idempotency_key_once_per_lab")]
