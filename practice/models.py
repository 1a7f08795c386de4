"""People and places. Nothing here knows what a lens is."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib.auth.models import AbstractUser
from django.db import models
from django.utils import timezone

from practice.words import digits_of, fold

_ALPHABET = "23456789ABCDEFGHJKMNPQRSTVWXYZ"  # no 0/O, 1/I/L, U: read aloud and typed without mistakes


def new_reference(prefix: str, length: int = 7) -> str:
    """A short random reference that can be read aloud; says nothing about how many there are."""
    return prefix + "-" + "".join(secrets.choice(_ALPHABET) for _ in range(length))


def new_client_reference() -> str:
    return new_reference("C")


class Group(models.Model):
    """Branches that share clients, catalogues and rules."""

    name = models.CharField(max_length=120)

    def __str__(self) -> str:
        return self.name


class Branch(models.Model):
    """A place where dispensing is done. Rules that differ by country are settings here, never constants in code."""

    class Standard(models.TextChoices):
        ISO = "ISO 21987:2017", "ISO 21987:2017"
        ANSI = "ANSI Z80.1", "ANSI Z80.1"

    class CylinderForm(models.TextChoices):
        MINUS = "minus", "minus cylinder"
        PLUS = "plus", "plus cylinder"

    group = models.ForeignKey(Group, on_delete=models.PROTECT, related_name="branches")
    name = models.CharField(max_length=120)
    code = models.CharField("order number prefix", max_length=6)
    address = models.TextField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    time_zone = models.CharField(max_length=64, default="Europe/London")
    tolerance_standard = models.CharField(max_length=20, choices=Standard.choices, default=Standard.ISO)
    cylinder_form = models.CharField(max_length=5, choices=CylinderForm.choices, default=CylinderForm.MINUS)
    restricted_below_age = models.PositiveSmallIntegerField(null=True, blank=True, default=16)
    prescription_valid_months = models.PositiveSmallIntegerField(null=True, blank=True, default=24)
    registered_may_use_expired = models.BooleanField(default=True)
    idle_minutes = models.PositiveSmallIntegerField(null=True, blank=True, default=30)  # a session ends after; empty: never
    keep_adult_years = models.PositiveSmallIntegerField(default=10)
    keep_child_until_age = models.PositiveSmallIntegerField(default=25)
    groove_mm = models.DecimalField(max_digits=3, decimal_places=2, default="0.50")
    limits = models.JSONField(default=dict, blank=True)  # thresholds changed here: {name: {"value", "reason", "by", "on"}}
    name_on_lab_documents = models.BooleanField(default=False)
    impact_statement = models.CharField(
        max_length=400, blank=True
    )  # to be confirmed at the receipt check; empty: no such rule
    prism_feed = models.CharField(  # which lens of an unequal pair feeds the prism tolerance: not settled in any text seen
        max_length=8,
        choices=[("weaker", "the weaker lens (tighter)"), ("mean", "the mean of both"), ("stronger", "the stronger lens")],
        default="weaker",
    )

    class Meta:
        verbose_name_plural = "branches"
        constraints = [models.UniqueConstraint(fields=["group", "code"], name="branch_code_once_per_group")]

    def __str__(self) -> str:
        return self.name

    def today(self) -> date:
        """The date at this branch now; ages and expiry are judged by it."""
        return timezone.now().astimezone(ZoneInfo(self.time_zone)).date()


class Staff(AbstractUser):
    """Somebody who signs in. What they may do is decided by their posts (one a branch) in `access`, never by Django's flags."""

    group = models.ForeignKey(Group, on_delete=models.PROTECT, null=True, blank=True, related_name="staff")
    registration_number = models.CharField(max_length=40, blank=True)  # with the body that registers opticians, if any

    class Meta:
        verbose_name = "member of staff"
        verbose_name_plural = "staff"

    @property
    def registered(self) -> bool:
        return bool(self.registration_number)

    @property
    def display_name(self) -> str:
        return self.get_full_name() or self.get_username()

    @property
    def initials(self) -> str:
        return "".join(p[0] + "." for p in f"{self.first_name} {self.last_name}".replace("-", " ").split())


class Post(models.Model):
    """The role somebody has at a branch."""

    class Role(models.TextChoices):
        TRAINEE = "trainee", "trainee"
        DISPENSER = "dispenser", "dispenser"
        SUPERVISOR = "supervisor", "supervisor"
        MANAGER = "manager", "manager"

    staff = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="posts")
    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, related_name="posts")
    role = models.CharField(max_length=12, choices=Role.choices)
    supervisor = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="supervises")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["staff", "branch"], name="one_post_per_branch")]

    def __str__(self) -> str:
        return f"{self.staff} · {self.role} · {self.branch}"


