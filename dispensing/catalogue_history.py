"""Who changed what of a catalogue item: its own rows of the trail, and what imports did to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Q

from dispensing.models import CatalogueFrame, CatalogueLens, ImportLine, LensMaterial, Treatment
from practice.models import AuditEvent

MOST = 40
_WORDS = {
    "frame_added": "added",
    "frame_changed": "changed",
    "frame_retired": "retired",
    "frame_brought_back": "brought back",
    "lens_added": "added",
    "lens_changed": "changed",
    "lens_retired": "retired",
    "lens_brought_back": "brought back",
    "option_added": "material added",
    "option_changed": "material changed",
    "option_retired": "material retired",
    "option_brought_back": "material brought back",
    "material_added": "added",
    "material_changed": "changed",
    "treatment_added": "added",
    "treatment_changed": "changed",
    "treatment_retired": "retired",
    "treatment_brought_back": "brought back",
    "outline_read": "outline read from a file",
    "outline_taken": "outline taken from a file",
    "outline_refused": "outline of a file refused",
    "stock_changed": "stock counted",
}
# by what the trail and an import know each
_KNOWN_AS: dict[type, tuple[str, str]] = {
    CatalogueFrame: ("frame", "frames"),
    CatalogueLens: ("lens", "lenses"),
    LensMaterial: ("material", "materials"),
    Treatment: ("treatment", "treatments"),
}
_NOT_SAID = {"file_sha256"}


@dataclass(frozen=True, slots=True)
class Entry:
    at: datetime
    who: str
    what: str
    changes: tuple[tuple[str, str, str], ...]  # field, was, is
    import_key: int | None = None


def history_of(item: CatalogueFrame | CatalogueLens | LensMaterial | Treatment, labels: Mapping[str, str]) -> list[Entry]:
    """The newest first. `labels`: words for field names."""
    what, kind = _KNOWN_AS[type(item)]
    design = isinstance(item, CatalogueLens)
    named, kept = Q(subject=f"{what} {item.code}"[:80]), Q(job__kind=kind, code=item.code)
    if design:
        named |= Q(subject__startswith=f"option {item.code}/")
        kept |= Q(job__kind="options", code__startswith=f"{item.code}/")
    events = AuditEvent.objects.filter(named, group=item.group_id).order_by("-sequence")[:MOST]
    entries = [_of_event(e, labels, item.code) for e in events]
    lines = ImportLine.objects.filter(kept, put=True, job__group=item.group_id).select_related(
        "job__done_by", "job__undone_by"
    )
    for line in lines.order_by("-pk")[:MOST]:
        job = line.job
        changes = () if line.state == ImportLine.State.NEW else _changes(line.before, line.after, labels)
        what = "added by an import" if line.state == ImportLine.State.NEW else "changed by an import"
        if "/" in line.code and design:
            what = f"{line.code.partition('/')[2]}: {what}"
        if job.done_at is not None and job.done_by is not None:
            entries.append(Entry(job.done_at, job.done_by.display_name, what, changes, job.pk))
        if job.undone_at is not None and job.undone_by is not None:
            back = tuple((name, now, was) for name, was, now in changes)
            entries.append(Entry(job.undone_at, job.undone_by.display_name, "import undone", back, job.pk))
    return sorted(entries, key=lambda e: e.at, reverse=True)[:MOST]


def _of_event(event: AuditEvent, labels: Mapping[str, str], code: str) -> Entry:
    action = event.action.removeprefix("catalogue.")
    what = _WORDS.get(action, action.replace("_", " "))
    if event.subject.startswith("option "):
        what = f"{event.subject.partition('/')[2]}: {what}"
    if event.branch_id is not None and event.branch is not None:
        what += f" at {event.branch.name}"
    changes = () if action.endswith("_added") else _changes(event.before, event.after, labels)
    return Entry(event.at, event.actor_name, what, changes)


def _changes(
    before: Mapping[str, Any], after: Mapping[str, Any], labels: Mapping[str, str]
) -> tuple[tuple[str, str, str], ...]:
    names = [n for n in after if n not in _NOT_SAID and not _same(before.get(n), after[n])]
    return tuple(
        (labels.get(n, n.removesuffix("_mm").replace("_", " ")), _said(before.get(n)), _said(after[n])) for n in names
    )


def _same(a: Any, b: Any) -> bool:
    return _said(a) == _said(b)


def _said(value: Any) -> str:
    if value in (None, "", []):
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return f"{len(value)} entries" if len(value) > 12 else ", ".join(_said(v) for v in value)
    if isinstance(value, Mapping):
        return " ".join(str(v) for v in value.values() if v != "")
    text = str(value)
    return text.rstrip("0").rstrip(".") if text.replace("-", "", 1).replace(".", "", 1).isdigit() and "." in text else text
