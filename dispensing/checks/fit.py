"""Checks of the final fit: as-worn figures, and whether the readings belong to it."""

from __future__ import annotations

from collections.abc import Iterator

from dispensing.case import HEIGHTS, Reading
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.validity import COMPENSATION
from dispensing.checks.view import View
from dispensing.checks.words import mm

_TEACHING = "dispensing teaching"
_ORDER = "the frame is fitted first, then measured; dispensing teaching"


def _tied_to_frame(reading: Reading) -> bool:
    """A pupillometer or rule reads the face; a height, or a PD marked on a lens, is of one frame."""
    return reading.quantity in HEIGHTS or reading.method in ("marked_lens", "photograph")


@check(
    "fit.measured-before",
    "stop",
    "It was measured before the frame was in its final fit",
    family="measurements",
    source=_ORDER,
    confidence="common practice",
    needs=("fit.confirmed", "fit.confirmed_at", "measurements.right.height", "measurements.readings"),
)
def measured_before(v: View, found: Finder) -> Iterator[Finding]:
    """Why: adjusting the frame moves it on the face, and every height with it.
    Fires: height read at 10:05, fit confirmed at 10:20.
    Silent: fit confirmed at 10:00; a PD by pupillometer, which needs no frame.
    """
    confirmed = v.case.fit.confirmed_at
    if confirmed is None:
        return
    early = [r for r in v.case.measurements.readings if _tied_to_frame(r) and r.at is not None and r.at < confirmed]
    later = {(r.quantity, r.eye) for r in v.case.measurements.readings if r.at is not None and r.at >= confirmed}
    early = [r for r in early if (r.quantity, r.eye) not in later]
    if early:
        yield found(
            f"{len(early)} reading{'s' if len(early) > 1 else ''} taken before the final fit was confirmed.",
            f"measurements.{early[0].eye}.{early[0].quantity}" if early[0].eye != "both" else "measurements.binocular_far_pd",
            "fit.confirmed",
            seen=(("Read at", early[0].at.strftime("%H:%M") if early[0].at else "", ""), ("Fit confirmed at", confirmed.strftime("%H:%M"), "")),
            consequence="A frame that was adjusted sits elsewhere; heights move by a millimetre or more.",
            resolution="Measure again on the fitted frame.",
        )  # fmt: skip


