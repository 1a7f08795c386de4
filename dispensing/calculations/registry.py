"""What a calculation of the Bench is: named, with inputs and units as JSON Schema, the formula, the source, the cautions.

One registry serves the page, the API and the command, so that the three cannot disagree. Adding a calculation is adding one function with
`@calculation(...)` in a module of this folder. Inputs are checked against the schema before the function sees them; what the optics refuse
besides is put at the input they name.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

from jsonschema import Draft202012Validator

from dispensing.calculations.written import exact_lens, fixed, number, signed
from dispensing.calculations.written import put as put
from dispensing.drawings.shapes import Picture
from dispensing.optics.errors import OpticsError
from dispensing.optics.notation import format_axis, format_degrees, format_lens, format_mm, format_power
from dispensing.optics.power import Power

Kind = Literal["power", "cylinder", "axis", "mm", "degrees", "prism", "figure", "choice", "readings", "text"]

GROUPS: dict[str, tuple[str, str]] = {
    "powers": ("Powers", "Either form, sums at any axes, a meridian, rounding, notation."),
    "prism": ("Prism", "From decentration and back, composed and resolved."),
    "fit": ("Vertex distance and tilt", "What a lens gives as worn, and what to order for it."),
    "boxing": ("Boxing and blank", "Decentration and the least uncut diameter."),
    "heights": ("Heights", "One height in every reference; parallax."),
    "near": ("Near", "Inset and near PD."),
    "thickness": ("Thickness", "Centre, edge and mass."),
    "seeing": ("Seeing through it", "Magnification, jump, imbalance, colour, field."),
    "repeats": ("Repeated readings", "How well readings agree."),
    "need": ("Consequence and need", "What an error does, and how exact is exact enough."),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One input. `low` and `high` are allowed values themselves; `default` None means that it has to be given."""

    name: str
    label: str
    kind: Kind
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    default: float | str | None = None
    optional: bool = False  # may be left out without a default
    choices: tuple[tuple[str, str], ...] = ()
    rows: bool = False  # readings: several rows (one a subject) instead of one
    help: str = ""

    @property
    def needed(self) -> bool:
        return self.default is None and not self.optional

    def schema(self) -> dict[str, Any]:
        said: dict[str, Any] = {"title": self.label}
        if self.unit:
            said["x-unit"] = self.unit
        if self.help:
            said["description"] = self.help
        if self.default is not None:
            said["default"] = self.default
        if self.kind == "choice":
            return {**said, "enum": [value for value, _ in self.choices]}
        if self.kind == "text":
            return {**said, "type": "string", "maxLength": 120}
        number: dict[str, Any] = {"type": "number"}
        if self.low > -math.inf:
            number["minimum"] = self.low
        if self.high < math.inf:
            number["maximum"] = self.high
        if self.kind != "readings":
            return {**said, **number}
        row = {"type": "array", "items": number, "minItems": 2, "maxItems": 1000}
        if self.rows:
            return {**said, "type": "array", "items": {**row, "minItems": 1}, "minItems": 1, "maxItems": 1000}
        return {**said, **row}


