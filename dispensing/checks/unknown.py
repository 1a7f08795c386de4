"""What is not yet known: one finding for each missing input, and only once its part of the work has begun."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from dispensing.case import EYES, MULTIFOCAL
from dispensing.checks.findings import Finder, Finding
from dispensing.checks.registry import check
from dispensing.checks.view import View
from dispensing.figures import near_only


@dataclass(frozen=True, slots=True)
class Input:
    """Something the checks need. `wanted`: the record has come so far that it is missing; `known`: it is there."""

    path: str
    label: str
    wanted: Callable[[View], bool]
    known: Callable[[View], bool]
    needed: bool = True  # a stop-check hangs on it, so nothing is signed without it


def _always(v: View) -> bool:
    return True


def _with_rx(v: View) -> bool:
    return v.rx is not None


def _with_frame(v: View) -> bool:
    return v.frame is not None


def _with_lens(v: View) -> bool:
    return v.design is not None


def _to_measure(v: View) -> bool:
    return v.rx is not None and v.frame is not None


def _frame_part(name: str, label: str) -> Input:
    return Input(f"frame.{name}", label, _with_frame, lambda v: getattr(v.frame, name) is not None)


def _sphere(eye: str) -> Input:
    return Input(
        f"prescription.{eye}.sphere",
        f"{eye} sphere",
        lambda v: v.rx is not None and not (getattr(v.rx, eye).balance),
        lambda v: getattr(v.rx, eye).sphere is not None,
    )


def _far(eye: str) -> Input:
    return Input(
        f"measurements.{eye}.far_pd",
        f"{eye} PD",
        lambda v: _to_measure(v) and not near_only(v.case.needs, v.case.lens),
        lambda v: getattr(v.case.measurements, eye).far_pd is not None,
    )


def _near(eye: str) -> Input:
    return Input(
        f"measurements.{eye}.near_pd",
        f"{eye} near PD, or the far PD to compute it from",
        lambda v: _to_measure(v) and near_only(v.case.needs, v.case.lens),
        lambda v: (
            getattr(v.case.measurements, eye).near_pd is not None or getattr(v.case.measurements, eye).far_pd is not None
        ),
    )


def _height(eye: str) -> Input:
    return Input(
        f"measurements.{eye}.height",
        f"{eye} fitting height",
        lambda v: _to_measure(v) and v.family in MULTIFOCAL,
        lambda v: getattr(v.case.measurements, eye).height is not None,
    )


def _strong(v: View) -> bool:
    return v.strongest >= v.limit["rx.vertex.needed_from"]


INPUTS: tuple[Input, ...] = (
    Input("prescription", "a prescription", _always, _with_rx),
    *(_sphere(eye) for eye in EYES),
    Input(
        "prescription.written_on",
        "the date of the prescription",
        lambda v: v.rx is not None and v.case.rules.prescription_valid_months is not None and v.rx.expires_on is None,
        lambda v: v.rx is not None and v.rx.written_on is not None,
    ),
    Input("person.age_years", "the client's age", _with_rx, lambda v: v.age is not None),
    Input("frame", "a frame", _with_rx, _with_frame),
    _frame_part("a", "boxed length a"),
    _frame_part("b", "boxed depth b"),
    _frame_part("dbl", "distance between lenses"),
    _frame_part("mount", "mount"),
    Input("lens.design", "a lens", _with_rx, _with_lens),
    Input("lens.material", "a lens material", _with_lens, lambda v: v.case.lens.material is not None),
    *(_far(eye) for eye in EYES),
    *(_near(eye) for eye in EYES),
    *(_height(eye) for eye in EYES),
    Input(
        "fit.confirmed",
        "whether the frame is in its final fit",
        lambda v: (
            v.frame is not None
            and any(
                v.case.measurements.of(eye).height is not None or v.case.measurements.of(eye).far_pd is not None
                for eye in EYES
            )
        ),
        lambda v: v.case.fit.confirmed,
    ),
    Input(
        "fit.vertex_mm",
        "vertex distance as worn",
        lambda v: v.frame is not None and _strong(v) and v.case.fit.confirmed,
        lambda v: v.case.fit.vertex_mm is not None,
        needed=False,
    ),
)


def _missing(v: View, found: Finder, needed: bool) -> Iterator[Finding]:
    for item in INPUTS:
        if item.needed is needed and item.wanted(v) and not item.known(v):
            yield found(
                f"Not yet known: {item.label}.",
                item.path,
                severity="unknown",
                missing=(item.path,),
                resolution=f"Enter {item.label}." if item.path != "fit.confirmed" else "Fit the frame and confirm.",
            )


@check(
    "unknown.needed",
    "stop",
    "Something is not yet known without which nothing can be ordered",
    family="order",
    source="what the other checks need",
    confidence="derived",
    needs=(
        "person.age_years",
        "prescription.right.sphere",
        "prescription.written_on",
        "fit.confirmed",
        "measurements.right.far_pd",
        "measurements.right.height",
        "lens.design",
    ),
)
def needed_inputs(v: View, found: Finder) -> Iterator[Finding]:
    """Why: nothing is passed by silence. A check that cannot be made says what is missing, once for each missing figure.
    Fires: frame and prescription are there, the right PD is not.
    Silent: all is there; no frame is chosen yet, so no PD is asked for.
    """
    yield from _missing(v, found, True)


@check(
    "unknown.useful",
    "confirm",
    "Something is not yet known that would make the order safer",
    family="order",
    source="what the other checks need",
    confidence="derived",
    needs=("fit.vertex_mm",),
)
def useful_inputs(v: View, found: Finder) -> Iterator[Finding]:
    """Why: with a strong prescription the vertex distance as worn decides the power at the eye; without it compensation cannot be judged.
    Fires: −8.00, fit confirmed, vertex distance as worn blank.
    Silent: −2.00.
    """
    yield from _missing(v, found, False)
