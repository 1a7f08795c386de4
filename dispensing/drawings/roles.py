"""What each role looks like: one table for the screen and for paper.

A line is a colour token, a width in mm, a dash pattern in mm. The tokens are those of `practice/tokens.css`; on paper they have the
values of `PAPER`. `css()` writes `static/dispensing/drawings.css`; a test holds the file against it. No role relies on colour
alone: what is wrong has also a heavier line, a dash or a shape of its own, so that a monochrome print says the same.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Look:
    stroke: str = ""  # colour token, "" = no line
    width: float = 0.0  # mm
    dash: tuple[float, ...] = ()
    fill: str = ""  # colour token, "" = not filled
    opacity: float = 1.0  # of the fill
    bold: bool = False  # text only


ROLES: dict[str, Look] = {
    # the lens and its box
    "outline": Look("lens-edge", 0.5, fill="lens"),
    "outline-open": Look("soft", 0.35, (1.6, 1.2)),  # frame not known
    "box": Look("soft", 0.18, (1.0, 0.7)),
    "box-centre": Look("soft", 0.18),
    "blank": Look("soft", 0.18, (3.0, 0.8, 0.5, 0.8)),
    "blank-bad": Look("stop", 0.3, (2.0, 0.8)),
    "uncovered": Look("stop", 1.0),
    "drill": Look("ink", 0.25, fill="sheet"),
    "drill-bad": Look("stop", 0.5, fill="sheet"),
    # lines of reference
    "datum": Look("pen", 0.35),
    "nose": Look("soft", 0.18, (2.0, 1.0, 0.4, 1.0)),
    # the eye and what is put before it
    "spread": Look("pen", 0.12, fill="pen", opacity=0.18),
    "reading": Look(fill="pen"),
    "pupil": Look("ink", 0.25),
    "fitting": Look("ink", 0.4),
    "fitting-bad": Look("stop", 0.6),
    "unknown": Look("confirm", 0.3, (1.2, 0.9)),
    "open": Look("soft", 0.25, (1.2, 0.9)),
    "segment": Look("ink", 0.3, fill="pen", opacity=0.1),
    "segment-uncut": Look("soft", 0.18, (0.8, 0.6)),
    "segment-line": Look("ink", 0.3),
    "near": Look("ink", 0.3),
    "near-cut": Look("confirm", 0.35, (1.2, 0.6)),
    "near-bad": Look("stop", 0.6),
    "corridor": Look(fill="pen", opacity=0.16),
    "optical-centre": Look("ink", 0.22),
    "prism": Look("pen", 0.4, fill="pen"),
    # earlier states
    "ghost": Look("soft", 0.35, (0.35, 1.1)),
    "before": Look("pen", 0.25, (0.8, 0.5)),
    # thickness
    "section": Look("lens-edge", 0.3, fill="lens"),
    "band": Look("lens-edge", 0.25, fill="lens"),
    "limit": Look("confirm", 0.25, (1.2, 0.6)),
    # dimension lines and words
    "dim": Look("ink", 0.14),
    "extension": Look("soft", 0.1),
    "dim-text": Look(fill="ink"),
    "note-text": Look(fill="soft"),
    "unknown-text": Look(fill="confirm", bold=True),
    "stop-text": Look(fill="stop", bold=True),
    "eye-text": Look(fill="ink", bold=True),
    "datum-text": Look(fill="pen"),
    # small drawings of methods
    "tool": Look("ink", 0.3),
    "tool-fill": Look("ink", 0.25, fill="lens"),
    "skin": Look("soft", 0.3),
    "sight": Look("pen", 0.2, (1.0, 0.6)),
    "paper": Look("soft", 0.15, fill="sheet"),
}

# Values of the tokens on white paper, 0-1 RGB: dark enough for a monochrome printer.
PAPER: dict[str, tuple[float, float, float]] = {
    "ink": (0.05, 0.07, 0.09),
    "soft": (0.32, 0.36, 0.40),
    "pen": (0.07, 0.30, 0.56),
    "stop": (0.62, 0.10, 0.06),
    "confirm": (0.45, 0.29, 0.0),
    "lens": (0.93, 0.955, 0.97),
    "lens-edge": (0.10, 0.17, 0.22),
    "sheet": (1.0, 1.0, 1.0),
}

_HEAD = """\
/* Pictures of lenses: one class for each role, written by dispensing/drawings/roles.py from the same table that the print uses.
   Lengths are millimetres of the drawing; colours are the tokens of the look, so that dark and print follow by themselves. */
.pic{display:block;width:100%;height:auto;stroke-linejoin:round;stroke-linecap:butt;fill:none}
.pic text{font-family:var(--figures);font-weight:500;font-variant-numeric:tabular-nums;stroke:var(--sheet);stroke-width:.6;stroke-linejoin:round;paint-order:stroke}
"""


def css() -> str:
    """The style sheet for every role."""
    lines = [_HEAD]
    for role, look in ROLES.items():
        rule = []
        if look.stroke:
            rule.append(f"stroke:var(--{look.stroke});stroke-width:{_number(look.width)}")
        if look.dash:
            rule.append("stroke-dasharray:" + " ".join(_number(d) for d in look.dash))
        if look.fill:
            rule.append(f"fill:var(--{look.fill})")
            if look.opacity < 1:
                rule.append(f"fill-opacity:{_number(look.opacity)}")
        if look.bold:
            rule.append("font-weight:700")
        selector = f".pic text.{role}" if role.endswith("-text") else f".pic .{role}"
        lines.append(f"{selector}{{{';'.join(rule)}}}\n")
    lines.append("@media print{.pic{max-width:100%;break-inside:avoid}}\n")
    return "".join(lines)


def _number(value: float) -> str:
    return (
        f"{value:.2f}".rstrip("0").rstrip(".").replace("0.", ".", 1)
        if value < 1
        else f"{value:.2f}".rstrip("0").rstrip(".")
    )