class Client(models.Model):
    class Sex(models.TextChoices):
        FEMALE = "female", "female"
        MALE = "male", "male"

    class UsefulEye(models.TextChoices):
        RIGHT = "right", "right eye only"
        LEFT = "left", "left eye only"

    group = models.ForeignKey(Group, on_delete=models.PROTECT, related_name="clients")
    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, related_name="clients")  # where they usually come
    reference = models.CharField(max_length=12, unique=True, default=new_client_reference, editable=False)
    given_name = models.CharField(max_length=80)
    family_name = models.CharField(max_length=80)
    search_name = models.CharField(max_length=200, editable=False, default="", db_index=True)  # folded for searching
    date_of_birth = models.DateField()
    sex = models.CharField(max_length=6, choices=Sex.choices, blank=True)  # optional; only to predict a PD
    phone = models.CharField(max_length=40, blank=True)
    phone_digits = models.CharField(max_length=20, blank=True, editable=False, db_index=True)
    email = models.EmailField(blank=True)
    address = models.TextField(blank=True)
    occupation = models.CharField(max_length=120, blank=True)
    visual_needs = models.TextField(blank=True)
    sight_impaired = models.BooleanField("registered sight-impaired", default=False)
    useful_eye = models.CharField("one useful eye", max_length=5, choices=UsefulEye.choices, blank=True)
    notes = models.TextField(blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        indexes = [
            models.Index(fields=["group", "family_name", "given_name"], name="client_by_name"),
            models.Index(fields=["group", "date_of_birth"], name="client_by_birth"),
        ]

    def __str__(self) -> str:
        return f"{self.given_name} {self.family_name}"

    @property
    def full_name(self) -> str:
        return f"{self.given_name} {self.family_name}"

    def set_search_columns(self) -> None:
        """What searching needs, derived from name and phone; `save` does it, `bulk_create` has to ask for it."""
        self.search_name = fold(f"{self.family_name} {self.given_name}")[:200]
        self.phone_digits = digits_of(self.phone)[-20:]

    def save(self, *args: Any, update_fields: Iterable[str] | None = None, **kwargs: Any) -> None:
        self.set_search_columns()
        if update_fields is not None:
            update_fields = {*update_fields, "search_name", "phone_digits"}
        super().save(*args, update_fields=update_fields, **kwargs)


class AuditEvent(models.Model):
    """Who, what, when, before and after. Rows are added by `audit.record` and never changed: the database refuses it.

    Each row carries a digest over its own content and the digest before it in its group, so that a missing or altered
    row can be found.
    """

    group = models.ForeignKey(Group, on_delete=models.PROTECT, null=True, related_name="+")
    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, null=True, related_name="+")
    client = models.ForeignKey(Client, on_delete=models.PROTECT, null=True, related_name="+")
    at = models.DateTimeField(db_index=True)
    actor = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, related_name="+")
    actor_name = models.CharField(max_length=160)  # as it was then; a lab's name for the lab API
    action = models.CharField(max_length=60)  # dotted, e.g. "dispense.signed"
    subject = models.CharField(max_length=80, db_index=True)  # e.g. "dispense D-7F3K9QX"
    before = models.JSONField(default=dict)
    after = models.JSONField(default=dict)
    sequence = models.PositiveBigIntegerField()
    previous_digest = models.CharField(max_length=64)
    digest = models.CharField(max_length=64)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["group", "sequence"], name="audit_sequence_once_per_group")]
        indexes = [models.Index(fields=["client", "at"], name="audit_by_client")]


class AuditHead(models.Model):
    """The end of a group's chain; locked while a row is added."""

    group = models.OneToOneField(Group, on_delete=models.PROTECT, primary_key=True)
    sequence = models.PositiveBigIntegerField(default=0)
    digest = models.CharField(max_length=64, default="0" * 64)


class SignInTry(models.Model):
    """Failed tries to sign in under one name or from one address; kept to slow down guessing, forgotten after success."""

    key = models.CharField(max_length=64, unique=True)  # SHA-256 of "name:..." or "address:...": neither is stored
    failures = models.PositiveIntegerField(default=0)
    last_at = models.DateTimeField()
    wait_until = models.DateTimeField(null=True, blank=True)


class SignedIn(models.Model):
    """One sign-in on one device, so that people can see where they are signed in and end it there. The session itself is Django's."""

    staff = models.ForeignKey(Staff, on_delete=models.CASCADE, related_name="sign_ins")
    session_key = models.CharField(max_length=40, db_index=True)
    device = models.CharField(max_length=80, blank=True)  # browser and system in words
    started_at = models.DateTimeField()
    used_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-used_at", "-id"]
