"""What is measured at a return visit, as typed and as understood: on the face now, and the pair before on the focimeter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from dispensing.case import EYES
from dispensing.optics import notation as n
from dispensing.optics.errors import NotationError
from orders.receipt.typed import ADD, POWERS, read_lenses
from orders.returns.explain import Before, WornNow

LENS_FIELDS = (
    ("pd", "Middle of the nose to the pupil, looking far", "mm"),
    ("height", "Height of the pupil now, above the lower box tangent", "mm"),
)
FACE_FIELDS = (
    ("vertex", "Vertex distance now", "mm"),
    ("pantoscopic", "Pantoscopic angle now", "°"),
    ("face_form", "Face form angle now", "°"),
)
OLD = "old."  # what the fields of the pair before begin with
OLD_FIELDS = (*POWERS, ADD)
OLD_VERTEX = f"{OLD}vertex"
_NOW = (
    *(f"{eye}.{name}" for eye in EYES for name, _, _ in LENS_FIELDS),
    *(name for name, _, _ in FACE_FIELDS),
)
PATHS = (*_NOW, *(f"{OLD}{eye}.{entry.name}" for eye in EYES for entry in OLD_FIELDS), OLD_VERTEX)


@dataclass(frozen=True, slots=True)
class Measured:
    now: WornNow
    before: Before | None  # the pair before, where it was measured
    values: dict[str, str]  # exact decimal text by path
    errors: dict[str, str]


def understand(typed: Mapping[str, str]) -> Measured:
    """Read every field; a blank is "not measured". The pair before needs both its lenses."""
    values: dict[str, Decimal] = {}
    errors: dict[str, str] = {}
    for path in (*_NOW, OLD_VERTEX):
        text = typed.get(path, "")
        try:
            if path.endswith(("pantoscopic", "face_form")):
                value = n.parse_degrees(text, low=-20, high=35)
            else:
                value = n.parse_mm(text, high=60)
        except NotationError as problem:
            errors[path] = problem.message
            continue
        if value is not None:
            values[path] = value
    now = WornNow(**{path.replace(".", "_"): float(v) for path, v in values.items() if path != OLD_VERTEX})
    old = read_lenses(OLD_FIELDS, typed, OLD)
    errors |= old.errors
    right, left = old.readings.right.power, old.readings.left.power
    for eye, power, other in (("right", right, left), ("left", left, right)):
        alone = any(path.startswith(f"{OLD}{eye}.") for path in old.values)  # such as an addition without its power
        if power is None and (other is not None or alone):
            errors.setdefault(f"{OLD}{eye}.sphere", "Measure both lenses of the pair before, or neither.")
    before = None
    if right is not None and left is not None:
        vertex = values.get(OLD_VERTEX)
        before = Before(
            right=right, left=left, vertex=None if vertex is None else float(vertex), said="measured now", read=old.readings
        )
    return Measured(now, before, {path: str(v) for path, v in values.items()} | old.values, errors)
