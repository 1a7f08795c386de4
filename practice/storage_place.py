"""Where the store of contents is, as the settings say: apart from `practice.contents`, since settings are read before any model."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One bucket and folder of an S3-compatible store. `for_new`: what is new goes there."""

    bucket: str
    prefix: str = ""
    endpoint: str = ""
    region: str = "us-east-1"
    key_id: str = field(default="", repr=False)
    secret: str = field(default="", repr=False)
    encryption: str = ""  # "", "AES256", "aws:kms" or "aws:kms:<key>"
    addressing: str = "auto"
    timeout_s: float = 5
    for_new: bool = True
