"""One line a part of the sheet: what is on record, in the words of the trade."""

from __future__ import annotations

from dispensing import case as c
from dispensing import forms
from dispensing.checks.words import power_word
from dispensing.models import Dispense
from dispensing.optics.notation import format_mm, format_power, format_prism


def needs_words(needs: c.Needs) -> str:
    words = [forms.USE_WORDS.get(u, u) for u in needs.uses]
    if needs.working_distance_mm:
        words.append(f"task at {needs.working_distance_mm:g} mm")
    if needs.first_progressive:
        words.append("first progressives")
    return ", ".join(words)


def eye_words(lens: c.PrescribedLens) -> str:
    if lens.balance:
        return "balance lens"
    words = [power_word(lens)]
    if lens.add:
        words.append(f"add {format_power(lens.add)}")
    prisms = [
        f"{format_prism(amount)} Δ {base or 'base ?'}"
        for amount, base in ((lens.prism_h, lens.base_h), (lens.prism_v, lens.base_v))
        if amount
    ]
    return ", ".join([" ".join(words), *prisms])


def prescription_words(p: c.Prescription | None) -> str:
    if p is None:
        return ""
    words = f"R {eye_words(p.right)} · L {eye_words(p.left)}"
    if p.read_back == "matched":
        words += " · read back"
    return words


def frame_words(f: c.Frame | None) -> str:
    if f is None:
        return ""
    mount = dict(forms.MOUNT_CHOICES).get(f.mount or "", "")
    name = f.name or ("client’s own" if f.own else "")
    return ", ".join(w for w in (name, frame_size(f), mount) if w)


def frame_size(f: c.Frame) -> str:
    """52□18–145, the way it is marked on a frame (ISO 8624)."""

    def n(value: float | None) -> str:
        return "?" if value is None else format_mm(value).removesuffix(".0")

    if f.a is None and f.dbl is None:
        return ""
    return f"{n(f.a)}□{n(f.dbl)}" + (f"–{n(f.side)}" if f.side else "")


def fit_words(dispense: Dispense, case: c.Case) -> str:
    words = []
    if case.fit.confirmed and dispense.fit_confirmed_by:
        words.append(f"confirmed by {dispense.fit_confirmed_by.initials}")
    for value, word, unit in (
        (case.fit.vertex_mm, "vertex", " mm"),
        (case.fit.pantoscopic_deg, "pantoscopic", "°"),
        (case.fit.face_form_deg, "face form", "°"),
    ):
        if value is not None:
            words.append(f"{word} {value:g}{unit}")
    return ", ".join(words)


def readings_words(case: c.Case) -> str:
    m = case.measurements
    words = []
    for name, word in (("far_pd", "PD"), ("near_pd", "near PD"), ("height", "height"), ("pupil_height", "pupil")):
        values = [getattr(m.of(eye), name) for eye in c.EYES]
        if any(v is not None for v in values):
            words.append(f"{word} {' / '.join('?' if v is None else format_mm(v) for v in values)}")
    if not words and m.readings:
        words.append(f"{len(m.readings)} read, none adopted yet")
    return ", ".join(words)


def lens_words(dispense: Dispense) -> str:
    option = dispense.lens_option
    if option is None:
        return ""
    words = [option.lens.name, option.material.name]
    words += [t.name for t in (dispense.coating, dispense.tint) if t]
    if dispense.blank_diameter_mm:
        words.append(f"blank {format_mm(dispense.blank_diameter_mm).removesuffix('.0')} mm")
    return ", ".join(words)
