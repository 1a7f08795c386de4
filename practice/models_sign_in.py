"""What signing in needs besides a password: links that are used once, shared devices, PINs. Only digests of secrets are kept."""

from __future__ import annotations

from django.db import models


class SignInLink(models.Model):
    """A link that lets somebody in once: to a new account, or to a new password of their own."""

    class Kind(models.TextChoices):
        INVITATION = "invitation", "invitation"
        PASSWORD = "password", "new password"

    kind = models.CharField(max_length=10, choices=Kind.choices)
    group = models.ForeignKey("practice.Group", on_delete=models.PROTECT, related_name="+")
    branch = models.ForeignKey("practice.Branch", on_delete=models.PROTECT, null=True, related_name="+")
    token_sha256 = models.CharField(max_length=64, unique=True)
    person = models.ForeignKey(
        "practice.Staff", on_delete=models.CASCADE, null=True, related_name="+"
    )  # invited: once used
    first_name = models.CharField(max_length=150, blank=True)  # of somebody invited
    last_name = models.CharField(max_length=150, blank=True)
    registration_number = models.CharField(max_length=40, blank=True)
    role = models.CharField(max_length=12, blank=True)
    supervisor = models.ForeignKey("practice.Staff", on_delete=models.PROTECT, null=True, related_name="+")
    email = models.EmailField(blank=True)
    made_by = models.ForeignKey(
        "practice.Staff", on_delete=models.PROTECT, null=True, related_name="+"
    )  # empty: asked for by mail
    made_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at", "-id"]


class Device(models.Model):
    """A shared tablet or computer on which people switch by PIN. Its browser holds the token, this row the digest."""

    group = models.ForeignKey("practice.Group", on_delete=models.PROTECT, related_name="+")
    branch = models.ForeignKey("practice.Branch", on_delete=models.PROTECT, related_name="devices")
    name = models.CharField(max_length=60)
    token_sha256 = models.CharField(max_length=64, unique=True)
    words = models.CharField(max_length=80, blank=True)  # browser and system
    enrolled_by = models.ForeignKey("practice.Staff", on_delete=models.PROTECT, related_name="+")
    enrolled_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True, blank=True)
    revoked_by = models.ForeignKey("practice.Staff", on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        ordering = ["name", "id"]


class DeviceUser(models.Model):
    """Somebody's last whole sign-in on a shared device; a PIN counts there for some hours after it."""

    device = models.ForeignKey(Device, on_delete=models.CASCADE, related_name="users")
    staff = models.ForeignKey("practice.Staff", on_delete=models.CASCADE, related_name="+")
    signed_in_at = models.DateTimeField()
    with_factor = models.BooleanField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["device", "staff"], name="device_user_once")]


class Pin(models.Model):
    """Six digits, hashed like a password. After too many wrong ones it is locked until its owner sets a new one."""

    staff = models.OneToOneField("practice.Staff", on_delete=models.CASCADE, primary_key=True, related_name="pin")
    encoded = models.CharField(max_length=128)
    set_at = models.DateTimeField()
    failures = models.PositiveSmallIntegerField(default=0)
    wait_until = models.DateTimeField(null=True, blank=True)
    locked_at = models.DateTimeField(null=True, blank=True)
