"""Judging again what is not yet in work when a limit or a catalogue entry changes, and listing what that did to it.

    change ──signal, same transaction──→ Recheck with one RecheckItem for each dispense concerned
    manage.py recheck, or a page that shows the progress ──→ work_off: claim an item, judge it both ways, keep what differs

Concerned are dispenses being prepared, waiting, returned or signed, and those whose order the lab has not yet acknowledged.
Each is judged twice on its record as it is when its turn comes: with the value before the change and with the value after. So
what differs is due to the change alone, whoever else has worked on the dispense meanwhile and however many changes queue up.

An item belongs to whoever claimed it for a minute. It is finished by one conditional update, so two workers that hold the same
item (one was slow, its claim ran out) count it once. Nothing is kept in a process: a worker may be stopped at any moment.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.db import transaction
from django.db.models import Count, F, Q, QuerySet
from django.utils import timezone

from dispensing.assess import SETTLED, Assessment, assess_case, assess_to_answer, keep_counts
from dispensing.case import Case
from dispensing.checks import THRESHOLDS
from dispensing.checks.findings import ORDER, Finding
from dispensing.checks.thresholds import BEFORE_THIS_EDITION, EDITION
from dispensing.gather import FRAME_NUMBERS, for_key
from dispensing.lens_parts import chosen_by
from dispensing.models import CatalogueFrame, CatalogueLens, Dispense, LensMaterial, LensOption, Treatment
from orders.models import Order, Recheck, RecheckChange, RecheckItem
from orders.recheck_values import (
    ENDS,
    FRAME_FIELDS,
    LENS_FIELDS,
    MATERIAL_FIELDS,
    OPTION_FIELDS,
    TREATMENT_FIELDS,
    both_ways,
    frame_value,
    option_code,
    still_chosen,
)
from practice import access, audit
from practice.models import Branch, Staff

Entry = CatalogueFrame | CatalogueLens | LensOption | LensMaterial | Treatment
log = logging.getLogger(__name__)
CLAIM = timedelta(minutes=1)
SLICE = 12  # dispenses that a page works off before it shows where things are
SLICE_SECONDS = 0.4  # and no longer than this, so that the page stays quick on a slow machine
SHOWN_FOR = timedelta(days=30)
OPEN_STATES = (Dispense.State.OPEN, Dispense.State.WAITING, Dispense.State.RETURNED, Dispense.State.SIGNED)
_WORDS = {
    "a": "a", "b": "b", "dbl": "distance between lenses", "ed": "effective diameter", "side": "length of side",
    "nd": "refractive index", "abbe": "Abbe number", "impact": "resistance to impact", "drilled": "drilling", "grooved": "grooving",
    "transmittance_clear": "light let through at its palest, %", "transmittance_dark": "light let through at its darkest, %",
    "base_curves": "front curves by power", "treatment_codes": "coatings and tints",
}  # fmt: skip


# --- starting -------------------------------------------------------------------------------------------------------------


def concerned(branches: QuerySet[Branch] | list[Branch]) -> QuerySet[Dispense]:
    """Dispenses of these branches that nobody has begun to make yet."""
    unacknowledged = Order.objects.filter(state=Order.State.ISSUED).values("dispense")
    return Dispense.objects.filter(branch__in=branches).filter(
        Q(state__in=OPEN_STATES) | Q(state=Dispense.State.ORDERED, pk__in=unacknowledged)
    )


def on_limit_changed(
    sender: Any, *, branch: Branch, actor: Staff, name: str, before: float | None, after: float | None, **_: Any
) -> None:
    """Receiver of `practice.signals.limit_changed`."""
    threshold = THRESHOLDS.get(name)
    if threshold is None or before == after:
        return
    unit = f" {threshold.unit}" if threshold.unit else ""
    was, now = (threshold.value if value is None else value for value in (before, after))
    why = f"{threshold.meaning}: {_number(was)} → {_number(now)}{unit}"
    _start(branch, concerned([branch]), Recheck.Kind.LIMIT, name, why, {name: before}, {name: after}, actor)


def on_catalogue_changed(
    sender: Any,
    *,
    item: Entry,
    actor: Staff,
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    **_: Any,
) -> None:
    """Receiver of `dispensing.signals.catalogue_changed`: one re-check for each branch that has chosen the item."""
    kind, fields, chosen, group, code, title = _what(item)
    names = [n for n in fields if n in after]
    if not names or (kind == Recheck.Kind.FRAME and names == ["retired_on"] and after["retired_on"] is None):
        return
    rows = concerned(list(Branch.objects.filter(group=group))).filter(**chosen)
    if set(names) <= set(ENDS):
        rows = rows.filter(state__in=OPEN_STATES)  # what is at a lab was offered on that day
    told = [_changed(n, before.get(n), after.get(n)) for n in names if n not in ("outline", "drill_points")]
    why = f"{title}: {', '.join(told) or 'another outline'}"
    was, now = ({n: values.get(n) for n in names} for values in (before, after))
    for branch in Branch.objects.filter(pk__in=rows.values("branch")).select_related("group").order_by("pk"):
        _start(branch, rows.filter(branch=branch), kind, code, why, was, now, actor)


def _changed(name: str, was: Any, now: Any) -> str:
    if name == "retired_on":
        return "retired" if now else "brought back"
    return f"{_field(name)} {_shown(was)} → {_shown(now)}"


def _what(
    item: Entry,
) -> tuple[str, tuple[str, ...], dict[str, Any], int, str, str]:
    """Kind of re-check, fields that a check can see, how a dispense has chosen it, group, subject and title of an entry."""
    if isinstance(item, LensMaterial | Treatment):
        material = isinstance(item, LensMaterial)
        kind, fields = (Recheck.Kind.MATERIAL, MATERIAL_FIELDS) if material else (Recheck.Kind.TREATMENT, TREATMENT_FIELDS)
        return kind, fields, chosen_by(item), item.group_id, item.code, item.name
    if isinstance(item, LensOption):
        code = option_code(item)
        title = f"{item.lens.maker} {item.lens.name} in {item.material.name}"
        return Recheck.Kind.OPTION, OPTION_FIELDS, {"lens_option": item}, item.lens.group_id, code, title
    if isinstance(item, CatalogueLens):
        chosen: dict[str, Any] = {"lens_option__lens": item}
        return Recheck.Kind.LENS, LENS_FIELDS, chosen, item.group_id, item.code, f"{item.maker} {item.name}"
    return Recheck.Kind.FRAME, FRAME_FIELDS, {"frame_item": item}, item.group_id, item.code, f"{item.maker} {item.model}"


def start_edition() -> int:
    """After an upgrade whose published limits differ: one re-check for each branch, once an edition. Returns how many were started.

    A limit that the branch has set itself is not touched by an edition. Rules that an upgrade changed in code cannot be judged both
    ways; they speak when a dispense is opened, signed or issued.
    """
    subject = f"edition {EDITION}"
    done = Recheck.objects.filter(kind=Recheck.Kind.LIMIT, subject=subject).values("branch")
    started = 0
    for key in Branch.objects.exclude(pk__in=done).order_by("pk").values_list("pk", flat=True):
        with transaction.atomic():
            branch = Branch.objects.select_for_update(of=("self",)).select_related("group").get(pk=key)
            if Recheck.objects.filter(branch=branch, kind=Recheck.Kind.LIMIT, subject=subject).exists():
                continue
            before = {n: value for n, value in BEFORE_THIS_EDITION.items() if n not in branch.limits}
            words = "; ".join(
                f"{THRESHOLDS[n].meaning}: {_number(value)} → {_number(THRESHOLDS[n].value)} {THRESHOLDS[n].unit}".rstrip()
                for n, value in before.items()
            )
            rows = concerned([branch]) if before else Dispense.objects.none()
            why = f"New edition {EDITION} of the limits" + (f": {words}" if words else "")
            _start(branch, rows, Recheck.Kind.LIMIT, subject, why, before, {}, None)
            started += 1
    return started


def _start(
    branch: Branch,
    rows: QuerySet[Dispense],
    kind: str,
    subject: str,
    why: str,
    before: dict[str, Any],
    after: dict[str, Any],
    by: Staff | None,
) -> Recheck:
    now = timezone.now()
    keys = list(rows.order_by("pk").values_list("pk", flat=True))
    recheck = Recheck.objects.create(
        group=branch.group,
        branch=branch,
        kind=kind,
        subject=subject,
        why=why[:400],
        before=before,
        after=after,
        by=by,
        started_at=now,
        total=len(keys),
        finished_at=None if keys else now,
    )
    RecheckItem.objects.bulk_create((RecheckItem(recheck=recheck, dispense_id=key) for key in keys), batch_size=500)
    return recheck


# --- the work -------------------------------------------------------------------------------------------------------------


def work_off(*, branch: Branch | None = None, limit: int | None = None, seconds: float | None = None) -> int:
    """Judge waiting items, of one branch or of all, until none is left or the limit (items or seconds) is reached.

    Returns how many were finished here. Safe to run many times at once.
    """
    ends = None if seconds is None else time.monotonic() + seconds
    count = 0
    for key in _claimed(branch):
        count += _work(key)
        if (limit is not None and count >= limit) or (ends is not None and time.monotonic() >= ends):
            break
    return count


def _claimed(branch: Branch | None) -> Iterator[int]:
    """Keys of items, each claimed just before it is given out."""
    while True:
        free = Q(claimed_until=None) | Q(claimed_until__lt=timezone.now())
        waiting = RecheckItem.objects.filter(free, done_at=None)
        if branch is not None:
            waiting = waiting.filter(recheck__branch=branch)
        keys = list(waiting.order_by("pk").values_list("pk", flat=True)[:SLICE])
        if not keys:
            return
        for key in keys:
            now = timezone.now()
            free = Q(claimed_until=None) | Q(claimed_until__lt=now)
            if RecheckItem.objects.filter(free, pk=key, done_at=None).update(claimed_until=now + CLAIM):
                yield key


def _work(key: int) -> bool:
    """Judge one claimed item and keep what differs, in one transaction. False when somebody else had finished it."""
    item = RecheckItem.objects.select_related("recheck").get(pk=key)
    trouble = ""
    changes: list[RecheckChange] = []
    found: Assessment | None = None
    try:
        dispense = for_key(item.dispense_id)
        changes, found = _judge(item.recheck, dispense)
    except Exception:  # one record that cannot be judged must not hold up all the others; it is shown as such
        log.exception("re-check %s of dispense %s", item.recheck_id, item.dispense_id)
        trouble = "Could not be judged again; open it to see."
    with transaction.atomic():
        now = timezone.now()
        if not RecheckItem.objects.filter(pk=key, done_at=None).update(done_at=now, trouble=trouble):
            return False
        RecheckChange.objects.bulk_create(changes)
        if found is not None and dispense.state in OPEN_STATES:
            keep_counts(dispense, found)
        Recheck.objects.filter(pk=item.recheck_id).update(done=F("done") + 1)
        Recheck.objects.filter(pk=item.recheck_id, finished_at=None, done__gte=F("total")).update(finished_at=now)
    return True


def _judge(recheck: Recheck, dispense: Dispense) -> tuple[list[RecheckChange], Assessment | None]:
    order = None
    if dispense.state not in OPEN_STATES:
        order = Order.objects.filter(dispense=dispense, state=Order.State.ISSUED).only("pk").first()
        if order is None:
            return [], None  # acknowledged, collected or cancelled meanwhile: too late to matter
    if not still_chosen(recheck, dispense):
        return [], None  # another was chosen meanwhile, and judged as it was chosen
    found = assess_to_answer(dispense)
    reasons = list(dispense.reasons.select_related("by"))
    before, after = (
        assess_case(case, reasons=reasons, settled=dispense.state in SETTLED)
        for case in both_ways(recheck, found.case, dispense.lens_option)
    )
    differing = differences(before, after)
    if recheck.kind == Recheck.Kind.FRAME:
        differing = [*_frame_gone(recheck), *_figures_kept(recheck, found.case), *differing]
    changes = [
        RecheckChange(
            recheck=recheck,
            dispense=dispense,
            order=order,
            state=dispense.state,
            kind=d.kind,
            check_id=d.check,
            finding_key=d.key[:200],
            was=d.was,
            now=d.now,
            message=d.message,
            limit=d.limit[:120],
        )
        for d in differing
    ]
    return changes, found


@dataclass(frozen=True, slots=True)
class Difference:
    kind: str  # RecheckChange.Kind
    key: str
    check: str
    was: str  # severity before; "" when it was not there
    now: str
    message: str
    limit: str = ""


def differences(before: Assessment, after: Assessment) -> list[Difference]:
    """What two assessments of one dispense say differently, what blocks first."""
    were, are = ({f.key: f for f in found.findings} for found in (before, after))
    told: list[Difference] = []
    for key in dict.fromkeys([*are, *were]):
        old, new = were.get(key), are.get(key)
        if new is None and old is not None:
            told.append(_difference(RecheckChange.Kind.GONE, old, old.severity, ""))
        elif old is None and new is not None:
            told.append(_difference(RecheckChange.Kind.RAISED, new, "", new.severity))
        elif old is not None and new is not None and old.severity != new.severity:
            graver = ORDER[new.severity] < ORDER[old.severity]
            kind = RecheckChange.Kind.GRAVER if graver else RecheckChange.Kind.MILDER
            told.append(_difference(kind, new, old.severity, new.severity))
        elif new is not None and key in before.reasons and key not in after.reasons and new.severity == "confirm":
            told.append(_difference(RecheckChange.Kind.REASON, new, new.severity, new.severity))
    return sorted(told, key=lambda d: ORDER.get(d.now, len(ORDER)))


def _difference(kind: str, finding: Finding, was: str, now: str) -> Difference:
    return Difference(kind, finding.key, finding.check, was, now, finding.message, finding.limit)


def _figures_kept(recheck: Recheck, case: Case) -> list[Difference]:
    """A dispense keeps its own copy of a frame: say where that is no longer what the catalogue says."""
    if case.frame is None:
        return []
    old = [
        n
        for n, value in recheck.before.items()
        if n in FRAME_NUMBERS
        and getattr(case.frame, n) == frame_value(n, value)
        and frame_value(n, value) != frame_value(n, recheck.after.get(n))
    ]
    if not old:
        return []
    words = ", ".join(f"{_field(n)} {_shown(recheck.before[n])}, now {_shown(recheck.after[n])}" for n in old)
    message = f"This dispense keeps the catalogue’s earlier figures: {words}. Choose the frame again to take the new ones."
    return [Difference(RecheckChange.Kind.FIGURES, "|" + ",".join(f"frame.{n}" for n in old), "", "", "note", message)]


def _frame_gone(recheck: Recheck) -> list[Difference]:
    """No check asks whether a frame is still sold: the one in hand can be glazed. Whoever has still to get it has to know."""
    if not recheck.after.get("retired_on"):
        return []
    message = (
        "This frame was taken out of the catalogue. One that is in hand can be glazed; see that it is, or choose another."
    )
    return [Difference(RecheckChange.Kind.RETIRED, "|frame", "", "", "note", message)]


def _field(name: str) -> str:
    return _WORDS.get(name, name.removesuffix("_mm").removesuffix("_deg").replace("_", " "))


def _number(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _shown(value: Any) -> str:
    if value in (None, "", []):
        return "none"
    if isinstance(value, dict):  # a step of the table of front curves
        return f"{_shown(value['from'])} to {_shown(value['to'])}: {_shown(value['curve'])};"
    if isinstance(value, list):
        return " ".join(_shown(v) for v in value[:12]).removesuffix(";")
    try:
        return _number(float(value))
    except (TypeError, ValueError):
        return str(value).replace("_", " ")


# --- reading --------------------------------------------------------------------------------------------------------------


def rechecks_of(branch: Branch) -> QuerySet[Recheck]:
    """Those of the last month and those that are still running, newest first."""
    recent = Q(started_at__gte=timezone.now() - SHOWN_FOR) | Q(finished_at=None)
    nothing = Q(subject__startswith="edition ", total=0)  # an upgrade that met no work begun
    return Recheck.objects.filter(recent, branch=branch).exclude(nothing).select_related("by", "looked_by")


@dataclass(frozen=True, slots=True)
class News:
    """For the start page: whether a re-check is running, and how many dispenses changed that nobody has looked at."""

    running: bool
    dispenses: int


def news(branch: Branch) -> News | None:
    """One query; None when there is nothing to say."""
    unread = rechecks_of(branch).filter(looked_at=None).order_by()
    counted = unread.aggregate(
        running=Count("pk", filter=Q(finished_at=None), distinct=True), changed=Count("changes__dispense", distinct=True)
    )
    if not counted["running"] and not counted["changed"]:
        return None
    return News(running=bool(counted["running"]), dispenses=counted["changed"])


def look_at(*, actor: Staff, recheck: Recheck) -> Recheck:
    """Somebody who works at the branch has read what changed; the first one is kept. Raises NotAllowed."""
    with transaction.atomic():
        row = Recheck.objects.select_for_update(of=("self",)).select_related("branch", "group").get(pk=recheck.pk)
        access.require(actor, "dispense.change", branch=row.branch)
        if row.looked_at is None and row.finished_at is not None:
            row.looked_at, row.looked_by = timezone.now(), actor
            row.save(update_fields=["looked_at", "looked_by"])
            audit.record(
                actor=actor,
                action="recheck.looked_at",
                subject=f"re-check {row.pk}",
                group=row.group,
                branch=row.branch,
                after={"why": row.why, "changes": row.changes.count()},
            )
        return row
