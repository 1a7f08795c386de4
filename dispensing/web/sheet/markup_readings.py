"""The readings so far, as text: every cell with its scale, what is adopted, what could be, and the list of readings.

Part of every live answer, like `markup`. Every text that goes in is escaped here.
"""

from __future__ import annotations

from html import escape

from django.urls import reverse

from dispensing.web.sheet.present import Sheet
from dispensing.web.sheet.readings import HIGH, WIDE, Cell, Desk, ReadingView, Scale

AMPLE_MM = 3  # what weak lenses could bear beyond it says nothing to who measures
_DOUBT = '<span class="doubt-words">in doubt</span>'


def readings_now(sheet: Sheet, desk: Desk) -> str:
    """Nothing for cells without a reading and without an adopted value."""
    reference = sheet.dispense.reference
    adopt, strike = (reverse(f"dispensing:{name}", args=[reference]) for name in ("adopt", "strike_out"))
    may_adopt = desk.may_adopt
    out = [] if may_adopt else ['<p class="doubt-words">Nothing can be adopted before the final fit is confirmed.</p>']
    for row in desk.cells.values():
        for cell in row.values():
            if cell.readings or cell.adopted:
                out.append(_cell(cell, adopt if may_adopt else "", strike if sheet.allowed else ""))
    if may_adopt and sheet.allowed and (waiting := len(desk.waiting)):
        what = "the suggestion" if waiting == 1 else f"all {waiting} suggestions"
        if unmet := sum(cell.met is False for cell in desk.waiting):  # not to be taken along unseen
            what += f", {unmet} not met yet" if waiting > 1 else ", not met yet"
        out.append(
            f'<div class="actions"><button name="adopt" value="all" formaction="{adopt}" id="adopt-all">Adopt {what}</button></div>'
        )
    return "\n".join(out)


def _cell(cell: Cell, adopt: str, strike: str) -> str:
    """`adopt`, `strike`: where to send these deeds; empty where they are not to be had."""
    need = ""
    if cell.need:
        met = {True: ": met", False: ": not met yet", None: ""}[cell.met]
        words = f"needs ±{cell.need} mm" if float(cell.need) <= AMPLE_MM else f"±{AMPLE_MM} mm is ample"
        apart = f", {cell.apart} mm apart" if cell.apart else ""
        look = "doubt-words" if cell.met is False else "soft"
        need = f'<span class="{look} small"> {escape(words)}{met}{apart}</span>'
    scale = _scale(cell, cell.scale) if cell.scale else "<span></span>"
    return (
        f'<div class="read{" in-doubt" if cell.adopted_doubt else ""}">\n<span class="read-name">{escape(cell.label)}{need}</span>\n'
        f'{scale}\n<output class="adopted-value">{_adopted(cell)}</output>\n'
        f'<div class="read-do">{_suggestion(cell, adopt)}{_list(cell, adopt, strike)}</div>\n</div>'
    )


def _adopted(cell: Cell) -> str:
    if not cell.adopted:
        return '<span class="soft">not adopted</span>'
    box = f'<span class="soft small"> = {escape(cell.adopted_box)} in the box</span>' if cell.adopted_box else ""
    return f"{escape(cell.adopted)}{box}{f' {_DOUBT}' if cell.adopted_doubt else ''}"


def _suggestion(cell: Cell, adopt: str) -> str:
    s = cell.suggestion
    if not adopt or s is None or not cell.to_adopt:
        return ""
    value = escape(f"{cell.quantity}|{cell.eye}|{s.value}|{s.reference}|{s.how}")
    box = f"; {escape(cell.suggested_box)} in the box" if cell.suggested_box else ""
    doubt = f'<span class="doubt-words small">{escape(cell.suggested_doubt)}</span>' if cell.suggested_doubt else ""
    return (
        f'<button class="plain adopt" name="adopt" value="{value}" formaction="{adopt}">Adopt {escape(cell.suggested)}</button>'
        f'<span class="soft small">{escape(s.reason)}{box}</span>{doubt}'
    )


def _list(cell: Cell, adopt: str, strike: str) -> str:
    count = len(cell.readings)
    lines = "".join(_reading(cell, r, adopt, strike) for r in cell.readings)
    why = ""
    if strike and cell.standing:  # one for all of them: what slipped once has mostly slipped for several
        ident = f"strike-{cell.quantity}-{cell.eye}"
        why = (
            f'<p class="strike"><label for="{ident}">Why one is left out</label><input id="{ident}"'
            f' name="strike_reason_{cell.quantity}_{cell.eye}" list="strike-reasons" autocomplete="off" data-skip></p>'
        )
    return (
        f'<details class="more"><summary>{count} reading{"" if count == 1 else "s"}</summary>'
        f'{why}<ul class="reading-list">{lines}</ul></details>'
    )


def _reading(cell: Cell, r: ReadingView, adopt: str, strike: str) -> str:
    value = escape(r.value)
    added = f' <span class="soft small">({escape(r.added)})</span>' if r.added else ""
    box = f" = {escape(r.box)} in the box{added}" if r.box else ""
    reference = f", from the {escape(r.reference)}" if r.reference else ""
    off_level = f' <span class="doubt-words small">{escape(r.off_level)}</span>' if r.off_level else ""
    deeds = ""
    if r.struck_out:
        deeds = f' <span class="small">left out: {escape(r.struck_out)}</span>'
    elif strike:
        if adopt:
            chosen = escape(f"{cell.quantity}|{cell.eye}|{r.raw}|{r.reference_code}|chosen")
            deeds = f' <button class="quiet" name="adopt" value="{chosen}" formaction="{adopt}">Adopt this</button>'
        deeds += (
            f' <button class="quiet" name="strike" value="{r.pk}" formaction="{strike}" aria-label="Leave out {value}">'
            "Leave out</button>"
        )
    struck = ' class="struck"' if r.struck_out else ""
    return (
        f'<li{struck}><b class="num-text">{value}</b>{box} '
        f'<span class="soft small">{escape(r.method)}{reference}, {escape(r.by)}</span>{off_level}{f" {_DOUBT}" if r.doubt else ""}{deeds}</li>'
    )


def _scale(cell: Cell, scale: Scale) -> str:
    need = (
        f'<rect class="need" x="{scale.need_from}" y="2" width="{scale.need_width}" height="17"/>'
        if scale.need_width
        else ""
    )
    marks = "".join(f"M{x} 19v{-5 if label else -3}" for x, label in scale.ticks)
    labels = "".join(
        f'<text x="{x}" y="28" text-anchor="middle">{escape(label)}</text>' for x, label in scale.ticks if label
    )
    adopted = f'<path class="adopted" d="M{scale.adopted} 1V19"/>' if scale.adopted else ""
    dots = "".join(f'<circle class="dot {d.kind}" cx="{d.x}" cy="{d.y}" r="3.2"/>' for d in scale.dots)
    values = escape(", ".join(r.box or r.value if scale.boxed else r.value for r in cell.standing))
    boxed = f'<text x="{WIDE}" y="9" text-anchor="end">in the box</text>' if scale.boxed else ""
    return (
        f'<svg class="dots" viewBox="0 0 {WIDE} {HIGH}" role="img" aria-label="{values} mm{" in the box" if scale.boxed else ""}">{need}{boxed}'
        f'<path class="rule" d="M0 19H{WIDE}{marks}"/>{labels}{adopted}{dots}</svg>'
    )
