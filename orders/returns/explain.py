"""What could explain a complaint: every difference that can be computed, by its size against what people notice.

Pure. Held against each other: the prescription, the order, what was measured on receipt, what is measured on the face now, and the pair
before. Nothing is concluded: the list suggests where to look first, the dispenser decides. Frame of reference and units as in
`orders.document`. A difference for which something is not known is left out, never taken as nil.

What people notice is in `noticed`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from dispensing.case import EYES, SEGMENTED, Eye, Pair
from dispensing.optics.chromatic import blur_at_gaze
from dispensing.optics.errors import OpticsError
from dispensing.optics.magnification import difference_percent, lens_magnification
from dispensing.optics.notation import format_lens, format_mm, format_power
from dispensing.optics.power import Power
from dispensing.optics.prism import Prism, net, prism_at, prism_from_decentration
from dispensing.optics.thickness import base_curve
from dispensing.optics.tilt import effect_at_eye
from dispensing.optics.vertex import curve_in_index
from orders.receipt.verdict import OrderedLens, Readings, coupled, found_as_ordered, ordered_lens
from orders.returns.noticed import EXPLAINS, NOTICED

LEAST = 0.2  # of what is noticed: less is not worth a line
READING_DEPTH = 10.0  # mm below the distance centre; common practice 8 to 12
SIDE_GAZE = 20.0  # degrees
ROTATION_MM = 27.0  # back vertex to the eye's centre of rotation; 25 to 27 in textbooks
# D: an order this near to the prescription for near, and so far from that for the distance, was meant for near
MEANT_FOR_NEAR, NOT_FOR_FAR = 0.3, 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class WornNow:
    """Measured on the face today, with the new pair as it sits; None = not measured."""

    right_pd: float | None = None
    left_pd: float | None = None
    right_height: float | None = None  # pupil above the lower box tangent (multifocals: where the height was measured to)
    left_height: float | None = None
    vertex: float | None = None
    pantoscopic: float | None = None
    face_form: float | None = None

    def pd(self, eye: Eye) -> float | None:
        return self.right_pd if eye == "right" else self.left_pd

    def height(self, eye: Eye) -> float | None:
        return self.right_height if eye == "right" else self.left_height


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """The pair before: its powers, and how far from the eyes it sat."""

    right: Power
    left: Power
    vertex: float | None = None
    said: str = ""  # where this is known from
    lenses: Pair[OrderedLens] | None = None  # as they were ordered, where that is known
    read: Readings | None = None  # as they were measured, where they were

    def of(self, eye: Eye) -> Power:
        return self.right if eye == "right" else self.left

    def add(self, eye: Eye) -> float | None:
        if self.read is not None:
            return self.read.of(eye).add
        return self.lenses.of(eye).add if self.lenses else None

    def place(self, eye: Eye, name: str) -> float | None:
        """ "pd" or "height" as ordered, mm."""
        return getattr(self.lenses.of(eye), name) if self.lenses else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One difference: how large, what people notice, and the figures it comes from."""

    code: str
    kind: str  # key of NOTICED
    title: str
    size: float
    unit: str
    noticed: float
    source: str
    figures: str
    try_this: str
    explains: tuple[str, ...]
    fits: bool  # explains something that the client says

    @property
    def ratio(self) -> float:
        return self.size / self.noticed


def explain(
    document: Mapping[str, Any],
    *,
    readings: Readings | None = None,
    now: WornNow | None = None,
    before: Before | None = None,
    complaints: tuple[str, ...] = (),
) -> tuple[Candidate, ...]:
    """All candidates from `LEAST` of what is noticed upwards. First what is large enough to be noticed, of that first what could explain
    what the client says, then the largest against what is noticed."""
    found = _Comparison(document, readings or Readings(), now or WornNow(), before, frozenset(complaints))
    rows = [c for c in found.candidates() if c.ratio >= LEAST]
    return tuple(sorted(rows, key=lambda c: (c.ratio < 1.0, not c.fits, -c.ratio, c.code)))


def to_json(rows: tuple[Candidate, ...]) -> list[dict[str, Any]]:
    return [{**asdict(c), "size": round(c.size, 4), "explains": list(c.explains), "ratio": round(c.ratio, 3)} for c in rows]


