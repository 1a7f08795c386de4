"""An outline for a frame from a file of radii: read, held against the stated box, then taken or refused by a person."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from decimal import Decimal

from django.db import transaction
from django.utils import timezone

from dispensing import catalogue
from dispensing.models import CatalogueFrame, TracedOutline
from dispensing.optics.boxing import box
from dispensing.optics.trace_files import TraceError, read_trace, shape_of
from practice import audit
from practice.errors import Invalid, Refused
from practice.models import Staff

WITHIN_MM = Decimal("0.5")  # ISO 12870 allows this much on a boxed size (from memory)
ED_WITHIN_MM = Decimal("1.0")  # beyond it the effective diameter on record is said to differ


@dataclass(frozen=True, slots=True)
class Side:
    """One size as traced and as stated, mm."""

    label: str
    traced: Decimal
    stated: Decimal | None
    within: Decimal

    @property
    def difference(self) -> Decimal | None:
        return None if self.stated is None else self.traced - self.stated

    @property
    def fits(self) -> bool:
        return self.difference is None or abs(self.difference) <= self.within


def sides_of(outline: TracedOutline) -> tuple[Side, ...]:
    """a, b and effective diameter of the traced shape beside what the catalogue states."""
    shape, frame = box(outline.radii), outline.frame
    found = (("Boxed width a", shape.a, frame.a), ("Boxed depth b", shape.b, frame.b))
    sides = tuple(Side(label, Decimal(f"{v:.2f}"), stated, WITHIN_MM) for label, v, stated in found)
    return (*sides, Side("Effective diameter", Decimal(f"{shape.ed:.2f}"), frame.ed, ED_WITHIN_MM))


def read_outline(*, actor: Staff, frame: CatalogueFrame, data: bytes, eye: str, file_name: str) -> TracedOutline:
    """Keep the shape of a file beside the frame, to be looked at. `eye`: which lens a table was traced from.

    Trace records name their eyes: the one asked for is taken where it is there, else the other. Raises NotAllowed or Invalid ("file").
    """
    catalogue.require_manager(actor, frame.group)
    try:
        found = read_trace(data)
        at = eye if eye in found.shapes else next(iter(found.shapes))
        _, radii = shape_of(*found.shapes[at], at or eye)
    except TraceError as problem:
        raise Invalid({"file": str(problem)}) from problem
    with transaction.atomic():
        frame.traced.filter(decided_at=None).delete()  # one at a time waits to be decided
        row = TracedOutline.objects.create(
            frame=frame,
            radii=radii,
            source=found.source,
            file_name="".join(c for c in file_name if c.isprintable() and c not in "<>")[-120:],
            file_sha256=hashlib.sha256(data).hexdigest(),
            read_by=actor,
            read_at=timezone.now(),
        )
        audit.record(
            actor=actor,
            action="catalogue.outline_read",
            subject=f"frame {frame.code}",
            group=frame.group,
            after={"source": row.source, "file_sha256": row.file_sha256, "radii": len(radii)},
        )
    return row


def decide_outline(*, actor: Staff, outline: TracedOutline, take: bool) -> TracedOutline:
    """Take the shape into the catalogue, with its effective diameter, or refuse it. Raises NotAllowed or Refused.

    A shape whose box is not the stated one is not taken: either the file is of another size, or the stated figures are wrong.
    """
    catalogue.require_manager(actor, outline.frame.group)
    with transaction.atomic():
        row = TracedOutline.objects.select_for_update(of=("self",)).select_related("frame__group").get(pk=outline.pk)
        if row.decided_at is not None:
            raise Refused("This outline was decided on already.")
        frame = CatalogueFrame.objects.select_for_update(of=("self",)).select_related("group").get(pk=row.frame_id)
        row.frame = frame
        sides = sides_of(row)
        if take and (wrong := [s for s in sides[:2] if not s.fits]):
            words = ", ".join(f"{s.label.lower()} {s.traced} mm traced, {s.stated} stated" for s in wrong)
            raise Refused(
                f"The shape is not of this box: {words}. Correct the frame’s figures first, or choose another file."
            )
        row.decided_at, row.decided_by, row.taken = timezone.now(), actor, take
        row.save()
        if take:
            before = catalogue.judged_by(frame)
            frame.outline = row.radii
            frame.ed = sides[2].traced
            frame.save(update_fields=["outline", "ed"])
            catalogue.tell_changed(actor, frame, before)
        audit.record(
            actor=actor,
            action="catalogue.outline_taken" if take else "catalogue.outline_refused",
            subject=f"frame {frame.code}",
            group=frame.group,
            after={"source": row.source, "file_sha256": row.file_sha256, **({"ed": str(frame.ed)} if take else {})},
        )
    return row
