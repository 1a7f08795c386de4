from __future__ import annotations

from typing import Any

Row = tuple[str | None, str, dict[str, Any]]
UNREGISTERED = {"h.dispenser_registered": False, "h.signer_registered": False}
CHILD = {"p.age_years": 14.0}
APART = {"m.R.height": 20.0, "m.L.height": 24.0}

CASES: dict[str, tuple[str, list[Row]]] = {
    "order.changed-after-signature": ("single", [
        ("stop", "changed", {"h.signed_by": "s", "h.changed_after_signature": True}),
        (None, "unchanged", {"h.signed_by": "s"}),
        (None, "not signed", {}),
    ]),
    "order.restricted": ("single", [
        ("stop", "record 24", {**CHILD, **UNREGISTERED, "h.dispenser": ""}),
        ("stop", "signed by somebody unregistered", {**CHILD, **UNREGISTERED, "h.signed_by": "s"}),
        ("unknown", "waits for a signature", {**CHILD, **UNREGISTERED}),
        ("stop", "sight-impaired", {"p.sight_impaired": True, **UNREGISTERED, "h.signed_by": "s"}),
        (None, "registered dispenser", CHILD),
        (None, "registered signer", {**CHILD, **UNREGISTERED, "h.signed_by": "s", "h.signer_registered": True}),
        (None, "16", {"p.age_years": 16.0, **UNREGISTERED}),
        (None, "no such rule here", {**CHILD, **UNREGISTERED, "rules.restricted_below_age": None}),
    ]),
    "order.trainee-signs-own": ("single", [
        ("stop", "own", {"h.dispenser_role": "trainee", "h.signed_by": "w"}),
        (None, "supervisor", {"h.dispenser_role": "trainee", "h.signed_by": "s"}),
        (None, "a dispenser's own", {"h.signed_by": "w"}),
        (None, "not signed", {"h.dispenser_role": "trainee"}),
    ]),
    "order.copy-of-open": ("single", [
        ("confirm", "open", {"h.open_order_for_same_pair": True}),
        (None, "none open", {}),
        (None, "signed, none open", {"h.signed_by": "s"}),
    ]),
    "order.age": ("single", [
        ("stop", "-3", {"p.age_years": -3.0}),
        ("stop", "131", {"p.age_years": 131.0}),
        (None, "0.3", {"p.age_years": 0.3}),
        (None, "115", {"p.age_years": 115.0}),
        (None, "not known", {"p.age_years": None}),
    ]),
    "record.explained": ("progressive", [
        ("note", "a note about something else", {**APART, "p.notes": ("prefers mornings",)}),
        ("note", "a reason for the measurements", {**APART, "m.reason": "past orbital fracture"}),
        (None, "nothing on record, so it was asked", APART),
        (None, "nothing to ask", {"p.notes": ("prefers mornings",)}),
        (None, "nothing to ask, a remark", {"rx.remark": "as before"}),
    ]),
    "unknown.needed": ("progressive", [
        ("unknown", "no prescription", {"prescription": None}),
        ("unknown", "one sphere", {"R.sphere": None}),
        ("unknown", "no frame", {"frame": None}),
        ("unknown", "no lens", {"lens.design": None}),
        ("unknown", "one PD", {"m.R.far_pd": None}),
        ("unknown", "one height", {"m.L.height": None}),
        ("unknown", "fit not confirmed", {"fit.confirmed": False}),
        ("unknown", "age", {"p.age_years": None}),
        ("unknown", "date of the prescription", {"rx.written_on": None}),
        (None, "complete", {}),
        (None, "everything, another PD", {"m.R.far_pd": 30.0}),
        (None, "balance lens needs no sphere", {"L.sphere": None, "L.balance": True}),
        (None, "the branch sets no time", {"rx.written_on": None, "rules.prescription_valid_months": None}),
    ]),
    "unknown.useful": ("single", [
        ("unknown", "-8, vertex distance as worn", {"R.sphere": -8.0, "fit.vertex_mm": None}),
        (None, "-8, measured", {"R.sphere": -8.0}),
        (None, "-2", {"fit.vertex_mm": None}),
    ]),
}  # fmt: skip
