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
    second_factor_roles = models.JSONField(default=list, blank=True)  # who must have a second factor to sign in
    pin_hours = models.PositiveSmallIntegerField(null=True, blank=True, default=10)  # empty: no switching by PIN

    def __str__(self) -> str:
        return self.name

    def today(self) -> date:
        """The date where it is earliest among the branches: what ends with this day has ended at all of them."""
        return min((branch.today() for branch in self.branches.all()), default=timezone.localdate())


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
    adult_from_age = models.PositiveSmallIntegerField(default=18)  # younger at the last visit: kept as a child's
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
    erased_at = models.DateTimeField(null=True, blank=True)  # who they were is gone; what was made remains, nobody's

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
        old = ""
        if not self._state.adding:
            old = type(self)._base_manager.filter(pk=self.pk).values_list("search_name", flat=True).first() or ""
        super().save(*args, update_fields=update_fields, **kwargs)
        if old != self.search_name:
            learn([self.search_name])
            forget(words_of([old]) - words_of([self.search_name]))


class Told:
    """`before` or `after` of an audit row as it is read: what the chain holds, with what is kept beside it while it is there."""

    def __init__(self, field: models.Field[Any, Any]) -> None:
        self.name = field.attname

    def __get__(self, event: AuditEvent | None, owner: type[AuditEvent]) -> Any:
        if event is None:
            return self
        if self.name not in event.__dict__:
            event.refresh_from_db(fields=[self.name])
        held = event.__dict__[self.name]
        detail = event.kept_beside() if event.__dict__.get("detail_digest") else None
        return held if detail is None else {**held, **getattr(detail, self.name)}

    def __set__(self, event: AuditEvent, value: Any) -> None:
        event.__dict__[self.name] = value


class ToldField(models.JSONField):
    """A part of an audit row that may have more beside it."""

    descriptor_class = Told

    def pre_save(self, model_instance: models.Model, add: bool) -> Any:
        return model_instance.__dict__[self.attname]


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
    before = ToldField(default=dict)
    after = ToldField(default=dict)
    detail_digest = models.CharField(
        max_length=64, blank=True, default=""
    )  # of what is kept beside the chain (AuditDetail)
    sequence = models.PositiveBigIntegerField()
    previous_digest = models.CharField(max_length=64)
    digest = models.CharField(max_length=64)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["group", "sequence"], name="audit_sequence_once_per_group")]
        indexes = [models.Index(fields=["client", "at"], name="audit_by_client")]

    def refresh_from_db(self, *args: Any, **kwargs: Any) -> None:
        """What is kept beside a row is never copied into it."""
        super().refresh_from_db(*args, **kwargs)
        self.__dict__.update(AuditEvent.objects.values("before", "after").get(pk=self.pk))

    def kept_beside(self) -> AuditDetail | None:
        """What is kept beside the chain; None where there is nothing, or where it went when the client was erased."""
        try:
            return self.detail
        except AuditDetail.DoesNotExist:
            return None


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


# --- supervision and privacy ------------------------------------------------------------------------------------------


class AuditDetail(models.Model):
    """What a row of the audit trail says about a client: kept beside the chain, which holds only a salted digest of it.

    Gone once the client is erased; the database refuses to remove it before, and to change it at all (`audit_guard`).
    """

    event = models.OneToOneField(  # the database lets no row of the trail go, so that nothing is left to look after here
        AuditEvent, on_delete=models.DO_NOTHING, db_constraint=False, primary_key=True, related_name="detail"
    )
    salt = models.CharField(max_length=64)  # hexadecimal; without it the digest tells nothing
    before = models.JSONField(default=dict)
    after = models.JSONField(default=dict)


class Cover(models.Model):
    """Somebody answers for a supervisor's trainees at a branch while that supervisor is away; ends by itself."""

    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, related_name="covers")
    absent = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="covered_by")
    by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="covers")
    from_on = models.DateField()
    to_on = models.DateField()  # the last day, counted at the branch
    set_by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    set_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)  # before its last day, by somebody
    ended_by = models.ForeignKey(Staff, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["from_on", "id"]
        indexes = [models.Index(fields=["branch", "to_on"], name="cover_by_branch")]


class ConsentNote(models.Model):
    """What a client has agreed to, or has taken back: each is a row of its own, none is changed."""

    client = models.ForeignKey(Client, on_delete=models.PROTECT, related_name="consents")
    purpose = models.CharField(max_length=200)
    given = models.BooleanField()  # False: withdrawn
    on = models.DateField()  # when the client said so
    how = models.CharField(max_length=120, blank=True)  # in words, on paper, …
    by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "id"]


from practice.models_contents import LooseContent  # noqa: E402
from practice.models_names import NameWord, forget, learn, words_of  # noqa: E402
from practice.models_sign_in import Device, DeviceUser, Pin, SignInLink  # noqa: E402

__all__ = [
    "AuditDetail",
    "AuditEvent",
    "AuditHead",
    "Branch",
    "Client",
    "ConsentNote",
    "Cover",
    "Device",
    "DeviceUser",
    "Group",
    "LooseContent",
    "NameWord",
    "Pin",
    "Post",
    "SignInLink",
    "SignInTry",
    "SignedIn",
    "Staff",
]
