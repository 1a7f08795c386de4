"""How large a difference is against what people notice: a bar, and a line at "noticed"."""

from __future__ import annotations

from dispensing.drawings.shapes import Path, Picture, Shape

WIDTH = 44.0
NOTICED_AT = 20.0  # mm
MOST = 2.1  # times what is noticed; longer bars end in a point


def size_bar(ratio: float, title: str) -> Picture:
    long = min(ratio, MOST) * NOTICED_AT
    tip = long + 1.6 if ratio > MOST else long
    body = ((0.0, -1.3), (long, -1.3), (tip, 0.0), (long, 1.3), (0.0, 1.3))
    shapes: list[Shape] = [
        Path("extension", ((0.0, -2.4), (0.0, 2.4))),
        Path("reading" if ratio >= 1 else "spread", body, closed=True, name="size"),
        Path("limit", ((NOTICED_AT, -2.8), (NOTICED_AT, 2.8)), name="noticed"),
    ]
    return Picture(-0.5, -3.0, WIDTH + 1.0, 6.0, tuple(shapes), f"{title}: {ratio:.1f} times what people notice.")


def share_bar(low: float, value: float, high: float, top: float, title: str, middle: float | None = None) -> Picture:
    """A rate with its interval, both as shares of 1; `top` is the share at the right end, `middle` the rate of all together."""
    scale = WIDTH / max(top, 1e-6)
    a, m, b = (min(v, top) * scale for v in (low, value, high))
    shapes: list[Shape] = [
        Path("extension", ((0.0, 0.0), (WIDTH, 0.0))),
        Path("spread", ((a, -1.6), (b, -1.6), (b, 1.6), (a, 1.6)), closed=True, name="interval"),
        Path("datum", ((m, -2.4), (m, 2.4)), name="rate"),
    ]
    if middle is not None and middle <= top:
        shapes.insert(0, Path("limit", ((middle * scale, -3.0), (middle * scale, 3.0))))
    return Picture(
        -0.5, -3.0, WIDTH + 1.0, 6.0, tuple(shapes), f"{title}: {value:.1%}, 95 % interval {low:.1%} to {high:.1%}."
    )
