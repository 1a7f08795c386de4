"""Measured on the face at a return visit, as typed and as understood."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from dispensing.optics import notation as n
from dispensing.optics.errors import NotationError
from orders.returns.explain import WornNow

LENS_FIELDS = (("pd", "Middle of the nose to the pupil", "mm"), ("height", "Height now, above the lower box tangent", "mm"))
FACE_FIELDS = (
    ("vertex", "Vertex distance now", "mm"),
    ("pantoscopic", "Pantoscopic angle now", "°"),
    ("face_form", "Face form angle now", "°"),
)


PATHS = (
    *(f"{eye}.{name}" for eye in ("right", "left") for name, _, _ in LENS_FIELDS),
    *(name for name, _, _ in FACE_FIELDS),
)


def understand(typed: Mapping[str, str]) -> tuple[WornNow, dict[str, str], dict[str, str]]:
    """(what is worn now, exact values by path, errors by path). A blank is "not measured"."""
    values: dict[str, Decimal] = {}
    errors: dict[str, str] = {}
    for path in PATHS:
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
    now = WornNow(**{path.replace(".", "_"): float(v) for path, v in values.items()})
    return now, {path: str(v) for path, v in values.items()}, errors
