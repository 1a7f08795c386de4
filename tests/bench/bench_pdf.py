"""The order on paper and its picture: time of one, beside the same page drawn straight onto reportlab's canvas.

    python tests/bench/bench_pdf.py [--rounds 60]

Prints JSON. The peer sets the same number of texts at the same sizes, both outlines with all their points and the bar code, with the
same two fonts embedded, by the canvas's own calls: no layout, no measuring, no structure for screen readers. The floor formats and
deflates 800 points. Peers take turns; the median of each is given. Aim: an order under 8 ms when warm.
"""

from __future__ import annotations

import argparse
import io
import json
import math
import statistics
import sys
import time
import zlib
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import pdfplumber
from reportlab.graphics.barcode.code128 import Code128
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from dispensing.drawings.pair import pair_picture
from dispensing.drawings.svg import svg
from orders.document import canonical, digest
from orders.renderers.geometry import geometry_of_document
from orders.renderers.pdf import render

ROOT = Path(__file__).resolve().parents[2]
AIM_MS = 8.0
FONTS = ROOT / "dispensing" / "drawings" / "fonts"


def texts_of(data: bytes) -> list[tuple[float, float, float, bool, str]]:
    """Every word on the page with its place, size and weight, for the peer to draw again."""
    with pdfplumber.open(io.BytesIO(data)) as pdf:
        page = pdf.pages[0]
        lines = page.extract_words(keep_blank_chars=True, extra_attrs=["fontname", "size"])
        return [
            (w["x0"], page.height - w["bottom"] + 0.2 * w["size"], w["size"], "Bold" in w["fontname"], w["text"])
            for w in lines
        ]


def peer(texts: list[tuple[float, float, float, bool, str]], radii: list[int], number: str) -> bytes:
    out = io.BytesIO()
    canvas = Canvas(out, pageCompression=1, invariant=1)
    for x, y, size, bold, text in texts:
        canvas.setFont("PeerBold" if bold else "PeerRegular", size)
        canvas.drawString(x, y, text)
    for centre, sign in ((200.0, 1), (400.0, -1)):
        path = canvas.beginPath()
        for k, r in enumerate(radii):
            t = 2 * math.pi * k / len(radii)
            x, y = centre + sign * r / 100 * math.cos(t) * 72 / 25.4, 450 + r / 100 * math.sin(t) * 72 / 25.4
            if k:
                path.lineTo(x, y)
            else:
                path.moveTo(x, y)
        path.close()
        canvas.drawPath(path, stroke=1, fill=0)
    Code128(number, barHeight=30, barWidth=0.94, quiet=0).drawOn(canvas, 430, 780)
    canvas.save()
    return out.getvalue()


def floor(radii: list[int]) -> bytes:
    return zlib.compress(" ".join(f"{r / 100:.3f} {r / 50:.3f} l" for r in radii + radii).encode())


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--rounds", type=int, default=60)
    rounds = asked.parse_args().rounds
    document = json.loads((ROOT / "tests" / "orders" / "example_document.json").read_text(encoding="utf-8"))
    text = canonical(document)
    sha, radii, number = digest(text), document["frame"]["outline"]["radii"], document["order"]["number"]
    started = time.perf_counter()
    data = render(document, digest=sha)
    cold = time.perf_counter() - started
    texts = texts_of(data)
    pdfmetrics.registerFont(TTFont("PeerRegular", str(FONTS / "DejaVuSansCondensed.ttf")))
    pdfmetrics.registerFont(TTFont("PeerBold", str(FONTS / "DejaVuSansCondensed-Bold.ttf")))
    geometry = geometry_of_document(document)
    picture = pair_picture(geometry)
    runs: dict[str, Callable[[], object]] = {
        "order": lambda: render(document, digest=sha),
        "canvas_by_hand": lambda: peer(texts, radii, number),
        "picture": lambda: pair_picture(geometry_of_document(document)),
        "svg": lambda: svg(picture),
        "floor": lambda: floor(radii),
    }
    times: dict[str, list[float]] = {name: [] for name in runs}
    for _ in range(rounds):
        for name, run in runs.items():
            at = time.perf_counter()
            run()
            times[name].append((time.perf_counter() - at) * 1000)
    ms = {name: round(statistics.median(found), 3) for name, found in times.items()}
    print(
        json.dumps(
            {
                "bench": "pdf",
                "median_ms": ms,
                "least_ms": {name: round(min(found), 3) for name, found in times.items()},
                "first_order_ms": round(cold * 1000, 1),
                "order_to_canvas_by_hand": round(ms["order"] / ms["canvas_by_hand"], 2),
                "bytes": {"order": len(data), "canvas_by_hand": len(peer(texts, radii, number)), "svg": len(svg(picture))},
                "outline_points": len(radii),
                "texts": len(texts),
                "aim_ms": AIM_MS,
                "aim_met": ms["order"] < AIM_MS,
            },
            indent=1,
        )
    )


if __name__ == "__main__":
    main()
