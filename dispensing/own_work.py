"""What of a dispense is somebody's own work, whoever it belongs to now: nobody signs that.

A dispense can change hands: a supervisor may take one over, measure, and leave it to a colleague again. So it is not asked whose it
is alone, but who took and chose the values that count, who confirmed the fit they were read on, and who last changed what is signed.
Reading the prescription back, re-measuring beside the record and giving a reason are checks; they make nothing one's own.
"""

from __future__ import annotations

from dispensing.gather import current_adoptions
from dispensing.models import Adoption, Dispense, Reading
from practice.models import Staff

_QUANTITIES = {"far_pd": "far PD", "near_pd": "near PD", "height": "height", "pupil": "pupil height"}


def own_work(staff: Staff, dispense: Dispense) -> tuple[str, ...]:
    """In words to show; empty when nothing of it is theirs. Readings and adoptions may have been prefetched."""
    found = []
    readings = [r for r in dispense.readings.all() if r.by_id == staff.pk and r.struck_out_at is None]
    values = [
        _words(a)
        for a in current_adoptions(dispense.adoptions.all()).values()
        if a.by_id == staff.pk or any(_rests_on(a, r) for r in readings)
    ]
    if values:
        found.append(
            f"you took or chose the {' and '.join([', '.join(values[:-1]), values[-1]] if values[1:] else values)}"
        )
    if dispense.fit_confirmed_at is not None and dispense.fit_confirmed_by_id == staff.pk:
        found.append("you confirmed the final fit")
    if (dispense.content_by_id or dispense.updated_by_id) == staff.pk:
        found.append("the last change to it is yours")
    return tuple(found)


def _rests_on(adoption: Adoption, reading: Reading) -> bool:
    return (reading.quantity, reading.eye) == (adoption.quantity, adoption.eye) and reading.at <= adoption.at


def _words(adoption: Adoption) -> str:
    what = _QUANTITIES[adoption.quantity]
    return f"binocular {what}" if adoption.eye == "both" else f"{adoption.eye} {what}"
