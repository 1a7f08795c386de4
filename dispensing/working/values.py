"""What a working is made of, and the small tools the workings share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

from dispensing.case import Adopted, Case, Eye, OrderedPower
from dispensing.figures.place import Front, read_front
from dispensing.figures.powers import prescribed_power
from dispensing.figures.usual import Notes, number, thinning
from dispensing.figures.values import Figures, LensFigures
from dispensing.optics import notation, thickness
from dispensing.optics.power import Power
from dispensing.optics.thickness import Lens, Spec

MINUS = notation.MINUS
Value = float | str


class Input(NamedTuple):
    """A number put in. `value` is a number or, for a power, its text; `unit` is "mm", "D", "Δ", "°", "g" or ""."""

    label: str
    value: Value
    unit: str = ""

    @property
    def text(self) -> str:
        """As printed: four figures or so, no trailing zeros, a true minus sign."""
        if isinstance(self.value, str):
            return self.value
        size = abs(float(self.value))
        shown = n(float(self.value), 3 if size < 10 else 2 if size < 100 else 1).rstrip("0").rstrip(".")
        return f"{shown}{self.unit}" if self.unit == "°" else f"{shown} {self.unit}".strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Working:
    """The arithmetic of one figure, ready to be shown."""

    path: str = ""  # filled in by `working`
    title: str = ""
    formula: str = ""  # in words and symbols, without numbers
    inputs: tuple[Input, ...] = ()
    steps: tuple[str, ...] = ()  # the same with the numbers in it, a line each
    result: float | str | bool | tuple[float, ...] | OrderedPower | None = None  # worked out here; agrees with the figure
    result_text: str = ""  # the result as printed, with its unit
    unit: str = ""
    source: str = ""
    caution: str = ""
    missing: tuple[str, ...] = ()  # paths to enter, where the figure is not known
    missing_words: tuple[str, ...] = ()
    eye: str = ""  # "right", "left" or, for a figure of the pair, ""
    assumed: tuple[str, ...] = ()  # usual values that stand in for something not on record


@dataclass(frozen=True, slots=True)
class Sums:
    """What a working may look at: the Case, its figures and, for a figure of one eye, that eye."""

    case: Case
    figures: Figures
    eye: Eye = "right"
    _front: list[Front] = field(default_factory=list)

    @property
    def own(self) -> LensFigures:
        return self.figures.of(self.eye)

    @property
    def adopted(self) -> Adopted:
        return self.case.measurements.of(self.eye)

    @property
    def front(self) -> Front:
        if not self._front:
            self._front.append(read_front(self.case, Notes()))
        return self._front[0]

    @property
    def power(self) -> Power:
        """The ordered power, or the prescribed one where no order can be written yet."""
        found = self.power_of_eye(self.eye)
        assert found is not None
        return found

    def power_of_eye(self, eye: Eye) -> Power | None:
        order = self.figures.of(eye).ordered
        return power_of(order) if order else prescribed_power(self.case, eye)

    @property
    def prescribed(self) -> Power:
        found = prescribed_power(self.case, self.eye)
        assert found is not None
        return found

    @property
    def spec(self) -> Spec:
        own, material = self.own, self.case.lens.material
        assert own.ordered
        assert material
        power = self.power
        return Spec(
            sphere=power.sphere,
            cylinder=power.cylinder,
            axis_deg=thickness.nasal_axis(power.axis, self.eye),
            index=material.nd,
            front_curve=known(own.front_curve),
            prism_in=own.ordered.prism_in,
            prism_up=own.ordered.prism_up - thinning(self.case),
            at_x=known(own.reference_x),
            at_y=known(own.reference_y),
        )

    @property
    def lens(self) -> Lens:
        assert self.own.centre_thickness is not None
        return thickness.make(self.spec, self.own.centre_thickness)


_WORDS: dict[str, str] = {
    "prescription": "a prescription",
    "frame": "a frame",
    "lens": "a lens",
    "sphere": "sphere",
    "cylinder": "cylinder",
    "axis": "axis",
    "add": "addition",
    "base_h": "base of the horizontal prism",
    "base_v": "base of the vertical prism",
    "a": "lens size a",
    "b": "lens size b",
    "dbl": "distance between lenses",
    "outline": "outline of the frame",
    "far_pd": "PD, far",
    "near_pd": "PD, near",
    "height": "height",
    "pupil_height": "pupil height",
    "material": "lens material",
    "front_curve": "front curve",
    "corridor_mm": "corridor of the design",
    "segment_centre_below_top_mm": "optical centre of the segment below its top",
    "cross_above_prism_point_mm": "fitting cross above the prism reference point",
    "pantoscopic_deg": "pantoscopic angle",
    "face_form_deg": "face form angle",
    "working_distance_mm": "working distance",
    "ordered_right": "ordered power, right",
    "ordered_left": "ordered power, left",
}


def path_words(path: str) -> str:
    """A path in plain words: "measurements.right.far_pd" is "PD, far, right"."""
    parts = path.split(".")
    if parts[-1] == "vertex_mm":
        return "vertex distance of the test" if parts[0] == "prescription" else "vertex distance as worn"
    words = _WORDS.get(parts[-1], parts[-1].replace("_mm", "").replace("_", " "))
    eye = next((p for p in parts if p in ("right", "left")), "")
    return f"{words}, {eye}" if eye else words


Rule = Callable[[Sums], "Working | None"]


def power_of(order: OrderedPower) -> Power:
    return Power(order.sphere, order.cylinder, order.axis if order.axis and order.cylinder else 180.0)


def n(value: float | None, places: int = 2) -> str:
    """A number as it stands in a step: rounded, with a true minus sign."""
    if value is None:
        return "?"
    text = f"{abs(value):.{places}f}"
    return MINUS + text if value < 0 and float(text) != 0.0 else text


def signed(value: float | None, places: int = 2) -> str:
    """With + or −, for a term of a sum."""
    return "?" if value is None else (n(value, places) if value < 0 else f"+{n(value, places)}")


def plus(value: float, places: int = 2) -> str:
    """`value` as a further term: "+ 0.10", "− 1.14"."""
    return f"{MINUS} {n(-value, places)}" if n(value, places).startswith(MINUS) else f"+ {n(abs(value), places)}"


def less(value: float, places: int = 2) -> str:
    """`- value` as a term: a negative number is put in brackets."""
    return f"{MINUS} ({n(value, places)})" if value < 0 else f"{MINUS} {n(value, places)}"


def d(value: float | None) -> str:
    """A power in a step, to 0.01 D with its sign."""
    return "?" if value is None else ("0.00" if abs(value) < 0.005 else signed(value))


def lens_text(order: OrderedPower | Power | None) -> str:
    """A power in the trade's notation, to 0.01 D."""
    if order is None:
        return "?"
    power = order if isinstance(order, Power) else power_of(order)
    sphere, cylinder = d(power.sphere), d(power.cylinder)
    if cylinder == "0.00":
        return f"{sphere} DS"
    return f"{sphere}/{cylinder}×{n(power.axis, 1).removesuffix('.0')}"


def order_text(order: OrderedPower) -> str:
    """Power, prism and addition on one line."""
    words = [lens_text(order)]
    if order.prism_in:
        words.append(f"{n(abs(order.prism_in))} Δ {'in' if order.prism_in > 0 else 'out'}")
    if order.prism_up:
        words.append(f"{n(abs(order.prism_up))} Δ {'up' if order.prism_up > 0 else 'down'}")
    if order.add is not None:
        words.append(f"add {d(order.add)}")
    return " ".join(words)


def known(value: float | None) -> float:
    """A value that the rule has already been found to need."""
    assert value is not None
    return value


__all__ = [
    "MINUS",
    "Input",
    "Rule",
    "Sums",
    "Working",
    "d",
    "known",
    "lens_text",
    "less",
    "n",
    "number",
    "order_text",
    "path_words",
    "plus",
    "power_of",
    "signed",
]