@dataclass(frozen=True, slots=True)
class Value:
    """One figure of an answer. `text` is how the trade writes it, with its unit where one is usual."""

    name: str
    label: str
    value: float | str | bool | None
    unit: str = ""
    text: str = ""
    detail: bool = False  # part of a figure already shown whole: for those who read data, not for the page

    @property
    def shown(self) -> str:
        if self.text:
            return self.text
        if isinstance(self.value, bool):
            return "yes" if self.value else "no"
        if isinstance(self.value, float | int):
            return f"{number(self.value)} {self.unit}".strip()
        return "–" if self.value is None else str(self.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    values: tuple[Value, ...]
    working: tuple[str, ...] = ()  # the formula with the numbers put in, step by step
    remarks: tuple[str, ...] = ()  # what these very figures give cause to say
    picture: Picture | None = None


Inputs = Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class Calculation:
    name: str
    group: str
    title: str
    summary: str
    inputs: tuple[Input, ...]
    formula: str
    source: str
    cautions: tuple[str, ...]
    example: Mapping[str, Any]
    run: Callable[[Inputs], Answer] = field(repr=False)

    @cached_property
    def schema(self) -> dict[str, Any]:
        """The inputs as JSON Schema (2020-12). Units are in `x-unit`."""
        return {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "title": self.title,
            "description": self.summary,
            "type": "object",
            "properties": {i.name: i.schema() for i in self.inputs},
            "required": [i.name for i in self.inputs if i.needed],
            "additionalProperties": False,
            "examples": [dict(self.example)],
        }

    @cached_property
    def _validator(self) -> Draft202012Validator:
        return Draft202012Validator(self.schema)

    def input(self, name: str) -> Input:
        return next(i for i in self.inputs if i.name == name)

    def problems(self, given: object) -> dict[str, str]:
        """Path of an input (dotted; "" is the whole) -> one plain sentence. Empty when all is well."""
        if not isinstance(given, Mapping):
            return {"": "The inputs must be an object of named values."}
        known = {i.name for i in self.inputs}
        found = {str(name)[:80]: "There is no such input." for name in given if name not in known}
        found |= {i.name: "This is needed." for i in self.inputs if i.needed and given.get(i.name) is None}
        there = {name: value for name, value in given.items() if name in known and value is not None}
        # NaN passes every comparison, so the schema cannot see it
        found |= {name: "Must be a finite number." for name, value in there.items() if not _finite(value)}
        for problem in self._validator.iter_errors(there):
            if problem.absolute_path:
                path = ".".join(str(p) for p in problem.absolute_path)
                found.setdefault(path, self._sentence(str(problem.absolute_path[0]), problem.validator))
        return found

    def _sentence(self, name: str, validator: object) -> str:
        said = self.input(name)
        if validator in ("minimum", "maximum"):
            return f"From {number(said.low)} to {number(said.high)}{' ' + said.unit if said.unit else ''}."
        if validator == "enum":
            return "One of " + ", ".join(value for value, _ in said.choices) + "."
        if validator in ("minItems", "maxItems"):
            return "At least two readings, at most 1000."
        if validator == "maxLength":
            return "Too long: no more than 120 characters."
        return {"readings": "Must be a list of numbers.", "text": "Must be text."}.get(said.kind, "Must be a number.")

    def answer(self, given: object) -> tuple[dict[str, Any], Answer]:
        """The inputs as understood (defaults filled in) and the answer. BadInputs says what is wrong with which input."""
        if found := self.problems(given):
            raise BadInputs(found)
        assert isinstance(given, Mapping)
        inputs = {i.name: given[i.name] if given.get(i.name) is not None else i.default for i in self.inputs}
        try:
            answer = self.run(inputs)
        except OpticsError as problem:
            raise BadInputs({self._at(problem.argument): problem.message}) from problem
        return inputs, answer

    def _at(self, argument: str) -> str:
        head = argument.partition("[")[0]
        return head if any(i.name == head for i in self.inputs) else ""

    def describe(self) -> dict[str, Any]:
        """For the API and the command."""
        return {
            "name": self.name,
            "group": self.group,
            "title": self.title,
            "summary": self.summary,
            "formula": self.formula,
            "source": self.source,
            "cautions": list(self.cautions),
            "inputs": self.schema,
        }


def _finite(value: object) -> bool:
    if isinstance(value, float):
        return math.isfinite(value)
    return all(map(_finite, value)) if isinstance(value, list | tuple) else True


class BadInputs(ValueError):
    """`errors`: path of an input -> sentence; "" is for the calculation as a whole."""

    def __init__(self, errors: Mapping[str, str]) -> None:
        super().__init__("; ".join(f"{k}: {v}" if k else v for k, v in errors.items()))
        self.errors = dict(errors)


_ALL: dict[str, Calculation] = {}


def calculation(
    name: str,
    *,
    group: str,
    title: str,
    inputs: Sequence[Input],
    formula: str,
    source: str,
    example: Mapping[str, Any],
    cautions: Sequence[str] = (),
) -> Callable[[Callable[[Inputs], Answer]], Callable[[Inputs], Answer]]:
    """Registers a function; its docstring is the summary. A second calculation of the same name is refused at start-up."""

    def register(run: Callable[[Inputs], Answer]) -> Callable[[Inputs], Answer]:
        if name in _ALL:
            raise ValueError(f"calculation {name} is there twice")
        if group not in GROUPS:
            raise ValueError(f"calculation {name} is in no known group")
        _ALL[name] = Calculation(
            name=name,
            group=group,
            title=title,
            summary=" ".join((run.__doc__ or "").split()),
            inputs=tuple(inputs),
            formula=formula,
            source=source,
            cautions=tuple(cautions),
            example=example,
            run=run,
        )
        return run

    return register


def all_calculations() -> tuple[Calculation, ...]:
    """In the order of the groups, and within a group as they are written."""
    order = list(GROUPS)
    return tuple(sorted(_ALL.values(), key=lambda c: order.index(c.group)))


def find(name: str) -> Calculation | None:
    return _ALL.get(name)


def result(found: Calculation, given: object) -> dict[str, Any]:
    """One calculation as plain JSON values: what the API and the command give back. BadInputs as `Calculation.answer`."""
    inputs, answer = found.answer(given)
    return {
        "name": found.name,
        "inputs": inputs,
        "values": {v.name: {"label": v.label, "value": v.value, "unit": v.unit, "text": v.shown} for v in answer.values},
        "working": list(answer.working),
        "remarks": list(answer.remarks),
        "formula": found.formula,
        "source": found.source,
        "cautions": list(found.cautions),
    }


def _plain(value: float | str | bool | None) -> float | str | bool | None:
    """Takes the 2e-16 that binary fractions leave for the zero it stands for."""
    return 0.0 if isinstance(value, float) and abs(value) < 1e-12 else value


# ── what many calculations share ───────────────────────────────────────────


def power_values(power: Power, prefix: str = "", label: str = "", *, of_the_scale: bool = False) -> tuple[Value, ...]:
    """A power as four values: the whole lens as written, and its three figures. `of_the_scale`: one that can be ordered, its eighths
    written as the trade does (1.12); else a computed one, rounded (1.13 for 1.125)."""
    title = f"{label}, " if label else ""
    written: Callable[[float], str] = format_power if of_the_scale else signed
    lens = format_lens(power) if of_the_scale else exact_lens(power)
    return (
        Value(f"{prefix}lens", (label or "Lens").capitalize(), lens),
        Value(
            f"{prefix}sphere", f"{title}sphere".capitalize(), power.sphere, "D", f"{written(power.sphere)} D", detail=True
        ),
        Value(
            f"{prefix}cylinder",
            f"{title}cylinder".capitalize(),
            power.cylinder,
            "D",
            f"{written(power.cylinder)} D",
            detail=True,
        ),
        Value(
            f"{prefix}axis",
            f"{title}axis".capitalize(),
            power.axis,
            "°",
            format_axis(power.axis) if abs(power.cylinder) >= 0.005 else "none",
            detail=True,
        ),
    )


def mm_value(name: str, label: str, value: float) -> Value:
    return Value(name, label, value, "mm", f"{format_mm(value)} mm")


def degrees_value(name: str, label: str, value: float) -> Value:
    return Value(name, label, value, "°", f"{format_degrees(value)}°")


def prism_value(name: str, label: str, value: float, positive: str = "", negative: str = "") -> Value:
    """A prism in Δ; with words for the base, the sign becomes the base."""
    base = f" {positive if value > 0 else negative}" if positive and abs(value) >= 0.005 else ""
    return Value(name, label, value, "Δ", f"{fixed(abs(value) if positive else value)} Δ{base}")


def dioptres_value(name: str, label: str, value: float) -> Value:
    return Value(name, label, value, "D", f"{signed(value)} D")


def size_value(name: str, label: str, value: float, unit: str = "D", *, either_way: bool = False) -> Value:
    """A size that has no sign: blur strength, or a tolerance (then printed with ±)."""
    return Value(name, label, value, unit, f"{'± ' if either_way else ''}{fixed(value)} {unit}".strip())


def lens_inputs(prefix: str = "", label: str = "") -> tuple[Input, ...]:
    """Sphere, cylinder and axis. The cylinder may be left out; with one, the axis is needed."""
    title = f"{label}, " if label else ""
    return (
        Input(
            name=f"{prefix}sphere", label=f"{title}sphere" if title else "Sphere", kind="power", unit="D", low=-40, high=40
        ),
        Input(
            name=f"{prefix}cylinder",
            label=f"{title}cylinder" if title else "Cylinder",
            kind="cylinder",
            unit="D",
            low=-20,
            high=20,
            default=0.0,
        ),
        Input(
            name=f"{prefix}axis",
            label=f"{title}axis" if title else "Axis",
            kind="axis",
            unit="°",
            low=0,
            high=180,
            optional=True,
        ),
    )


def power_of(v: Inputs, prefix: str = "") -> Power:
    cylinder, axis = v[f"{prefix}cylinder"], v[f"{prefix}axis"]
    if cylinder and axis is None:
        raise OpticsError(f"{prefix}axis", "A cylinder needs an axis.")
    return Power(v[f"{prefix}sphere"], cylinder, axis if cylinder else 180.0)


EYE_INPUT = Input(name="eye", label="Eye", kind="choice", default="right", choices=(("right", "right"), ("left", "left")))
INDEX_INPUT = Input(name="index", label="Refractive index", kind="figure", low=1.4, high=2.0, default=1.5)
STANDARD_INPUT = Input(
    name="standard",
    label="Standard",
    kind="choice",
    default="ISO 21987:2017",
    choices=(("ISO 21987:2017", "ISO 21987:2017"), ("ANSI Z80.1", "ANSI Z80.1")),
)


def mm_input(name: str, label: str, low: float, high: float, default: float | None = None, **more: Any) -> Input:
    return Input(name=name, label=label, kind="mm", unit="mm", low=low, high=high, default=default, **more)


def degrees_input(name: str, label: str, low: float, high: float, default: float | None = None, **more: Any) -> Input:
    return Input(name=name, label=label, kind="degrees", unit="°", low=low, high=high, default=default, **more)
