"""Lens shapes from files of radii: a plain table of angle and radius, and the ASCII trace records of the Data Communication Standard.

Both are read as the shape is seen from the front: angles anticlockwise from the viewer's right, which is the nose of a right lens and
the temple of a left one. What comes out is in house terms: mm, equal steps from nasal through up, about the boxed centre, for either eye.

The table is our own plain form: two columns, angle in degrees and radius in mm, comma, semicolon or tab between them, a heading or none.
The trace records (TRCFMT, R; radii in 0.01 mm) are from memory and a withdrawn edition of the standard: an unverified profile, read
strictly in the one form 1;points;E;eye;F. Time and memory are bounded by the size of what is read.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from dispensing.optics import boxing
from dispensing.optics.boxing import Box
from dispensing.optics.errors import OpticsError

LARGEST = 400_000  # bytes
FEWEST_POINTS, MOST_POINTS = 8, 4000
MOST_RADIUS = 10_000  # 0.01 mm
KEPT_POINTS = 360  # a shape read from a file is kept as so many radii
WIDEST_GAP_DEG = 50.0  # between two angles of a table: beyond it the curve between them is a guess
_WHOLE = re.compile(r"[0-9]{1,5}", re.ASCII)
_FIGURE = re.compile(r"[+-]?[0-9]{1,4}(?:[.,][0-9]{1,6})?", re.ASCII)
_RECORD = re.compile(r"(_?[A-Z][A-Z0-9]{0,7})=([ -<>-~]*)", re.ASCII)


class TraceError(ValueError):
    """Not a file of radii. The message is one sentence; `line` counts from 1, 0: the file as a whole."""

    def __init__(self, words: str, line: int = 0) -> None:
        super().__init__(f"Line {line}: {words}" if line else words)
        self.line = line


@dataclass(frozen=True, slots=True)
class Traced:
    """What a file holds. `shapes`: radii in mm for the eyes it names, as seen from the front; "" where it names none."""

    source: str  # "angle and radius", "trace records"
    shapes: Mapping[str, tuple[tuple[float, ...], tuple[float, ...]]]  # eye: (angles in degrees, radii in mm)


class Traces:
    """Collects TRCFMT and the R records that belong to it; counts. `error` makes what is raised, from words and line."""

    def __init__(self, error: Callable[[str, int], Exception] = TraceError) -> None:
        self.done: dict[str, tuple[int, ...]] = {}
        self.eye, self.wanted, self.radii = "", 0, list[int]()
        self._error = error

    def begin(self, value: str, line: int) -> None:
        fields = value.split(";")
        if len(fields) != 5 or fields[0] != "1" or fields[2] != "E" or fields[3] not in ("R", "L") or fields[4] != "F":
            raise self._error("A trace is read in the form 1;points;E;eye;F only.", line)
        if not _WHOLE.fullmatch(fields[1]) or not FEWEST_POINTS <= int(fields[1]) <= MOST_POINTS:
            raise self._error(f"A trace has {FEWEST_POINTS} to {MOST_POINTS} points.", line)
        if fields[3] in self.done:
            raise self._error(f"A second trace of the eye {fields[3]}.", line)
        self.eye, self.wanted, self.radii = fields[3], int(fields[1]), []

    def more(self, value: str, line: int) -> None:
        if not self.eye:
            raise self._error("Radii that no TRCFMT announces.", line)
        for text in value.split(";"):
            if not _WHOLE.fullmatch(text) or not 1 <= int(text) <= MOST_RADIUS:
                raise self._error(f"A radius is a whole number from 1 to {MOST_RADIUS}.", line)
            self.radii.append(int(text))
        if len(self.radii) > self.wanted:
            raise self._error(f"More radii than the {self.wanted} announced.", line)
        if len(self.radii) == self.wanted:
            self.done[self.eye] = tuple(self.radii)
            self.eye = ""

    def between(self, line: int) -> None:
        if self.eye:
            raise self._error(f"{len(self.radii)} radii where {self.wanted} were announced.", line)


def read_trace(data: bytes) -> Traced:
    """The shapes of a file. Raises TraceError and nothing else."""
    if len(data) > LARGEST:
        raise TraceError(f"The file is larger than {LARGEST // 1000} kB.")
    if not data.strip():
        raise TraceError("The file is empty.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise TraceError("The file is not text.") from None
    if "\x00" in text:
        raise TraceError("The file is not text.")
    lines = [line.rstrip("\r") for line in text.split("\n")]
    if any(line.startswith("TRCFMT=") for line in lines):
        return _records(lines)
    return _table(lines)


def _records(lines: list[str]) -> Traced:
    traces = Traces()
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        found = _RECORD.fullmatch(line)
        if found is None:
            raise TraceError("Not LABEL=value in printable ASCII.", number)
        if found[1] == "R":
            traces.more(found[2], number)
            continue
        traces.between(number)
        if found[1] == "TRCFMT":
            traces.begin(found[2], number)
    traces.between(0)
    shapes = {}
    for eye, radii in traces.done.items():
        angles = tuple(360.0 * i / len(radii) for i in range(len(radii)))
        shapes[{"R": "right", "L": "left"}[eye]] = (angles, tuple(r / 100.0 for r in radii))
    return Traced("trace records", shapes)


def _table(lines: list[str]) -> Traced:
    pairs: list[tuple[float, float]] = []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        mark = next((m for m in (";", "\t", ",") if m in line), ",")
        parts = [p.strip().strip('"') for p in line.split(mark)]
        if len(parts) != 2 or not all(_FIGURE.fullmatch(p) for p in parts):
            if not pairs and any(c.isalpha() for c in line) and number <= 3:
                continue  # a heading
            raise TraceError("Two figures are wanted: angle in degrees and radius in mm.", number)
        angle, radius = (float(p.replace(",", ".")) for p in parts)
        if not -360.0 <= angle <= 360.0 or not 0.0 < radius <= MOST_RADIUS / 100.0:
            raise TraceError("Angles go to 360°, radii from 0 to 100 mm.", number)
        pairs.append((angle % 360.0, radius))
        if len(pairs) > MOST_POINTS:
            raise TraceError(f"A shape has at most {MOST_POINTS} points.", number)
    if len(pairs) > 1 and pairs[0] == pairs[-1]:
        pairs.pop()  # closed by its first point once more
    pairs.sort()
    if len(pairs) < FEWEST_POINTS:
        raise TraceError(f"A shape has at least {FEWEST_POINTS} points; these are {len(pairs)}.")
    angles = [a for a, _ in pairs]
    gaps = [b - a for a, b in zip(angles, [*angles[1:], angles[0] + 360.0], strict=True)]
    if min(gaps) <= 0.0:
        raise TraceError("Two radii stand at one angle.")
    if max(gaps) > WIDEST_GAP_DEG:
        raise TraceError(f"Between two angles lie {max(gaps):.0f}°: too little of the shape is known.")
    return Traced("angle and radius", {"": (tuple(angles), tuple(r for _, r in pairs))})


def shape_of(angles: tuple[float, ...], radii: tuple[float, ...], eye: str) -> tuple[Box, list[float]]:
    """The shape of one eye in house terms: its box, and KEPT_POINTS radii about the boxed centre. Raises TraceError.

    `eye` says which lens was traced: a left one is mirrored. The trace's own centre need not be the boxed one.
    """
    turned = np.radians(np.asarray(angles))
    r = np.asarray(radii)
    x, y = r * np.cos(turned), r * np.sin(turned)
    if eye == "left":
        x = -x
    try:
        shape = boxing.box_of_points(x, y)
        kept = [round(float(v), 2) for v in boxing.radii(shape, KEPT_POINTS)]
        again = boxing.box(kept)
    except OpticsError as problem:
        raise TraceError(f"The outline {problem.message}") from None
    if not math.isfinite(again.a):
        raise TraceError("The outline has no size.")
    return again, kept
