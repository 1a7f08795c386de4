"""Checks of what is stated for the order beside its powers: prism, addition, and what a maker needs to compensate."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from dispensing.case import EYES, PrescribedLens
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.checks.words import eye_word, prism_in_word, prism_up_word, signed
from dispensing.figures import near_only


@check(
    "ordered.prism",
    "stop",
    "The ordered prism is not the prescribed one",
    family="lens",
    source="ISO 21987:2017: prism of the pair against that ordered",
    confidence="derived",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.right.prism_h",
        "prescription.right.base_h",
        "prescription.right.prism_v",
        "prescription.right.base_v",
        "prescription.right.near_prism_h",
        "prescription.right.near_base_h",
        "prescription.right.near_prism_v",
        "prescription.right.near_base_v",
        "needs.uses",
        "lens.compensation",
        "lens.ordered_right",
        "lens.prism_thinning_down",
    ),
)
def ordered_prism(v: View, found: Finder) -> Iterator[Finding]:
    """Why: prism changes only by a small compensation, or by equal base down in both lenses for thinning.
    Fires: prescribed 2 Δ out, ordered 2 Δ in; 1.25 Δ down in both lenses of a single-vision pair, or up in both of a progressive one;
    thinning in the ordered powers and stated besides (asks).
    Silent: ordered as prescribed; 1 Δ down in both lenses of a progressive pair.
    """
    rx = v.rx
    orders = {eye: v.case.lens.ordered(eye) for eye in EYES}
    if rx is None or (orders["right"] is None and orders["left"] is None):
        return
    limit = 0.75 if v.case.lens.compensation == "maker" else 0.25
    off: dict[str, tuple[float, float]] = {}
    asked: dict[str, tuple[float, float]] = {}
    for eye in EYES:
        order, wanted_in, wanted_up = orders[eye], *_prescribed_prism(v, rx.of(eye))
        if wanted_in is None or wanted_up is None:
            return  # its base is missing, which is found elsewhere
        asked[eye] = (wanted_in, wanted_up)
        # an eye for which nothing is stated is ordered as prescribed
        off[eye] = (0.0, 0.0) if order is None else (order.prism_in - wanted_in, order.prism_up - wanted_up)
    down = [-off[eye][1] for eye in EYES]
    most = v.limit["thinning.most"] * max((lens.add or 0.0 for _, lens, _ in v.lenses()), default=0.0)
    thinning = v.family == "progressive" and abs(down[0] - down[1]) <= limit and 0 <= min(down) <= max(down) <= most + limit
    besides = v.case.lens.prism_thinning_down
    if thinning and min(down) > limit and besides > limit:
        yield found(
            f"Prism thinning is stated twice: {min(down):.2f} Δ down in the ordered powers, and {besides:.2f} Δ besides.",
            "lens.prism_thinning_down",
            "lens.ordered_right",
            "lens.ordered_left",
            seen=(("Down in the ordered powers", round(min(down), 2), "Δ"), ("Prism thinning besides", besides, "Δ")),
            severity="confirm",
            consequence=f"Both lenses would have {min(down) + besides:.2f} Δ base down.",
            resolution="Leave it in one place: take the prism thinning out, or the prism down out of the ordered powers.",
            for_lab=True,
        )
    pair = {"h": off["right"][0] + off["left"][0], "v": off["right"][1] - off["left"][1]}
    for eye in EYES:
        order = orders[eye]
        if order is None:
            continue
        for name, wanted, given, word, gone in (
            ("h", asked[eye][0], order.prism_in, prism_in_word, off[eye][0]),
            ("v", asked[eye][1], order.prism_up, prism_up_word, 0.0 if thinning else off[eye][1]),
        ):
            if abs(gone) <= limit:
                continue
            reversed_ = abs(wanted + given) <= limit and abs(wanted) > limit
            yield found(
                f"{eye_word(eye)} prism ordered is {word(given)}, prescribed {word(wanted)}.",
                f"lens.ordered_{eye}",
                f"prescription.{eye}.prism_{name}",
                seen=((f"{eye_word(eye)} ordered", word(given), ""), (f"{eye_word(eye)} prescribed", word(wanted), "")),
                limit=f"within {limit:.2f} Δ",
                severity="stop" if reversed_ or v.case.lens.compensation != "maker" else "confirm",
                consequence=f"The eye would be {abs(gone):.2f} Δ out, the pair {abs(pair[name]):.2f} Δ.",
                resolution=f"{word(wanted)}." if reversed_ else "Order the prescribed prism, or record what changed it.",
            )


def _prescribed_prism(v: View, lens: PrescribedLens) -> tuple[float | None, float | None]:
    """Base in and base up as prescribed: those for near, where the pair is for near and they are written."""
    if near_only(v.case.needs, v.case.lens) and (lens.near_prism_h is not None or lens.near_prism_v is not None):
        lens = replace(
            lens, prism_h=lens.near_prism_h, base_h=lens.near_base_h, prism_v=lens.near_prism_v, base_v=lens.near_base_v
        )
    return lens.prism_in, lens.prism_up


@check(
    "ordered.add",
    "stop",
    "The ordered addition is not the prescribed one",
    family="lens",
    source="ISO 21987:2017 Table 4 (from memory): ±0.12 D",
    confidence="standard",
    needs=(
        "prescription.right.sphere",
        "prescription.right.cylinder",
        "prescription.right.axis",
        "prescription.right.add",
        "lens.compensation",
        "lens.ordered_right",
    ),
)
def ordered_add(v: View, found: Finder) -> Iterator[Finding]:
    """Why: the addition is not compensated by the practice; a maker may state one that is a little different.
    Fires: prescribed +2.00, ordered +2.50.
    Silent: +2.00; +2.10 stated by the maker.
    """
    maker = v.case.lens.compensation == "maker"
    for eye, lens, _ in v.lenses():
        order = v.case.lens.ordered(eye)
        if order is None or order.add is None or not lens.add or near_only(v.case.needs, v.case.lens):
            continue
        off = abs(order.add - lens.add)
        if off > (0.5 if maker else 0.12):
            yield found(
                f"{eye_word(eye)} addition ordered {signed(order.add)}, prescribed {signed(lens.add)}.",
                f"lens.ordered_{eye}",
                f"prescription.{eye}.add",
                seen=((f"{eye_word(eye)} ordered", order.add, "D"), (f"{eye_word(eye)} prescribed", lens.add, "D")),
                limit="within 0.12 D" if not maker else "within 0.50 D",
                severity="confirm" if maker else "stop",
                consequence=f"Near would be {off:.2f} D out.",
                resolution=f"{signed(lens.add)}.",
            )


@check(
    "ordered.maker-needs-fit",
    "confirm",
    "The maker is to compensate, but was not told how the frame is worn",
    family="lens",
    source="compensation needs vertex distance, pantoscopic angle and face form as worn",
    confidence="published",
    needs=("fit.vertex_mm", "lens.compensation", "lens.ordered_right"),
)
def maker_needs_fit(v: View, found: Finder) -> Iterator[Finding]:
    """Why: without the as-worn figures the maker computes with standard ones, which is compensation for another face.
    Fires: compensation by the maker, vertex distance blank.
    Silent: all three given; no compensation.
    """
    if v.case.lens.compensation != "maker" or v.case.lens.ordered_right or v.case.lens.ordered_left:
        return
    fit = v.case.fit
    lacking = [n for n in ("vertex_mm", "pantoscopic_deg", "face_form_deg") if getattr(fit, n) is None]
    words = {"vertex_mm": "vertex distance", "pantoscopic_deg": "pantoscopic angle", "face_form_deg": "face form angle"}
    if lacking:
        yield found(
            f"The maker compensates, and has no {' or '.join(words[n] for n in lacking)}.",
            f"fit.{lacking[0]}",
            "lens.compensation",
            missing=tuple(f"fit.{n}" for n in lacking),
            resolution="Measure as worn, or let the maker know that standard figures are to be used.",
            for_lab=True,
        )
