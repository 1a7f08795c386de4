"""How thick: a section of each lens along the datum line and its edge once round, both to scale.

Drawn below the pair at the same x, as a plan lies below its front view: one looks down on the lenses, their front surfaces below,
facing the dispenser. The section joins three thicknesses that are exact (temporal edge, optical centre, nasal edge on the datum
line) by parabolas behind a circular front; the band below it is the edge unrolled over the width of the box, every thickness exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import copysign, sqrt

from dispensing.case import EYES, Eye

from .board import OPEN_A, OPEN_DBL, SMALL, TEXT
from .geometry import EyeGeometry, PairGeometry
from .labels import Labels
from .numbers import mm1
from .shapes import Path, Picture, Point, Shape, Text

FRONT_INDEX_CONSTANT = 530.0  # radius in mm of 1 D at the n = 1.53 by which front curves are named
STEPS = 48


def edge_picture(geometry: PairGeometry) -> Picture | None:
    """Sections and edges of both lenses; None while no thickness is known."""
    shapes: list[Shape] = []
    labels = Labels()
    a = geometry.a if geometry.a is not None else OPEN_A
    c = a + (geometry.dbl if geometry.dbl is not None else OPEN_DBL)
    words = []
    lowest = 0.0
    for eye in EYES:
        one = geometry.of(eye)
        if len(one.edge_profile) < 8 or one.centre_thickness is None:
            continue
        section = _Section(geometry, one, eye, a, c)
        floor = section.draw(shapes, labels)
        floor = _band(shapes, labels, geometry, one, section, floor - 4.0)
        lowest = min(lowest, floor)
        words.append(_words(one, eye))
    if not words:
        return None
    highest = max(p[1] for s in shapes if isinstance(s, Path) for p in s.points)
    reach = c / 2 + a / 2 + 13.0
    return Picture(
        left=-reach,
        bottom=lowest - 1.0,
        width=2 * reach,
        height=highest + 5.0 - lowest + 1.0,
        shapes=(*shapes, *labels.texts),
        description=" ".join(words),
        title="Sections and edges to scale",
    )


def _words(e: EyeGeometry, eye: Eye) -> str:
    thin, thick = min(e.edge_profile), max(e.edge_profile)
    return (
        f"{'Right' if eye == 'right' else 'Left'}: centre {mm1(e.centre_thickness or 0.0)} mm, edge thinnest {mm1(thin)} mm "
        f"{_where(e.edge_profile.index(thin), len(e.edge_profile))}, thickest {mm1(thick)} mm "
        f"{_where(e.edge_profile.index(thick), len(e.edge_profile))}."
    )


def _where(index: int, count: int) -> str:
    names = ("nasal", "up nasal", "up", "up temporal", "temporal", "down temporal", "down", "down nasal")
    return names[round(8 * index / count) % 8]


@dataclass(slots=True)
class _Section:
    geometry: PairGeometry
    e: EyeGeometry
    eye: Eye
    a: float
    c: float

    def x(self, nasal: float) -> float:
        return -self.c / 2 + nasal if self.eye == "right" else self.c / 2 - nasal

    def draw(self, shapes: list[Shape], labels: Labels) -> float:
        """Adds the section; returns its lowest y. The nearest point of the front surface is at y = 0 or above."""
        profile = self.e.edge_profile
        n = len(profile)
        outline = self.geometry.outline
        nasal = outline[0] if outline else self.a / 2
        temporal = -(outline[len(outline) // 2] if outline else self.a / 2)
        middle = self.e.optical_centre or self.e.blank_centre or (0.0, 0.0)
        x0 = min(max(middle[0], temporal + 1.0), nasal - 1.0)
        centre = self.e.centre_thickness or 0.0
        edge = {nasal: profile[0], temporal: profile[n // 2]}
        curve = self.e.front_curve or 0.0
        front: list[Point] = []
        back: list[Point] = []
        for i in range(STEPS + 1):
            x = temporal + (nasal - temporal) * i / STEPS
            side = nasal if x >= x0 else temporal
            thickness = centre + (edge[side] - centre) * ((x - x0) / (side - x0)) ** 2
            sag = _sag(curve, x - x0)
            front.append((self.x(x), sag))
            back.append((self.x(x), sag + thickness))
        shapes.append(Path("section", tuple(front + back[::-1]), True, f"{self.eye}.section"))
        at = self.x(x0)
        labels.put(
            (Text("dim-text", at, centre + _sag(curve, 0) + 1.2, mm1(centre), SMALL, "middle", f"{self.eye}.centre-text"),)
        )
        for where, points in ((nasal, (front[-1], back[-1])), (temporal, (front[0], back[0]))):
            x = points[0][0]
            outwards = copysign(1.0, x - at)
            labels.put(
                (
                    Text(
                        "dim-text",
                        x + 1.0 * outwards,
                        (points[0][1] + points[1][1]) / 2 - 0.9,
                        mm1(edge[where]),
                        SMALL,
                        "start" if outwards > 0 else "end",
                    ),
                )
            )
        return min(p[1] for p in front)


def _sag(curve: float, x: float) -> float:
    """Sag (mm) of the front surface at x mm from its vertex, away from the dispenser for a convex front."""
    if abs(curve) < 0.01:
        return 0.0
    radius = FRONT_INDEX_CONSTANT / abs(curve)
    inside = radius * radius - x * x
    return copysign(radius - sqrt(inside) if inside > 0 else radius, curve)


def _band(
    shapes: list[Shape], labels: Labels, geometry: PairGeometry, e: EyeGeometry, section: _Section, ceiling: float
) -> float:
    """The edge once round, from temporal over up, nasal and down back to temporal; returns its lowest y."""
    profile = e.edge_profile
    n = len(profile)
    thick, thin = max(profile), min(profile)
    base = ceiling - thick - 3.0
    left, width = section.x(0) - section.a / 2, section.a

    # step k of the way is outline index n // 2 - k: temporal, up, nasal, down, temporal, for both eyes alike
    top = [(left + width * k / n, base + profile[(n // 2 - k) % n]) for k in range(n + 1)]
    shapes.append(Path("band", ((left, base), *top, (left + width, base)), True, f"{section.eye}.edge"))
    if geometry.min_edge is not None:
        shapes.append(Path("limit", ((left, base + geometry.min_edge), (left + width, base + geometry.min_edge))))
    for k, word in ((0, "T"), (n // 4, "up"), (n // 2, "N"), (3 * n // 4, "down"), (n, "T")):
        x = left + width * k / n
        shapes.append(Path("dim", ((x, base), (x, base - 0.9))))
        labels.put((Text("note-text", x, base - 3.3, word, SMALL),))
    for value, first in ((thick, True), (thin, False)):
        index = profile.index(value)
        x = min(max(left + width * ((n // 2 - index) % n) / n, left + 3.0), left + width - 3.0)
        labels.put(
            (
                Text("dim-text", x, base + value + 0.9, mm1(value), TEXT if first else SMALL, "middle"),
                Text("dim-text", x + 5, base + value + 0.9, mm1(value), TEXT if first else SMALL, "middle"),
                Text("dim-text", x - 5, base + value + 0.9, mm1(value), TEXT if first else SMALL, "middle"),
            )
        )
    return base - 4.0