class _Comparison:
    def __init__(
        self, document: Mapping[str, Any], readings: Readings, now: WornNow, before: Before | None, said: frozenset[str]
    ) -> None:
        self.document, self.readings, self.now, self.before, self.said = document, readings, now, before, said
        self.ordered: Pair[OrderedLens] = Pair(ordered_lens(document, "right"), ordered_lens(document, "left"))
        self.family: str = document["lens"]["design"]["family"]
        self.index = float(document["lens"]["material"]["index"])
        self.abbe = float(document["lens"]["material"]["abbe"])

    def candidates(self) -> Iterator[Candidate]:
        for part in (
            self._fit_prism,
            self._made,
            self._at_the_eye,
            self._change,
            self._addition,
            self._size,
            self._reading,
            self._places,
            self._colour,
        ):
            try:
                yield from part()
            except OpticsError:
                continue  # outside the range of a formula: nothing is said rather than something wrong

    def lens(self, eye: Eye) -> Power | None:
        """The lens as it was measured on receipt, else as ordered. An ordered cylinder that was not read is not nil."""
        return self.found(eye) or self.ordered.of(eye).power

    def found(self, eye: Eye) -> Power | None:
        return found_as_ordered(self.document, eye, self.readings.of(eye))

    def meant(self, eye: Eye) -> Power | None:
        """The prescribed power that this lens is to have: the near one, where a single-vision lens was ordered for near."""
        written = self.document["lenses"][eye]["prescribed"]
        if written["sphere"] is None or written["balance"]:
            return None
        far = Power(float(written["sphere"]), float(written["cylinder"] or 0), float(written["axis"] or 180))
        ordered = self.ordered.of(eye).power
        if self.family != "single_vision" or ordered is None:
            return far
        add, between, near = (_number(written[n]) for n in ("addition", "intermediate_addition", "near_sphere"))
        extras = [add, between, add and add / 2, None if near is None else near - far.sphere]
        nearer = [Power(far.sphere + x, far.cylinder, far.axis) for x in extras if x]
        best = min(nearer, key=ordered.distance_from, default=far)
        off = best.distance_from(ordered)
        if self.near(eye) or (off < MEANT_FOR_NEAR and far.distance_from(ordered) > NOT_FOR_FAR):
            return best
        return far

    def near(self, eye: Eye) -> bool:
        return bool(self.document["lenses"][eye]["centration"]["centred_for"] == "near")

    def old(self, eye: Eye, lens: Power) -> Power | None:
        """The lens before, as it served: the pair for near may be held against one that was for the distance."""
        if self.before is None:
            return None
        old, meant, written = self.before.of(eye), self.meant(eye), self.document["lenses"][eye]["prescribed"]
        if meant is None or written["sphere"] is None:
            return old
        raised = Power(old.sphere + meant.sphere - float(written["sphere"]), old.cylinder, old.axis)
        return min(old, raised, key=lens.distance_from)

    def lenses(self) -> Pair[Power] | None:
        right, left = self.lens("right"), self.lens("left")
        return None if right is None or left is None else Pair(right, left)

    def _candidate(self, code: str, kind: str, title: str, size: float, figures: str, try_this: str) -> Candidate:
        n = NOTICED[kind]
        return Candidate(
            code=code, kind=kind, title=title, size=abs(size), unit=n.unit, noticed=n.value, source=n.source, figures=figures,
            try_this=try_this, explains=EXPLAINS[kind], fits=bool(self.said & set(EXPLAINS[kind])),
        )  # fmt: skip

    # --- where the eyes are now ---------------------------------------------------------------------------------------------

    def _moved(self, eye: Eye) -> tuple[float | None, float | None]:
        """Where the ordered point lies from the eye of today: (nasal, up), mm."""
        want, pd, height = self.ordered.of(eye), self.now.pd(eye), self.now.height(eye)
        # measured looking far: a lens that is centred for near was centred by the near PD of that eye
        was = _number(self.document["lenses"][eye]["centration"]["far_pd"]) if self.near(eye) else want.pd
        x = pd - was if pd is not None and was is not None else None
        y = want.height - height if height is not None and want.height is not None else None
        return x, y

    def _fit_prism(self) -> Iterator[Candidate]:
        lenses = self.lenses()
        if lenses is None or self.family in SEGMENTED:
            return  # a segment's height says nothing of the distance centre
        (rx, ry), (lx, ly) = self._moved("right"), self._moved("left")
        known_x, known_y = rx is not None and lx is not None, ry is not None and ly is not None
        if coupled(lenses.right) or coupled(lenses.left):  # each way needs both: what was not measured is not taken as nil
            known_x = known_y = known_x and known_y
        if not known_x and not known_y:
            return
        got = net(
            prism_from_decentration(lenses.right, rx or 0.0, ry or 0.0, "right"),
            prism_from_decentration(lenses.left, lx or 0.0, ly or 0.0, "left"),
        )
        moved = f"right {_way(rx, ry)}, left {_way(lx, ly)}"
        if known_y:
            yield self._candidate(
                "fit_prism_v", "prism_v", "Vertical prism from how the frame sits now", got.vertical,
                f"The centres now lie {moved} of the eyes: {abs(got.vertical):.2f} Δ between the eyes.",
                "Level the front, bring it back to the height it was measured at, look again before anything is made.",
            )  # fmt: skip
        if known_x:
            yield self._candidate(
                "fit_prism_h", "prism_h", "Horizontal prism from where the centres are", got.horizontal,
                f"The centres now lie {moved} of the eyes: {abs(got.horizontal):.2f} Δ base {'in' if got.horizontal > 0 else 'out'}.",
                "Measure the PDs again, each eye on its own.",
            )  # fmt: skip

    # --- how it was made ----------------------------------------------------------------------------------------------------

    def _made(self) -> Iterator[Candidate]:
        for eye in EYES:
            want = self.ordered.of(eye).power
            got = self.found(eye)
            if got is not None and want is not None:
                yield self._candidate(
                    f"made_{eye}", "power", f"{eye.capitalize()} lens: made against ordered", got.distance_from(want),
                    f"Ordered {format_lens(want)}, found {format_lens(got)}.", "Measure the lens again; compare with the receipt check.",
                )  # fmt: skip
        r, left = self.readings.right, self.readings.left
        if None not in (r.prism_in, r.prism_up, left.prism_in, left.prism_up):
            found = net(Prism(r.prism_in or 0.0, r.prism_up or 0.0), Prism(left.prism_in or 0.0, left.prism_up or 0.0))
            asked = net(self.ordered.right.prism, self.ordered.left.prism)
            for axis, off in (("v", found.vertical - asked.vertical), ("h", found.horizontal - asked.horizontal)):
                yield self._candidate(
                    f"made_prism_{axis}", f"prism_{axis}",
                    f"{'Vertical' if axis == 'v' else 'Horizontal'} prism: made against ordered", off,
                    f"On receipt the pair differed by {abs(off):.2f} Δ from the order.", "Measure the pair again at its reference points.",
                )  # fmt: skip

    def _at_the_eye(self) -> Iterator[Candidate]:
        """What reaches the eye at today's distance and tilt, held against the prescription at its test distance."""
        tested = _number(self.document["prescription"]["vertex_distance"])
        worn = self.document["as_worn"]
        vertex = self.now.vertex if self.now.vertex is not None else _number(worn["vertex_distance"])
        panto = self.now.pantoscopic if self.now.pantoscopic is not None else _number(worn["pantoscopic"])
        face = self.now.face_form if self.now.face_form is not None else _number(worn["face_form"])
        if tested is None:
            yield from self._moved_since_ordered(vertex, panto, face)
            return
        if vertex is None:
            return
        for eye in EYES:
            lens, want = self.lens(eye), self.meant(eye)
            if lens is None or want is None:
                continue
            for_near = want.sphere != float(self.document["lenses"][eye]["prescribed"]["sphere"])
            got = effect_at_eye(
                lens, pantoscopic=panto or 0.0, face_form=face or 0.0, index=self.index, eye=eye,
                fitted_vertex_mm=vertex, tested_vertex_mm=tested,
            )  # fmt: skip
            tilt = "a tilt not known" if panto is None else f"{panto:g}° tilt"
            wrap = "a wrap not known" if face is None else f"{face:g}° wrap"
            yield self._candidate(
                f"at_eye_{eye}", "power", f"{eye.capitalize()} eye: what reaches it against the prescription",
                got.distance_from(want),
                f"{format_lens(lens)} at {vertex:g} mm, {tilt} and {wrap} acts as {format_lens(_as_written(got, lens))}; "
                f"prescribed {format_lens(want)} at {tested:g} mm{' for near' if for_near else ''}."
                + (" Centres lowered for the tilt make it less." if panto else ""),
                "Set distance and tilt as they were measured; if they cannot be, order for how it is worn.",
            )  # fmt: skip

    def _moved_since_ordered(self, vertex: float | None, panto: float | None, face: float | None) -> Iterator[Candidate]:
        """Where the distance of the test is not known: what today's distance and tilt change against those it was ordered for."""
        worn = self.document["as_worn"]
        meant = _number(worn["vertex_distance"])
        if meant is None or vertex is None:
            return
        was = (_number(worn["pantoscopic"]), _number(worn["face_form"]))
        was = (was[0] if was[0] is not None else panto, was[1] if was[1] is not None else face)
        for eye in EYES:
            lens = self.lens(eye)
            if lens is None:
                continue
            then, now = (
                effect_at_eye(
                    lens, pantoscopic=p or 0.0, face_form=f or 0.0, index=self.index, eye=eye, fitted_vertex_mm=v, tested_vertex_mm=meant
                )
                for v, p, f in ((meant, *was), (vertex, panto, face))
            )  # fmt: skip
            yield self._candidate(
                f"moved_{eye}", "power", f"{eye.capitalize()} eye: what another distance and tilt change", now.distance_from(then),
                f"Ordered to act at {meant:g} mm as {format_lens(then)}; at {vertex:g} mm and today’s tilt it acts as {format_lens(now)}. "
                "At which distance the test was done is not known.",
                "Set distance and tilt as they were measured; if they cannot be, order for how it is worn.",
            )  # fmt: skip

    # --- against the pair before --------------------------------------------------------------------------------------------

    def _change(self) -> Iterator[Candidate]:
        if self.before is None:
            return
        for eye in EYES:
            lens = self.lens(eye)
            old = self.old(eye, lens) if lens is not None else None
            if lens is not None and old is not None:
                yield self._candidate(
                    f"change_{eye}", "change", f"{eye.capitalize()} eye: change from the pair before", lens.distance_from(old),
                    f"Before {format_lens(old)}, now {format_lens(lens)}.",
                    "Compare with the old pair on; if the new power is the trouble, ask the prescriber.",
                )  # fmt: skip

    def _addition(self) -> Iterator[Candidate]:
        for eye in EYES:
            want, got = self.ordered.of(eye).add, self.readings.of(eye).add
            if want is not None and got is not None:
                yield self._candidate(
                    f"made_add_{eye}", "add", f"{eye.capitalize()} addition: made against ordered", got - want,
                    f"Ordered {format_power(want)}, found {format_power(got)}.", "Measure the addition again, front against the stop.",
                )  # fmt: skip
            now, old = got if got is not None else want, self.before.add(eye) if self.before else None
            if now is not None and old is not None:
                yield self._candidate(
                    f"change_add_{eye}", "add_change", f"{eye.capitalize()} addition: change from the pair before", now - old,
                    f"Before {format_power(old)}, now {format_power(now)}.",
                    "Ask at which distance they read and work; if it is another one, ask the prescriber.",
                )  # fmt: skip

    def _magnified(self, power: Power, vertex: float, front: float | None, centre: float | None) -> float:
        curve = front if front is not None else base_curve(power.sphere, power.cylinder)
        thick = centre if centre is not None else 2.0 + max(0.0, 0.6 * power.mean_sphere)
        found = lens_magnification(
            power, front=curve_in_index(curve, self.index), thickness_mm=thick, index=self.index, vertex_mm=vertex
        )
        return 1.0 + found.mean_percent / 100.0

    def _size(self) -> Iterator[Candidate]:
        lenses = self.lenses()
        vertex = self.now.vertex if self.now.vertex is not None else _number(self.document["as_worn"]["vertex_distance"])
        if lenses is None or vertex is None:
            return
        seen = {}
        for eye in EYES:
            lens = self.document["lenses"][eye]
            front = _number(lens["front_curve_wish"] or (lens.get("front_curve") or {}).get("curve"))
            seen[eye] = self._magnified(lenses.of(eye), vertex, front, self.readings.of(eye).centre_thickness)
        between = difference_percent(seen["right"], seen["left"])
        old = (
            {
                eye: self._magnified(self.old(eye, lenses.of(eye)) or b.of(eye), b.vertex or vertex, None, None)
                for eye in EYES
            }
            if (b := self.before)
            else {}
        )
        borne = f" The pair before: {abs(difference_percent(old['right'], old['left'])):.1f} %." if old else ""
        yield self._candidate(
            "size_between", "size_between", "Unequal size between the eyes", between,
            f"Right {_percent(seen['right'])}, left {_percent(seen['left'])} at {vertex:g} mm, usual curves and "
            f"thickness where none are known.{borne}",
            "Equal curves and thickness, a shorter distance from the eyes; contact lenses where it stays.",
        )  # fmt: skip
        for eye, was in old.items():
            yield self._candidate(
                f"size_change_{eye}", "size_change", f"{eye.capitalize()} eye: change of size from the pair before",
                difference_percent(seen[eye], was), f"{_percent(was)} before, {_percent(seen[eye])} now.",
                "Explain and give it two weeks; set the distance from the eyes as it was before.",
            )  # fmt: skip

    # --- multifocals, reading, colour ---------------------------------------------------------------------------------------

    def _reading(self) -> Iterator[Candidate]:
        lenses = self.lenses()
        if lenses is None or self.document["lens"]["slab_off"]:
            return
        below = net(*(prism_at(lenses.of(eye), 0.0, -READING_DEPTH, eye) for eye in EYES))
        borne = ""
        if self.before is not None:
            old = net(*(prism_at(self.before.of(eye), 0.0, -READING_DEPTH, eye) for eye in EYES))
            borne = f" The pair before: {abs(old.vertical):.2f} Δ."
        yield self._candidate(
            "reading_prism", "prism_v", "Vertical prism where one reads", below.vertical,
            f"{READING_DEPTH:g} mm below the centres the lenses differ by {abs(below.vertical):.2f} Δ: more than nil wherever the vertical "
            f"powers differ.{borne}",
            "Centres lowered to where they read."
            if self.near("right") and self.near("left")
            else "A pair for near alone with its centres lowered, or slab-off.",
        )  # fmt: skip

    def _places(self) -> Iterator[Candidate]:
        if self.family not in ("progressive", *SEGMENTED):
            return
        corridor = _number(self.document["lens"]["design"]["corridor"])
        for eye in EYES:
            x, y = self._moved(eye)
            name = eye.capitalize()
            if self.family in SEGMENTED:
                if y is not None:
                    yield self._candidate(
                        f"segment_{eye}", "segment_shift", f"{name} segment not where it was meant", y,
                        f"It stands {format_mm(abs(y))} mm {'above' if y > 0 else 'below'} where it was measured.", "Adjust the height, or measure anew.",
                    )  # fmt: skip
                continue
            if y is not None and corridor is not None:
                drop = corridor - y
                turn = math.degrees(math.atan2(drop, ROTATION_MM))
                yield self._candidate(
                    f"drop_{eye}", "reading_drop", f"{name} eye: how far down near is", max(0.0, drop),
                    f"Corridor {corridor:g} mm, cross {format_mm(abs(y))} mm {'above' if y > 0 else 'below'} the pupil: near begins {format_mm(drop)} mm "
                    f"down, {turn:.0f}° of lowering.",
                    "Raise the frame; a shorter corridor if it is made again.",
                )  # fmt: skip
            if y is not None and y > 0:
                yield self._candidate(
                    f"cross_high_{eye}", "cross_high", f"{name} cross above the pupil", y,
                    f"{format_mm(y)} mm: far is looked at through the beginning of the addition.", "Lower the frame, open the pads.",
                )  # fmt: skip
            if x is not None:
                yield self._candidate(
                    f"cross_aside_{eye}", "cross_aside", f"{name} corridor beside the line of sight", x,
                    f"The cross lies {format_mm(abs(x))} mm {'towards the nose' if x > 0 else 'towards the temple'} of the eye.",
                    "Measure the PDs again; if they hold, the lens has to be made again.",
                )  # fmt: skip

    def _colour(self) -> Iterator[Candidate]:
        for eye in EYES:
            lens = self.lens(eye)
            if lens is not None:
                yield self._candidate(
                    f"chromatic_{eye}", "chromatic", f"{eye.capitalize()} lens: coloured edges to the side",
                    blur_at_gaze(lens, SIDE_GAZE, eye, self.abbe),
                    f"{SIDE_GAZE:g}° aside, Abbe number {self.abbe:g}.", "A material with a higher Abbe number, lenses closer to the eyes.",
                )  # fmt: skip


def _as_written(power: Power, like: Power) -> Power:
    """In the cylinder form of another, so that the two can be compared by eye."""
    return power.in_form("plus") if like.cylinder > 0 else power


def _number(text: str | None) -> float | None:
    return None if text is None else float(text)


def _percent(magnification: float) -> str:
    return f"{100 * (magnification - 1):+.1f} %".replace("-", "−")


def _way(x: float | None, y: float | None) -> str:
    parts = []
    if x is not None:
        parts.append(f"{format_mm(abs(x))} mm" + (" in" if x > 0.05 else " out" if x < -0.05 else " aside"))
    if y is not None:
        parts.append(f"{format_mm(abs(y))} mm {'up' if y > 0 else 'down'}")
    return " and ".join(parts) or "not known"
