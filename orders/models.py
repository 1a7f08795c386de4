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
    allowed_addresses = models.JSONField(
        default=list
    )  # networks its tokens are taken from, "192.0.2.0/24"; empty: from anywhere
    record_text = models.BooleanField(default=False)  # may fetch orders as record text, an unverified profile
    usual_days = models.PositiveSmallIntegerField(
        null=True, blank=True
    )  # from issue to dispatch, calendar days; empty: as the branch says

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


class LabRequests(models.Model):
    """How many requests of the running minute the server processes have claimed for a token: `orders.api.limits`."""

    token = models.OneToOneField(LabToken, on_delete=models.CASCADE, primary_key=True, related_name="+")
    minute = models.BigIntegerField()  # since 1970, by the database's clock
    used = models.PositiveBigIntegerField()


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
        RECEIVED = "received", "arrived, to be checked"
        REJECTED = "rejected", "rejected: back at the lab"
        PASSED = "passed", "to be collected"
        COLLECTED = "collected", "collected"
        RETURNED = "returned", "to be made again"  # after a return visit; a new order stands in for it
        CANNOT_MAKE = "cannot_make", "cannot be made"
        CANCELLED = "cancelled", "cancelled"

    # No index of its own for a key that another index begins with, or that nobody looks up by: each step of an order writes them all.
    group = models.ForeignKey(Group, on_delete=models.PROTECT, related_name="orders", db_index=False)
    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, related_name="orders", db_index=False)
    lab = models.ForeignKey(Lab, on_delete=models.PROTECT, related_name="orders", db_index=False)
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
    issued_by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+", db_index=False)
    replaces = models.OneToOneField("self", on_delete=models.PROTECT, null=True, blank=True, related_name="replaced_by")
    cancelled_at = models.DateTimeField(null=True, blank=True)
    cancel_reason = models.CharField(max_length=400, blank=True)
    promised_on = models.DateField(null=True, blank=True)  # by the lab
    rejected_at = models.DateTimeField(null=True, blank=True)  # the last time a finished pair went back
    reject_reason = models.CharField(max_length=400, blank=True)
    version = models.PositiveIntegerField(default=1)
    fetched_at = models.DateTimeField(null=True, blank=True)  # when the lab was first handed it

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["group", "number"], name="order_number_once_per_group"),
            models.UniqueConstraint(fields=["lab", "feed_position"], name="feed_position_once_per_lab"),
            models.UniqueConstraint(
                fields=["dispense"],
                condition=~models.Q(state__in=["cancelled", "returned"]),
                name="one_live_order_per_dispense",
            ),
        ]
        indexes = [
            models.Index(fields=["branch", "state", "-issued_at"], name="order_by_branch_state"),
            models.Index(fields=["lab", "feed_position"], condition=models.Q(waiting=True), name="order_waiting_at_lab"),
            # the outbox: newest first by branch, lab and group, by state, what is not finished, and the beginning of a number
            models.Index(fields=["branch", "-issued_at", "-id"], name="order_newest_at_branch"),
            models.Index(fields=["group", "-issued_at", "-id"], name="order_newest_in_group"),
            models.Index(fields=["lab", "-issued_at", "-id"], name="order_newest_at_lab"),
            models.Index(fields=["group", "state", "-issued_at", "-id"], name="order_by_group_state"),
            models.Index(
                fields=["branch", "issued_at", "id", "state", "lab", "promised_on"],
                condition=models.Q(
                    state__in=[
                        "issued",
                        "acknowledged",
                        "in_work",
                        "dispatched",
                        "received",
                        "rejected",
                        "passed",
                        "cannot_make",
                    ]
                ),
                name="order_unfinished",
            ),
            models.Index(
                fields=["group", "issued_at", "id", "state", "lab", "promised_on"],
                condition=models.Q(
                    state__in=[
                        "issued",
                        "acknowledged",
                        "in_work",
                        "dispatched",
                        "received",
                        "rejected",
                        "passed",
                        "cannot_make",
                    ]
                ),
                name="order_unfinished_in_group",
            ),
            models.Index(fields=["number"], opclasses=["varchar_pattern_ops"], name="order_number_begins"),
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
    by_lab = models.ForeignKey(Lab, on_delete=models.PROTECT, null=True, blank=True, related_name="+", db_index=False)
    by_staff = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="+", db_index=False)
    note = models.CharField(max_length=400, blank=True)
    data = models.JSONField(default=dict)

    class Meta:
        ordering = ["at", "id"]
        indexes = [models.Index(fields=["at"], condition=models.Q(kind="dispatched"), name="order_event_dispatched")]


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
        indexes = [models.Index(fields=["order"], condition=models.Q(answered_at=None), name="question_open")]


class OutboxLimits(models.Model):
    """When an order of this branch counts as late; a branch without a row has the values that stand here."""

    branch = models.OneToOneField(Branch, on_delete=models.PROTECT, primary_key=True, related_name="outbox_limits")
    usual_days = models.PositiveSmallIntegerField(
        default=10
    )  # calendar days to dispatch, for labs that say nothing of their own
    unanswered_hours = models.PositiveSmallIntegerField(default=24)  # until a lab has said that it has an order


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


