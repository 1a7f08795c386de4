"""The table of figures on the sheet: which are shown, in which order, with how many decimals."""

from __future__ import annotations

from dataclasses import dataclass

from dispensing import case as c
from dispensing.figures import Figures
from dispensing.figures.curves import WORDS as CURVE_WORDS
from dispensing.optics.notation import format_axis, format_power, format_prism


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureRow:
    """One line of the table: either a value for each eye, or one for the pair. Paths lead to the working."""

    label: str
    unit: str
    right: str = ""
    left: str = ""
    pair: str = ""
    right_path: str = ""
    left_path: str = ""
    pair_path: str = ""
    strong: bool = False


_EYE_ROWS: tuple[tuple[str, str, str, int], ...] = (
    ("decentration_in", "decentration, + inwards", "mm", 1),
    ("decentration_up", "fitting point above datum line", "mm", 1),
    ("height_box", "height above the box tangent", "mm", 1),
    ("room_above", "room above the fitting point", "mm", 1),
    ("near_inset", "near inset", "mm", 1),
    ("corridor_end_height", "near point above the box tangent", "mm", 1),
    ("blank_needed", "blank needed", "mm", 1),
    ("centre_thickness", "centre thickness", "mm", 1),
    ("edge_thinnest", "edge, thinnest", "mm", 1),
    ("edge_thickest", "edge, thickest", "mm", 1),
    ("mass_g", "mass", "g", 1),
    ("prism_in", "prism at the fitting point, base in", "Δ", 2),
    ("prism_up", "prism at the fitting point, base up", "Δ", 2),
    ("vertical_power", "power in the vertical meridian", "D", 2),
    ("image_jump", "image jump", "Δ", 2),
    ("chromatic_blur", "chromatic blur at the usual gaze", "Δ", 2),
    ("magnification_percent", "spectacle magnification", "%", 1),
    ("pd_need_mm", "PD needed to within ±", "mm", 1),
    ("height_need_mm", "height needed to within ±", "mm", 1),
    ("vertex_need_mm", "vertex distance needed to within ±", "mm", 1),
)
_SIGNED = frozenset(
    {
        "decentration_in",
        "decentration_up",
        "prism_in",
        "prism_up",
        "vertical_power",
        "magnification_percent",
        "net_prism_h",
        "net_prism_v",
        "vertical_imbalance_near",
        "magnification_difference_percent",
    }
)
_PAIR_ROWS: tuple[tuple[str, str, str, int], ...] = (
    ("binocular_far_pd", "PD far, both eyes", "mm", 1),
    ("binocular_near_pd", "PD near, both eyes", "mm", 1),
    ("box_centre_distance", "boxed centre distance a + d", "mm", 1),
    ("net_prism_h", "prism of the pair, base in", "Δ", 2),
    ("net_prism_v", "prism of the pair, R base up", "Δ", 2),
    ("vertical_imbalance_near", "vertical imbalance at near", "Δ", 2),
    ("magnification_difference_percent", "difference of magnification", "%", 1),
)
# shown before the table is opened
FIRST_FIGURES = ("ordered", "decentration_in", "decentration_up", "blank_needed", "edge_thickest", "mass_g")


def number_words(name: str, value: float | None, digits: int) -> str:
    if value is None:
        return ""
    text = f"{abs(value):.{digits}f}"
    zero = float(text) == 0
    if name in _SIGNED:
        return text if zero else ("−" if value < 0 else "+") + text
    return ("−" if value < 0 and not zero else "") + text


def ordered_words(power: c.OrderedPower | None) -> str:
    if power is None:
        return ""
    words = format_power(power.sphere, plano=True)
    if power.cylinder:
        words += f" / {format_power(power.cylinder)} × {format_axis(power.axis) or '?'}"
    if power.add:
        words += f" add {format_power(power.add)}"
    for amount, bases in ((power.prism_in, ("in", "out")), (power.prism_up, ("up", "down"))):
        if round(abs(amount), 2):
            words += f", {format_prism(round(abs(amount), 2))} Δ {bases[amount < 0]}"
    return words


def figure_rows(figures: Figures) -> list[FigureRow]:
    """Every figure that is known for at least one eye, in the order of the work."""
    rows = []
    for eye in c.EYES:
        words = ordered_words(figures.of(eye).ordered)
        if words:
            label = f"{eye[0].upper()} ordered"
            rows.append(FigureRow(label=label, unit="", pair=words, pair_path=f"{eye}.ordered", strong=True))
    for name, label, unit, digits in _EYE_ROWS:
        if name == "centre_thickness":  # what it and all that follow hang on goes before it
            rows += _front_curve_rows(figures)
        right, left = (number_words(name, getattr(figures.of(eye), name), digits) for eye in c.EYES)
        if right or left:
            rows.append(
                FigureRow(
                    label=label,
                    unit=unit,
                    right=right,
                    left=left,
                    right_path=f"right.{name}" if right else "",
                    left_path=f"left.{name}" if left else "",
                    strong=name in FIRST_FIGURES,
                )
            )
    for name, label, unit, digits in _PAIR_ROWS:
        value = number_words(name, getattr(figures, name), digits)
        if value:
            rows.append(FigureRow(label=label, unit=unit, pair=value, pair_path=name))
    return rows


def _front_curve_rows(figures: Figures) -> list[FigureRow]:
    """The front curves with where they come from: in the label where both come from one place, else behind the figure."""
    known = {
        eye: (f.front_curve, CURVE_WORDS.get(f.front_curve_by or "", ""))
        for eye in c.EYES
        if (f := figures.of(eye)).front_curve is not None
    }
    if not known:
        return []
    sources = {words for _, words in known.values()}
    one = len(sources) == 1
    shown = {eye: f"{curve:.2f}".replace("-", "−") + ("" if one else f" {words}") for eye, (curve, words) in known.items()}
    return [
        FigureRow(
            label="front curve, " + sources.pop() if one else "front curve",
            unit="D",
            right=shown.get("right", ""),
            left=shown.get("left", ""),
            right_path="right.front_curve" if "right" in shown else "",
            left_path="left.front_curve" if "left" in shown else "",
        )
    ]


def front_curve_words(figures: Figures) -> str:
    """“Front curve 4.25 D, maker's table”, “Front curve R 0.50, L 2.50 D, assumed”; each with its own where they come from
    different places; "" while there is none."""
    curves: dict[str, str] = {}
    whence: dict[str, str] = {}
    for eye in c.EYES:
        f = figures.of(eye)
        if f.front_curve is not None:
            letter = eye[0].upper()
            curves[letter] = f"{f.front_curve:.2f}".replace("-", "−")
            whence[letter] = CURVE_WORDS.get(f.front_curve_by or "", "")
    if not curves:
        return ""
    if len(set(whence.values())) > 1:
        return "Front curve " + "; ".join(f"{at} {curve} D, {whence[at]}" for at, curve in curves.items())
    if len(curves) == 2 and len(set(curves.values())) == 1:
        said = curves["R"]
    else:
        said = ", ".join(f"{at} {curve}" for at, curve in curves.items())
    return f"Front curve {said} D, {next(iter(whence.values()))}"