@check(
    "fit.other-frame",
    "stop",
    "The readings are not of the frame that is ordered",
    family="order",
    source=_ORDER,
    confidence="common practice",
    needs=("frame.identity", "frame.name", "measurements.right.height", "measurements.readings"),
    explains=("height.outside-box", "height.as-before", "fit.confirmed-on-other", "height.pupil-position"),
)
def other_frame(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a height belongs to one frame. Taken on another, it puts the lens wherever that one sat.
    Fires: heights read on the Tern 52, the Plover 54 is ordered.
    Silent: read on the frame that is ordered; a PD by pupillometer.
    """
    frame = v.frame
    if frame is None or not frame.identity:
        return
    readings = v.case.measurements.readings
    other = [r for r in readings if _tied_to_frame(r) and r.frame_identity and r.frame_identity != frame.identity]
    here = {(r.quantity, r.eye) for r in readings if r.frame_identity == frame.identity}
    other = [r for r in other if (r.quantity, r.eye) not in here]
    if other:
        first = other[0]
        second = [
            f"measurements.{r.eye}.{r.quantity}"
            for r in other
            if r.quantity == first.quantity and {first.eye, r.eye} == {"right", "left"}
        ][:1]
        yield found(
            f"{'Heights were' if first.quantity == 'height' else 'The PD was'} measured on another frame.",
            f"measurements.{first.eye}.{first.quantity}" if first.eye != "both" else "measurements.binocular_far_pd",
            *second,
            "frame.identity",
            seen=(("Measured on", first.frame_identity, ""), ("Ordered", frame.name or frame.identity, "")),
            consequence="The lens would be centred for the other frame.",
            resolution="Measure on this frame.",
        )


@check(
    "fit.confirmed-on-other",
    "stop",
    "The fit was confirmed on another frame",
    family="order",
    source=_ORDER,
    confidence="common practice",
    needs=("frame.identity", "frame.name", "fit.confirmed", "fit.frame_identity"),
)
def confirmed_on_other(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a fit holds for the frame it was made on.
    Fires: fit confirmed on the Tern 52, the Plover 54 is ordered.
    Silent: fit confirmed on the frame that is ordered.
    """
    frame, fit = v.frame, v.case.fit
    if frame is None or not frame.identity or not fit.confirmed or not fit.frame_identity:
        return
    if fit.frame_identity != frame.identity:
        yield found(
            "The final fit was confirmed on another frame.",
            "fit.confirmed",
            "frame.identity",
            seen=(("Fitted", fit.frame_identity, ""), ("Ordered", frame.name or frame.identity, "")),
            resolution="Fit this frame and confirm, then measure.",
        )


@check(
    "fit.in-doubt",
    "confirm",
    "Frame or fit changed after measuring",
    family="measurements",
    source=_ORDER,
    confidence="common practice",
    needs=("measurements.right.height", "measurements.in_doubt", "measurements.readings"),
    explains=(),
)
def in_doubt(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a later change of frame or fit leaves the readings in doubt until somebody has looked.
    Fires: nose pads adjusted after the heights were read.
    Silent: nothing changed since; measured again after the change.
    """
    m = v.case.measurements
    doubtful = [r for r in m.readings if r.in_doubt]
    if m.in_doubt or (doubtful and len(doubtful) == len(m.readings)):
        yield found(
            "Frame or fit was changed after these readings.",
            "measurements.right.height" if m.right.height is not None else "measurements.right.far_pd",
            seen=(("Readings in doubt", len(doubtful), ""),),
            resolution="Measure again, or record that it was looked at and is unchanged.",
        )


@check(
    "fit.vertex-range",
    "stop",
    "The vertex distance as worn is implausible",
    family="measurements",
    source="usual 12 to 14 mm; questions outside 8 to 18; dispensing teaching",
    confidence="common practice",
    needs=("fit.vertex_mm",),
    stop_explains=COMPENSATION,
)
def vertex_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: lashes keep a lens more than 8 mm away, a nose keeps it within 18. It decides the power of strong lenses.
    Fires: 1.3 mm, centimetres (stop); 20 mm (asks).
    Silent: 13 mm.
    """
    value = v.case.fit.vertex_mm
    if value is None or v.limit["vertex.usual_least"] <= value <= v.limit["vertex.usual_most"]:
        return
    least, most = v.limit["vertex.possible_least"], v.limit["vertex.possible_most"]
    cannot = not least <= value <= most
    yield found(
        f"Vertex distance {mm(value)} {'cannot be' if cannot else 'is unusual'}.",
        "fit.vertex_mm",
        seen=(("Vertex distance as worn", value, "mm"),),
        limit=f"{mm(v.limit['vertex.usual_least'])} to {mm(v.limit['vertex.usual_most'])}",
        severity="stop" if cannot else "confirm",
        resolution=f"{mm(value * 10)}? Centimetres were typed." if cannot and least <= value * 10 <= most else "Measure again with the eyes closed.",
    )  # fmt: skip


@check(
    "fit.pantoscopic-range",
    "stop",
    "The pantoscopic angle as worn is implausible",
    family="measurements",
    source="usual 8 to 12°; questions outside 0 to 18; dispensing teaching",
    confidence="common practice",
    needs=("fit.pantoscopic_deg",),
    stop_explains=COMPENSATION,
)
def pantoscopic_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: a front leans 8 to 12° in at the bottom. 45 is a misread scale, and tilt changes the power at the eye.
    Fires: 45° (stop); 20° (asks).
    Silent: 9°.
    """
    value = v.case.fit.pantoscopic_deg
    if value is None or v.limit["pantoscopic.least"] <= value <= v.limit["pantoscopic.most"]:
        return
    cannot = abs(value) > v.limit["pantoscopic.possible"] or value < -15
    yield found(
        f"Pantoscopic angle {value:.0f}° {'cannot be' if cannot else 'is unusual'}.",
        "fit.pantoscopic_deg",
        seen=(("Pantoscopic angle as worn", value, "°"),),
        limit=f"{v.limit['pantoscopic.least']:.0f}° to {v.limit['pantoscopic.most']:.0f}°",
        severity="stop" if cannot else "confirm",
        resolution="Measure again with the head as it is usually held.",
    )


@check(
    "fit.face-form-range",
    "stop",
    "The face form angle as worn is implausible",
    family="measurements",
    source="dress fronts 0 to 8°, wraps 10 to 25°; dispensing teaching",
    confidence="common practice",
    needs=("frame.front_curve", "fit.face_form_deg"),
    explains=("fit.face-form-against-frame",),
    same_question=("fit.face-form-against-frame",),
    stop_explains=COMPENSATION,
)
def face_form_range(v: View, found: Finder) -> Iterator[Finding]:
    """Why: face form changes power and centration of a wrapped lens. 25° on a flat front was misread, or is the whole angle between
    both lenses instead of one side.
    Fires: 45° (stop); 25° on a front of 4 D (asks).
    Silent: 6°; 20° on a front of 8 D.
    """
    value = v.case.fit.face_form_deg
    if value is None:
        return
    most, flat = v.limit["face_form.most"], v.limit["face_form.flat_most"]
    curve = v.frame.front_curve if v.frame else None
    limit = flat if curve is not None and curve <= 6 else most
    if -2 <= value <= limit:
        return
    cannot = value > 40 or value < -10
    yield found(
        f"Face form angle {value:.0f}°" + (f" on a front of {curve:.1f} D." if limit == flat else "."),
        "fit.face_form_deg",
        seen=(("Face form as worn", value, "°"), ("Front curve", curve if curve is not None else "not given", "D")),
        limit=f"up to {limit:.0f}°",
        severity="stop" if cannot else "confirm",
        resolution=f"Measure again; {value / 2:.0f}°, if {value:.0f}° is the angle between both lenses."
        if value > 0
        else "Measure again: the angle of one lens against the front.",
    )


@check(
    "fit.face-form-against-frame",
    "confirm",
    "The face form as worn is not the frame's",
    family="measurements",
    source="a fitted front keeps its face form within a few degrees",
    confidence="common practice",
    needs=("frame.face_form_deg", "fit.face_form_deg"),
)
def face_form_against_frame(v: View, found: Finder) -> Iterator[Finding]:
    """Why: fitting opens or closes a front by a few degrees, not by ten. One of the two figures is wrong.
    Fires: frame 5°, as worn 14°.
    Silent: frame 5°, as worn 7°.
    """
    worn = v.case.fit.face_form_deg
    own = v.frame.face_form_deg if v.frame else None
    if worn is None or own is None or abs(worn - own) <= v.limit["face_form.off"]:
        return
    yield found(
        f"Face form {worn:.0f}° as worn, {own:.0f}° by the frame.",
        "fit.face_form_deg",
        "frame.face_form_deg",
        seen=(("As worn", worn, "°"), ("Frame", own, "°")),
        limit=f"within {v.limit['face_form.off']:.0f}°",
        resolution="Measure again as worn.",
    )