class Webhook(models.Model):
    """Where a lab wants to be told that there is news in its feed. Its secret is derived, not stored: see orders/webhooks."""

    lab = models.OneToOneField(Lab, on_delete=models.PROTECT, related_name="webhook")
    url = models.CharField(max_length=500)
    salt = models.CharField(max_length=64)  # what its secret is derived from, together with the site's own key
    previous_salt = models.CharField(max_length=64, blank=True)  # messages are signed with both secrets for a while
    previous_until = models.DateTimeField(null=True, blank=True)
    active = models.BooleanField(default=True)
    failing_since = models.DateTimeField(null=True, blank=True)
    disabled_at = models.DateTimeField(null=True, blank=True)  # by the system, after days of failure
    disabled_why = models.CharField(max_length=200, blank=True)
    last_delivered_at = models.DateTimeField(null=True, blank=True)


class WebhookMessage(models.Model):
    """The outbox: one message to one lab, written in the transaction of what it tells of."""

    webhook = models.ForeignKey(Webhook, on_delete=models.PROTECT, related_name="messages")
    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="+")
    message_id = models.CharField(max_length=40, unique=True)  # the same at every try
    kind = models.CharField(max_length=40)  # order.issued, order.cancelled, …
    at = models.DateTimeField()  # of what it tells of
    due_at = models.DateTimeField()
    tries = models.PositiveSmallIntegerField(default=0)
    claimed_until = models.DateTimeField(null=True, blank=True)  # somebody is sending it
    delivered_at = models.DateTimeField(null=True, blank=True)
    given_up_at = models.DateTimeField(null=True, blank=True)
    trouble = models.CharField(max_length=200, blank=True)  # of the last try

    class Meta:
        indexes = [
            models.Index(
                fields=["due_at"],
                condition=models.Q(delivered_at=None, given_up_at=None),
                name="webhook_message_due",
            )
        ]


# --- after the order ------------------------------------------------------------------------------------------------------


class ReceiptCheck(models.Model):
    """One look at a finished pair: what was measured, as typed and as understood, and what the tolerance standard says of it."""

    class Decision(models.TextChoices):
        OPEN = "", "not decided"
        PASSED = "passed", "passed"
        REJECTED = "rejected", "rejected to the lab"
        ACCEPTED = "accepted", "accepted outside tolerance"

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="receipts")
    at = models.DateTimeField()
    by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    standard = models.CharField(max_length=20)
    typed = models.JSONField(default=dict)  # {"right.sphere": "-225", ...} as it was typed
    readings = models.JSONField(default=dict)  # {"right": {"sphere": "-2.25"}, ...} as it was understood
    verdict = models.JSONField(default=dict)  # orders.receipt.verdict.to_json
    outcome = models.CharField(max_length=12)  # within, outside, incomplete
    copied = models.BooleanField(default=False)  # every reading equals the order in every digit
    most_used = models.FloatField(null=True)  # the greatest share of an allowance that any quantity takes; 1 is the limit
    points = models.JSONField(default=list)  # codes of orders.receipt.points found in order
    statement = models.CharField(
        max_length=400, blank=True
    )  # the impact-resistance statement that was made, if one is demanded
    remark = models.CharField(max_length=400, blank=True)
    decision = models.CharField(max_length=10, choices=Decision.choices, blank=True, default=Decision.OPEN)
    reason = models.CharField(max_length=400, blank=True)
    decided_at = models.DateTimeField(null=True, blank=True)
    decided_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["at", "id"]
        indexes = [
            models.Index(fields=["decision", "decided_at"], name="receipt_by_decision"),
            models.Index(fields=["decided_at"], name="receipt_by_decided"),
        ]


class Collection(models.Model):
    """The pair handed over: who fitted it, what was seen and said."""

    order = models.OneToOneField(Order, on_delete=models.PROTECT, related_name="collection")
    at = models.DateTimeField()
    by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    restricted = models.JSONField(default=list)  # why a registered person had to do it; empty when not
    fit_points = models.JSONField(default=list)
    marks_rechecked = models.CharField(max_length=10, blank=True)  # yes, moved, gone, none
    acuity = models.JSONField(default=dict)  # {"right": "6/6", "left": "", "both": "6/5", "near": "N5"}
    advice = models.JSONField(default=list)
    cautions = models.JSONField(default=list)
    remark = models.CharField(max_length=400, blank=True)

    class Meta:
        indexes = [models.Index(fields=["at"], name="collection_by_time")]


