"""What is kept for learning: a group's own words for return visits, and the sums from which the pages are read."""

from __future__ import annotations

from django.db import models

from practice.models import Branch, Group, Staff


class ReturnWord(models.Model):
    """An entry that a group has added to one of the lists of the return visit. The built-in entries are in `orders.returns.words`."""

    class Kind(models.TextChoices):
        COMPLAINT = "complaint", "what clients say"
        CAUSE = "cause", "causes"
        OUTCOME = "outcome", "what is done"

    group = models.ForeignKey(Group, on_delete=models.PROTECT, related_name="return_words")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    code = models.CharField(max_length=30)  # never changes: records hold it
    text = models.CharField(max_length=80)
    like = models.CharField(max_length=30, blank=True)  # the built-in entry it works as: needed for an outcome
    added_at = models.DateTimeField()
    added_by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    retired_at = models.DateTimeField(null=True, blank=True)  # not to be chosen any more; records that have it keep it

    class Meta:
        ordering = ["kind", "text", "id"]
        constraints = [models.UniqueConstraint(fields=["group", "kind", "code"], name="return_word_code_once")]

    def __str__(self) -> str:
        return self.text


class Tally(models.Model):
    """Pairs of one month, split by one thing. Derived: `manage.py summarise` writes it and may write it anew at any time.

    handed: pairs by the month they were handed over, of these came back, of these made again.
    arrived: pairs by the month they were decided on after measuring; `back` = rejected; amount = sum of the greatest share of an allowance.
    sent: pairs by the month of their first dispatch; amount = sum of the days from order to dispatch.
    """

    group = models.ForeignKey(Group, on_delete=models.CASCADE, related_name="+")
    branch = models.ForeignKey(Branch, on_delete=models.CASCADE, null=True, related_name="+")  # null: the whole group
    month = models.DateField()  # its first day, by the clock of the branch where it happened
    measure = models.CharField(max_length=8)
    by = models.CharField(max_length=12)
    key = models.CharField(
        max_length=160
    )  # who or what it is, not what it is called: its name is looked up when it is shown
    pairs = models.PositiveIntegerField(default=0)
    back = models.PositiveIntegerField(default=0)
    again = models.PositiveIntegerField(default=0)
    amount = models.FloatField(default=0.0)
    counted = models.PositiveIntegerField(default=0)  # how many are in `amount`

    class Meta:
        indexes = [models.Index(fields=["group", "branch", "month"], name="tally_by_month")]


class TallyMonth(models.Model):
    """When a month of a group was last counted; locked while it is counted, so that two at once do not mix."""

    group = models.ForeignKey(Group, on_delete=models.CASCADE, related_name="+")
    month = models.DateField()
    counted_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["group", "month"], name="tally_month_once")]


class TallyState(models.Model):
    """Up to when a group's sums know what happened."""

    group = models.OneToOneField(Group, on_delete=models.CASCADE, primary_key=True, related_name="+")
    upto = models.DateTimeField(null=True)
    edition = models.PositiveSmallIntegerField(
        null=True
    )  # how the sums were counted; of another edition they are counted anew
