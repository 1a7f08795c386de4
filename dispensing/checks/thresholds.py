"""Every limit a check holds a figure against, as data: value, unit, source, edition, confidence.

`least` and `most` are the bounds within which a group may change it. A limit without bounds cannot be changed: it comes from a
standard, from law or from plain geometry. Values from memory are marked so and want checking against the printed source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any


@dataclass(frozen=True, slots=True)
class Threshold:
    name: str
    value: float
    unit: str
    meaning: str
    source: str
    confidence: str
    least: float | None = None
    most: float | None = None

    @property
    def changeable(self) -> bool:
        return self.least is not None


CP = "common practice"
_ANSUR = "ANSUR II 2012, 6,068 adults (51.0-77.0 mm); Dodgson 2004, Proc. SPIE 5291:36-46"
_CHILD = "MacLachlan & Howland 2002, Ophthal. Physiol. Opt. 22:175-182; Pacific University 1993"
_TEACHING = "dispensing teaching"
_MAKERS = "generic makers' minima for power-variation lenses"
_12870 = "ISO 12870 marking; usual catalogue sizes"
_REFRACTION = "usual change between two refractions, dispensing and refraction teaching"

_ALL = (
    # prescription
    Threshold("rx.sphere.usual_least", -12.0, "D", "strongest usual minus sphere", _TEACHING, CP, -20, -6),
    Threshold("rx.sphere.usual_most", 8.0, "D", "strongest usual plus sphere", _TEACHING, CP, 5, 15),
    Threshold("rx.sphere.possible", 30.0, "D", "greatest sphere, either sign", _TEACHING, CP, 25, 40),
    Threshold("rx.cylinder.usual", 4.0, "D", "greatest usual cylinder", _TEACHING, CP, 3, 6),
    Threshold("rx.cylinder.possible", 12.0, "D", "greatest cylinder", _TEACHING, CP, 10, 20),
    Threshold("rx.add.usual_least", 0.5, "D", "least usual addition", _TEACHING, CP, 0.25, 1),
    Threshold("rx.add.usual_most", 3.5, "D", "greatest usual addition", _TEACHING, CP, 3, 4.5),
    Threshold("rx.add.possible", 20.0, "D", "greatest addition, low vision", _TEACHING, CP, 12, 40),
    Threshold("rx.add.reason_below_age", 38.0, "years", "an addition below this age has a reason", "Millodot 7th ed.; age bands derived from it", "derived", 35, 42),
    Threshold("rx.prism.eye", 6.0, "Δ", "prism in one lens that makes it thick", _TEACHING, CP, 4, 12),
    Threshold("rx.prism.total", 10.0, "Δ", "prism of the pair that asks for a second look", _TEACHING, CP, 6, 20),
    Threshold("rx.prism.one_eye", 2.5, "Δ", "prism beyond this is mostly split between the eyes", _TEACHING, CP, 1, 6),
    Threshold("rx.vertex.needed_from", 5.0, "D", "principal power from which the vertex distance must be stated", "BS 2738-3:2004; ABDO Opticians' Advice 24", "published"),
    Threshold("vertex.usual_least", 8.0, "mm", "least usual vertex distance", _TEACHING, CP, 6, 10),
    Threshold("vertex.usual_most", 18.0, "mm", "greatest usual vertex distance", _TEACHING, CP, 15, 22),
    Threshold("vertex.possible_least", 4.0, "mm", "least vertex distance there can be", _TEACHING, CP, 3, 6),
    Threshold("vertex.possible_most", 25.0, "mm", "greatest vertex distance there can be", _TEACHING, CP, 20, 30),
    Threshold("rx.change.adult", 0.45, "D", "change of an eye's power since the last pair that needs no reading back, adult", _REFRACTION, CP, 0.3, 1.5),
    Threshold("rx.change.child_a_year", 1.0, "D", "the same for a child, for each year", _REFRACTION, CP, 0.5, 1.5),
    Threshold("rx.change.uneven", 0.5, "D", "change of one eye against the other that needs no reading back", _REFRACTION, CP, 0.3, 1.5),
    Threshold("rx.change.axis_blur", 0.25, "D", "blur of an axis change that needs no reading back", "power vectors, Thibos 1997; value derived from ISO 21987:2017 axis tolerances", "derived", 0.15, 0.75),
    Threshold("rx.change.stranger", 1.0, "D", "change of both eyes that looks like somebody else; half of it with another PD or addition", _REFRACTION, CP, 0.75, 2),
    Threshold("rx.change.read_back", 0.26, "D", "change since the last pair from which a typed prescription is read back", "more than one quarter-dioptre step; chosen on the slip benchmark", "derived", 0.12, 0.75),
    Threshold("rx.change.add", 0.5, "D", "growth of the addition that needs no reading back", _REFRACTION, CP, 0.25, 1),
    Threshold("rx.mirror.size", 1.5, "D", "equal powers of opposite sign from here look like a sign slip", _TEACHING, CP, 1, 4),
    Threshold("rx.earlier.years", 6.0, "years", "an earlier prescription older than this proves little", _TEACHING, CP, 3, 15),
    # frame
    Threshold("frame.a.least", 40.0, "mm", "least usual boxed length, adult", _12870, CP, 36, 44),
    Threshold("frame.a.most", 62.0, "mm", "greatest usual boxed length, adult", _12870, CP, 58, 70),
    Threshold("frame.a.child_least", 34.0, "mm", "least usual boxed length, child", _12870, CP, 28, 38),
    Threshold("frame.a.child_most", 50.0, "mm", "greatest usual boxed length, child", _12870, CP, 46, 54),
    Threshold("frame.b.least", 20.0, "mm", "least usual boxed depth", _12870, CP, 16, 26),
    Threshold("frame.b.most", 56.0, "mm", "greatest usual boxed depth", _12870, CP, 50, 65),
    Threshold("frame.dbl.least", 10.0, "mm", "least usual distance between lenses", _12870, CP, 6, 14),
    Threshold("frame.dbl.most", 26.0, "mm", "greatest usual distance between lenses", _12870, CP, 22, 32),
    Threshold("frame.side.least", 95.0, "mm", "least usual length of side", _12870, CP, 80, 125),
    Threshold("frame.side.most", 160.0, "mm", "greatest usual length of side", _12870, CP, 150, 175),
    Threshold("frame.outline.box", 1.0, "mm", "outline against stated box", "ISO 12870 boxed size ±0.5 mm, and as much for the trace", "derived", 0.5, 2),
    Threshold("frame.curve_match", 2.0, "D", "lens front curve against frame curve", _TEACHING, CP, 1, 4),
    Threshold("frame.child_age", 10.0, "years", "a child of up to this age wears a child's size", _TEACHING, CP, 6, 14),
    # measurements
    Threshold("pd.adult.usual_least", 52.0, "mm", "least usual adult PD", _ANSUR, "published", 48, 55),
    Threshold("pd.adult.usual_most", 76.0, "mm", "greatest usual adult PD", _ANSUR, "published", 72, 80),
    Threshold("pd.adult.possible_least", 45.0, "mm", "least adult PD there is", _ANSUR, "published"),
    Threshold("pd.adult.possible_most", 80.0, "mm", "greatest adult PD there is", _ANSUR, "published"),
    Threshold("pd.child.usual", 8.0, "mm", "child's PD against that predicted from age", _CHILD, "derived", 6, 12),
    Threshold("pd.child.possible", 13.0, "mm", "child's PD against that predicted from age: not a child's", _CHILD, "derived", 11, 18),
    Threshold("pd.sum", 1.0, "mm", "parts against the whole", "repeatability of a binocular PD about ±1 mm", "from memory", 0.5, 2),
    Threshold("pd.unequal", 4.0, "mm", "difference between the eyes that asks for a reason", "Arenas 2014, Sci. World J. 347826; teaching: over 3 measure again, over 5 give a reason", "derived", 2.5, 6),
    Threshold("pd.unequal_far", 5.0, "mm", "the same where two readings of each eye agree", "teaching: over 3 mm measure again, over 5 give a reason", CP, 4, 8),
    Threshold("pd.near.least", 2.0, "mm", "least usual difference far to near", "Jalie's near centration formula", "derived", 0.5, 3),
    Threshold("pd.near.most", 6.0, "mm", "greatest usual difference far to near", "Jalie's near centration formula", "derived", 4, 8),
    Threshold("pd.near.off", 1.5, "mm", "near PD of an eye against the computed one", "Jalie's near centration formula; reading ±1 mm", "derived", 1, 3),
    Threshold("pd.repeat", 1.0, "mm", "repeated PD readings of one eye", "repeatability of a monocular PD ±0.5 to 1 mm", "from memory", 0.5, 2),
    Threshold("pd.change", 1.5, "mm", "PD of one eye against an earlier pair, adult", "repeatability of a monocular PD ±0.5 to 1 mm, twice", "derived", 1, 4),
    Threshold("pd.growth_a_year", 1.7, "mm", "greatest growth of a child's PD in a year", _CHILD, "derived", 1, 3),
    Threshold("pd.frame.wider", 6.0, "mm", "PD beyond the boxed centre distance", "derived from usual frame sizes", "derived", 3, 10),
    Threshold("pd.frame.narrower", 20.0, "mm", "PD under the boxed centre distance", "derived from usual frame sizes", "derived", 14, 26),
    Threshold("repeat.prism", 0.5, "Δ", "prism that one millimetre makes, from which a second reading is asked for", "a single reading is good to ±0.5 to 1 mm; ISO 21987:2017 vertical tolerance 0.50 Δ", "derived", 0.3, 1.0),
    Threshold("height.unequal", 2.0, "mm", "height difference between the eyes that asks for a look at the frame's level", _TEACHING, CP, 1, 4),
    Threshold("height.unequal_far", 5.0, "mm", "height difference hardly any face has", _TEACHING, CP, 4, 8),
    Threshold("height.datum_usual", 4.0, "mm", "pupil above the datum line, usual: 3 to 5", _TEACHING, CP, 2, 6),
    Threshold("height.datum_least", -1.0, "mm", "pupil above the datum line, least usual", _TEACHING, CP, -4, 2),
    Threshold("height.datum_most", 9.0, "mm", "pupil above the datum line, greatest usual", _TEACHING, CP, 7, 12),
    Threshold("height.datum_lowest", -4.0, "mm", "pupil below the datum line: not a fitting position", _TEACHING, CP, -8, -3),
    Threshold("height.repeat", 1.0, "mm", "repeated height readings of one eye", _TEACHING, CP, 0.5, 2),
    Threshold("height.rim_off", 1.4, "mm", "lowest point of the shape below the rim under the pupil, from which a low height is asked about where no earlier pair says where the pupil sits", "usual spread of heights above the datum line, about 1.1 mm; chosen on the slip benchmark", "derived", 1.0, 3.0),
    Threshold("height.rim_share", 1.0, "", "part of that difference by which both heights are low", "usual spread of heights above the datum line, about 1.1 mm; chosen on the slip benchmark", "derived", 0.5, 1.5),
    Threshold("height.rim_share_known", 0.6, "", "the same against the earlier pair", "two readings and another frame, about 0.5 mm; chosen on the slip benchmark", "derived", 0.4, 1.0),
    Threshold("observer.error", 0.5, "mm", "parallax of the observer", "similar triangles; half the ISO 21987 height tolerance", "derived", 0.3, 1.0),
    Threshold("pantoscopic.least", 0.0, "°", "least usual pantoscopic angle as worn", _TEACHING, CP, -5, 4),
    Threshold("pantoscopic.most", 18.0, "°", "greatest usual pantoscopic angle as worn", _TEACHING, CP, 14, 25),
    Threshold("pantoscopic.possible", 30.0, "°", "no frame is worn with more", _TEACHING, CP, 25, 40),
    Threshold("face_form.most", 30.0, "°", "greatest usual face form angle", _TEACHING, CP, 20, 35),
    Threshold("face_form.flat_most", 14.0, "°", "greatest face form angle of a front up to 6 D curved", _TEACHING, CP, 10, 18),
    Threshold("face_form.off", 6.0, "°", "face form as worn against the frame's own", _TEACHING, CP, 3, 10),
    # lens
    Threshold("lens.above", 10.0, "mm", "room above the fitting cross", _MAKERS, CP, 8, 14),
    Threshold("lens.above_least", 6.0, "mm", "room above the fitting cross: distance is cut away", _MAKERS, CP, 5, 8),
    Threshold("lens.below_corridor", 4.0, "mm", "reading area below the end of the corridor", "US trade press 2015: fitting height minus 4 to 5 mm", CP, 3, 6),
    Threshold("lens.corridor_spare", 9.0, "mm", "fitting height beyond the corridor from which a longer one fits", _TEACHING, CP, 7, 14),
    Threshold("segment.below_least", 1.0, "mm", "adult's segment top below the pupil", _TEACHING, CP, 0, 4),
    Threshold("segment.below_most", 10.0, "mm", "segment top below the pupil", _TEACHING, CP, 8, 14),
    Threshold("segment.above_middle", 1.5, "mm", "adult's segment top above the middle of the lens", "pupil 2 to 6 mm above the datum line, segment top 5 to 7 mm lower; dispensing teaching", CP, 0.5, 4),
    Threshold("segment.depth", 10.0, "mm", "depth of reading area left below a segment top", _TEACHING, CP, 8, 14),
    Threshold("edge.drilled", 1.8, "mm", "least edge at a drilled mount", "US trade press 2003, 2006: 2.0, some 1.8 at the hole", CP, 1.5, 2.5),
    Threshold("edge.drilled_most", 5.0, "mm", "greatest edge a drilled mount takes", "US trade press 2003, 2006", CP, 4, 8),
    Threshold("edge.grooved", 1.5, "mm", "least edge for a groove", "US trade press 1999: 1.5 to 1.6", CP, 1.3, 2.2),
    Threshold("edge.full", 0.8, "mm", "least edge in a full rim", _TEACHING, CP, 0.5, 1.2),
    Threshold("edge.thick", 9.0, "mm", "edge a client should be told of", _TEACHING, CP, 5, 15),
    Threshold("centre.resin", 1.0, "mm", "least centre of a minus lens in resin", _TEACHING, CP, 0.9, 2.2),
    Threshold("centre.glass", 1.8, "mm", "least centre of a glass lens", _TEACHING, CP, 1.8, 2.5),
    Threshold("curve.pair", 1.5, "D", "front curves of the pair apart, from which it is seen", "more than 1 to 2 D between right and left is seen; dispensing teaching", CP, 0.5, 4),
    Threshold("curve.series", 0.12, "D", "front curve asked for against the nearest one the maker lists", "nominal curves are stated to the quarter dioptre; half a step", "derived", 0.06, 0.5),
    Threshold("imbalance.note", 1.0, "Δ", "vertical prism difference at the reading level not long tolerated", "McCarthy, Optician C7205", "published", 0.5, 2),
    Threshold("imbalance.ask", 2.5, "Δ", "vertical prism difference at the reading level that wants a decision", "slab-off considered from 1.5 Δ; 2 to 3 Δ vertical reserve", CP, 1, 4),
    Threshold("blur.note", 0.2, "Δ", "chromatic blur at the usual gaze angle", "Jalie: threshold 0.1 Δ", "from memory", 0.1, 0.5),
    Threshold("magnification.note", 3.0, "%", "difference of spectacle magnification", "trouble from 3 to 5 %, textbook", "from memory", 2, 6),
    Threshold("weight.note", 40.0, "g", "both lenses together", _TEACHING, CP, 20, 80),
    Threshold("compensation.ask", 0.125, "D", "mean power error left by compensation", "the ISO 21987:2017 power tolerance up to 9 D", "derived", 0.12, 0.5),
    Threshold("compensation.tilt", 12.0, "°", "tilt as worn up to which a power is ordered as prescribed and the centres lowered", "pantoscopic angle 8 to 12° usual, centres lowered 1 mm for 2°; dispensing teaching", CP, 8, 20),
    Threshold("compensation.face_form", 8.0, "°", "face form as worn up to which a power is ordered as prescribed: lowered centres do nothing for it", "dress fronts 0 to 8°, compensation customary from 10 to 15°; dispensing teaching", CP, 5, 15),
    Threshold("ordered.far", 2.0, "D", "maker's stated power against the prescription", "derived from tilt and vertex compensation of usual powers", "derived", 1, 4),
    Threshold("thinning.most", 1.0, "", "prism thinning as a part of the addition", "0.6 to 0.67 of the addition is usual", CP, 0.7, 1.2),
    Threshold("tint.road", 8.0, "%", "luminous transmittance up to which a tint is not for the road", "ISO 12312-1:2013 category 4; ISO 8980-3", "standard"),
    Threshold("tint.night", 75.0, "%", "least luminous transmittance for driving at night", "ISO 12312-1:2013; ISO 8980-3", "standard"),
    Threshold("blank.margin", 0.0, "mm", "blank beyond the least uncut diameter", "ISO 8980-1 allows 1 mm under nominal", CP, 0, 3),
)  # fmt: skip

THRESHOLDS: Mapping[str, Threshold] = MappingProxyType({t.name: t for t in _ALL})
DEFAULTS: Mapping[str, float] = MappingProxyType({t.name: t.value for t in _ALL})
EDITION = "2026-11e"  # grows when a value or source changes; kept with every signed dispense
# What the editions since the last release changed, as it was in that: what is not yet in work is judged again with both.
BEFORE_THIS_EDITION: Mapping[str, float] = MappingProxyType(
    {
        "height.rim_share": 0.75,
        "height.rim_share_known": 0.5,
        "segment.above_middle": 1.0,
        "compensation.tilt": 0.0,
        "compensation.face_form": 15.0,
    }
)


def limits(changed: tuple[tuple[str, float], ...]) -> Mapping[str, float]:
    """The limits in force: the defaults, with a group's changes held within their bounds.

    A change of a name that is not known, or of one that cannot be changed, has no effect.
    """
    if not changed:
        return DEFAULTS
    merged = dict(DEFAULTS)
    for name, value in changed:
        threshold = THRESHOLDS.get(name)
        if threshold is not None and threshold.least is not None and threshold.most is not None:
            merged[name] = min(max(value, threshold.least), threshold.most)
    return merged


def limits_in_force(changed: tuple[tuple[str, float], ...]) -> dict[str, Any]:
    """Which set a dispense is judged by, to be kept with what was decided: the edition, and what this branch has changed, as decimal
    text. Together they give back every limit, as long as the edition is known."""
    merged = limits(changed)
    return {
        "edition": EDITION,
        "changed": {n: repr(merged[n]) for n, _ in sorted(changed) if merged.get(n) != DEFAULTS.get(n)},
    }