class ReturnVisit(models.Model):
    """A client comes back: what they say, what is measured now, what could explain it, and what the dispenser decides."""

    class Outcome(models.TextChoices):
        OPEN = "", "not decided"
        ADJUST = "adjust", "adjusted"
        REMAKE = "remake", "made again"
        REFER = "refer", "referred back to the prescriber"
        ADAPT = "adapt", "time to adapt"
        NOTHING = "nothing", "nothing changed"

    class Bears(models.TextChoices):
        NOT_SAID = "", "not said"
        NOBODY = "nobody", "no cost"
        BRANCH = "branch", "the branch"
        LAB = "lab", "the lab"
        PRESCRIBER = "prescriber", "the prescriber"
        CLIENT = "client", "the client"

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="returns")
    at = models.DateTimeField()
    by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    complaints = models.JSONField(default=list)  # codes of orders.returns.words
    words = models.CharField(max_length=400, blank=True)  # what the client says
    typed = models.JSONField(default=dict)
    measured = models.JSONField(default=dict)  # as worn now: {"right.pd": "31.5", "vertex": "14", ...}
    explained = models.JSONField(default=list)  # candidate explanations as they were computed, by size
    outcome = models.CharField(max_length=10, choices=Outcome.choices, blank=True, default=Outcome.OPEN)
    outcome_word = models.CharField(max_length=30, blank=True, default="")  # the group's own code that was chosen, if any
    cause = models.CharField(max_length=30, blank=True)  # code of orders.returns.words
    bears = models.CharField(max_length=10, choices=Bears.choices, blank=True, default=Bears.NOT_SAID)
    note = models.CharField(max_length=400, blank=True)
    look_again_on = models.DateField(null=True, blank=True)
    decided_at = models.DateTimeField(null=True, blank=True)
    decided_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["at", "id"]
        indexes = [
            models.Index(fields=["outcome", "at"], name="return_by_outcome"),
            models.Index(fields=["at"], name="return_by_time"),
            models.Index(fields=["decided_at"], name="return_by_decided"),
        ]


# --- re-checks --------------------------------------------------------------------------------------------------------


class Recheck(models.Model):
    """A limit or a catalogue entry was changed: everything of a branch that is not yet in work is judged again, both ways.

    The change itself is kept, so that what differs is due to it and to nothing else, whenever an item's turn comes.
    """

    class Kind(models.TextChoices):
        LIMIT = "limit", "a limit"
        LENS = "lens", "a lens design"
        FRAME = "frame", "a frame"
        OPTION = "option", "a lens option"
        MATERIAL = "medium", "a lens material"
        TREATMENT = "finish", "a coating or tint"

    group = models.ForeignKey(Group, on_delete=models.PROTECT, related_name="rechecks")
    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, related_name="rechecks")
    kind = models.CharField(max_length=6, choices=Kind.choices)
    subject = models.CharField(max_length=80)  # name of the limit, code of the entry
    why = models.CharField(max_length=400)  # the sentence that is shown
    before = models.JSONField(default=dict)  # only the values that changed
    after = models.JSONField(default=dict)
    by = models.ForeignKey(
        Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )  # who made the change; null: an upgrade brought it
    started_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)
    total = models.PositiveIntegerField(default=0)
    done = models.PositiveIntegerField(default=0)
    looked_at = models.DateTimeField(null=True, blank=True)  # somebody of the branch has read what changed
    looked_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["-started_at", "-id"]
        indexes = [models.Index(fields=["branch", "-started_at"], name="recheck_by_branch")]


class RecheckItem(models.Model):
    """One dispense waiting for its turn. Claimed for a minute by whoever works on it; done once."""

    recheck = models.ForeignKey(Recheck, on_delete=models.CASCADE, related_name="items")
    dispense = models.ForeignKey(Dispense, on_delete=models.PROTECT, related_name="+")
    claimed_until = models.DateTimeField(null=True, blank=True)
    done_at = models.DateTimeField(null=True, blank=True)
    trouble = models.CharField(max_length=200, blank=True)  # why it could not be judged

    class Meta:
        ordering = ["id"]
        constraints = [models.UniqueConstraint(fields=["recheck", "dispense"], name="recheck_item_once")]
        indexes = [models.Index(fields=["id"], condition=models.Q(done_at=None), name="recheck_item_waiting")]


class RecheckChange(models.Model):
    """One finding of one dispense that the change has raised, cleared or altered."""

    class Kind(models.TextChoices):
        RAISED = "raised", "new"
        GONE = "gone", "gone"
        GRAVER = "graver", "graver"
        MILDER = "milder", "milder"
        REASON = "reason", "reason no longer holds"
        FIGURES = "figures", "catalogue figures differ"
        RETIRED = "retired", "no longer in the catalogue"

    recheck = models.ForeignKey(Recheck, on_delete=models.CASCADE, related_name="changes")
    dispense = models.ForeignKey(Dispense, on_delete=models.PROTECT, related_name="+")
    order = models.ForeignKey(
        Order, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )  # out, not yet acknowledged
    state = models.CharField(max_length=10)  # of the dispense at that moment
    kind = models.CharField(max_length=8, choices=Kind.choices)
    check_id = models.CharField(max_length=80)
    finding_key = models.CharField(max_length=200)
    was = models.CharField(max_length=8, blank=True)  # severity; empty: not there
    now = models.CharField(max_length=8, blank=True)
    message = models.TextField()
    limit = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["id"]


from orders import models_learning  # noqa: E402, F401  (the rest of the app's models)
