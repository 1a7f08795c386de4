"""What is held on a client, on paper: every value of the JSON with its name in words, and the pictures at the end."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import Any
from xml.sax.saxutils import escape

from django.conf import settings
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Flowable, HRFlowable, Image, Paragraph, SimpleDocTemplate, Spacer

from practice import deeds
from practice.right_to_left import as_seen, broken, right_to_left

_FONTS = settings.BASE_DIR / "dispensing" / "drawings" / "fonts"
PLAIN, BOLD = "HeldPlain", "HeldBold"
MARGIN = 18 * mm
ROOM = A4[0] - 2 * MARGIN - 12  # of a frame's inside: the padding of reportlab's frames, and a point or two
TITLES = {
    "held_by": "Held by",
    "client": "The client",
    "consents": "Agreed to and taken back",
    "who_looked": "Who opened a page about the client",
    "what_was_done": "What was done",
}
MOST = 40  # numbers of one list, such as an outline
LONGEST = 4000  # characters of one value; the JSON has all of it


FEW = 12  # values of a part that stand on one line with its name, however they are nested

_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(\+00:00|Z)")
_CODE = re.compile(r"[a-z]+(_[a-z]+)+")
_NAMES = {
    "content_by": "content last changed by",
    "sha256": "digest (SHA-256)",
    "seen_sha256": "digest of what was seen (SHA-256)",
}


@cache
def _styles() -> dict[str, ParagraphStyle]:
    for name, file in ((PLAIN, "DejaVuSansCondensed.ttf"), (BOLD, "DejaVuSansCondensed-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, str(_FONTS / file)))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=PLAIN, boldItalic=BOLD)
    body = ParagraphStyle("body", fontName=PLAIN, fontSize=8.5, leading=11.5, splitLongWords=True)
    return {
        "body": body,
        "h1": ParagraphStyle("h1", parent=body, fontName=BOLD, fontSize=16, leading=20, spaceAfter=4),
        "h2": ParagraphStyle(
            "h2", parent=body, fontName=BOLD, fontSize=12, leading=15, spaceBefore=10, spaceAfter=3, keepWithNext=1
        ),
        "h3": ParagraphStyle("h3", parent=body, fontName=BOLD, fontSize=9, leading=12, spaceBefore=4, keepWithNext=1),
    }


def render(data: Mapping[str, Any], files: Mapping[str, bytes]) -> bytes:
    """A PDF of an export (`export.held`) with its pictures."""
    style, out = _styles(), io.BytesIO()
    reference = str(data["client"]["reference"])
    title = f"What is held on {data['client']['given_name']} {data['client']['family_name']}"
    story: list[Flowable] = [
        Paragraph(_lines(title, style["h1"]), style["h1"]),
        Paragraph(
            _lines(f"{reference} · {data['held_by']['group']} · made {_plain(data['made_at'])}", style["body"]),
            style["body"],
        ),
        Paragraph(
            "Times are in UTC. What is left out here for its length is in the JSON that belongs to this.", style["body"]
        ),
    ]
    for name, value in data.items():
        if name in ("format", "made_at"):
            continue
        story.append(Paragraph(escape(TITLES.get(name, _words(name).capitalize())), style["h2"]))
        if name == "what_was_done":
            value = [{**e, "what": deeds.words_of(e["what"])} for e in value]
        story.extend(_of(value, 0) or [Paragraph("Nothing.", style["body"])])
    pictures = {n: c for n, c in files.items() if n.endswith(".jpg")}
    if pictures:
        story.append(Paragraph("Pictures", style["h2"]))
        for name, content in pictures.items():
            story.append(Paragraph(escape(name), style["h3"]))
            story.append(Image(io.BytesIO(content), width=120 * mm, height=120 * mm, kind="proportional"))
    SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=16 * mm,
        bottomMargin=18 * mm,
        title=f"What is held on {reference}",
    ).build(story, onFirstPage=_foot(reference), onLaterPages=_foot(reference))
    return out.getvalue()


def _foot(reference: str) -> Any:
    def draw(canvas: Any, document: Any) -> None:
        canvas.setFont(PLAIN, 7.5)
        canvas.drawString(MARGIN, 10 * mm, reference)
        canvas.drawRightString(A4[0] - MARGIN, 10 * mm, f"page {document.page}")

    return draw


def _words(name: str) -> str:
    """A name of the JSON in words: `prescription.right.sphere`, `vertex_mm`, `far_pd`."""
    words = _NAMES.get(name) or name.rpartition("prescription.")[2].replace(".", " ").replace("_", " ")
    words = re.sub(r" mm\b", ", mm", re.sub(r" deg\b", ", degrees", words))
    return re.sub(r"\bpd\b", "PD", words)


def _empty(value: Any) -> bool:
    return value is None or value == "" or value == [] or value == {}


def _short(value: Any) -> bool:
    return not isinstance(value, Mapping | list)


def _of(value: Any, depth: int) -> list[Flowable]:
    style = _styles()
    if isinstance(value, Mapping):
        found: list[Flowable] = []
        told = {_words(str(k)): _plain(v) for k, v in value.items() if _short(v) and not _empty(v)}
        line = [f"{escape(name)}: <b>{_in_line(said)}</b>" for name, said in told.items() if not right_to_left(said)]
        if line:
            found.append(Paragraph(" · ".join(line), _at(depth)))
        for name, said in told.items():
            if right_to_left(said):  # lines of its own: what is broken anew afterwards would be read in the wrong order
                found.append(Paragraph(f"{escape(name)}: {_lines(said, _at(depth), name, BOLD)}", _at(depth)))
        for name, part in value.items():
            if _short(part) or _empty(part):
                continue
            if (few := _few(part)) is not None:
                if few:
                    found.append(Paragraph(f"<b>{escape(_words(str(name)))}</b> — {few}", _at(depth)))
                continue
            found.append(
                Paragraph(escape(_words(str(name))), ParagraphStyle("h", parent=style["h3"], leftIndent=_indent(depth)))
            )
            found.extend(_of(part, depth + 1))
        return found
    if isinstance(value, list):
        return list(_list(value, depth))
    return [] if _empty(value) else [Paragraph(_lines(_plain(value), _at(depth)), _at(depth))]


def _few(part: Any) -> str | None:
    """A part with few values as they stand on one line, named by their way in; None where they need lines of their own."""
    leaves: list[tuple[str, Any]] = []

    def walk(value: Any, way: str) -> None:
        if isinstance(value, Mapping):
            for name, each in value.items():
                walk(each, f"{way} {_words(str(name))}".strip())
        elif isinstance(value, list) and all(_short(v) for v in value) and len(value) <= FEW:
            leaves.append((way, ", ".join(_plain(v) for v in value)))
        else:
            leaves.append((way, value if isinstance(value, list) else None if _empty(value) else _plain(value)))

    walk(part, "")
    told = [(way, said) for way, said in leaves if not _empty(said)]
    if len(told) > FEW or any(isinstance(s, list) or right_to_left(s) or len(s) > 200 or "\n" in s for _, s in told):
        return None
    return " · ".join(f"{escape(way)}: <b>{_marked(said)}</b>" if way else _marked(said) for way, said in told)


def _list(values: Sequence[Any], depth: int) -> Iterator[Flowable]:
    if len(values) > MOST and all(isinstance(v, int | float) for v in values):
        yield Paragraph(f"{len(values)} numbers, in the JSON", _at(depth))
        return
    if not values:
        return
    if all(_short(v) for v in values):
        yield Paragraph(_lines(_plain(", ".join(_plain(v) for v in values)), _at(depth)), _at(depth))
        return
    long = any(isinstance(v, Mapping) and any(not _short(p) and _few(p) is None for p in v.values()) for v in values)
    for number, each in enumerate(values):
        if long and number:
            yield HRFlowable(width="100%", thickness=0.4, color="#888888", spaceBefore=4, spaceAfter=4)
        yield from _of(each, depth)
        yield Spacer(1, 3)


def _plain(value: Any) -> str:
    """A value in words."""
    words = ("yes" if value else "no") if isinstance(value, bool) else str(value)
    if _CODE.fullmatch(words):
        words = _words(words)
    if _MOMENT.fullmatch(words):
        words = f"{words[:10]} {words[11:16]} UTC"
    more = " …" if len(words) > LONGEST else ""
    return words[:LONGEST] + more


def _marked(words: str) -> str:
    return escape(words).replace("\n", "<br/>")


def _in_line(words: str) -> str:
    """Such as an address, which has lines of its own elsewhere."""
    return _marked(", ".join(words.split("\n"))) if len(words) < 200 else _marked(words)


def _lines(words: str, style: ParagraphStyle, label: str = "", font: str = "") -> str:
    """Words as a paragraph takes them. What is written from right to left is broken into lines here, beside its label, and each line
    put into the order in which it is seen; `font` where it is not the style's."""
    if not right_to_left(words):
        return _marked(words)
    name = font or style.fontName
    known = pdfmetrics.getFont(name).face.charToGlyph

    def wide(line: str) -> float:
        return float(pdfmetrics.stringWidth(as_seen(line, known), name, style.fontSize))

    room = ROOM - style.leftIndent - pdfmetrics.stringWidth(f"{label}: ", style.fontName, style.fontSize)
    # no breaking at its spaces any more
    lines = [escape(as_seen(line, known)).replace(" ", "\u00a0") for line in broken(words, room, wide)]
    shown = "<br/>".join(lines)
    return f"<b>{shown}</b>" if font == BOLD else shown


def _indent(depth: int) -> float:
    return min(depth, 6) * 8


def _at(depth: int) -> ParagraphStyle:
    return ParagraphStyle("at", parent=_styles()["body"], leftIndent=_indent(depth))
