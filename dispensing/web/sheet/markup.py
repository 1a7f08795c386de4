"""What a live answer draws at every keystroke, as text: figures, findings, the heading of a part.

Template by template these take longer than everything that is computed for them. The page itself has them from the same
functions, by tags. Every text that goes in is escaped here.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from html import escape
from zoneinfo import ZoneInfo

from django.urls import NoReverseMatch, reverse
from django.utils.formats import date_format

from dispensing.web.sheet.present import TO_ENTER, FigureRow, FindingView, Part, Sheet

_HERE = "figure-here"
_READ_BACK = {"rx.read-back", "rx.read-back-differs"}  # answered by typing the powers again, not by a reason
# stop = square, confirm = diamond, note = circle, unknown = dashed circle, ok = tick; words always stand beside it
_SHAPES = {
    "stop": '<path d="M3 3h14v14H3z"/><path d="M6 10h8"/>',
    "confirm": '<path d="M10 1.8 18.2 10 10 18.2 1.8 10z"/><path d="M10 6v5M10 13v1.4"/>',
    "unknown": '<circle class="rim" cx="10" cy="10" r="7.6"/><path d="M7.8 8a2.2 2.2 0 1 1 3 2q-.8.4-.8 1.4M10 13.4v1"/>',
    "ok": '<path d="M3.5 10.5l4 4 9-9.5"/>',
    "note": '<circle cx="10" cy="10" r="7.6"/><path d="M10 9v5M10 5.6v1.2"/>',
}


def shape(severity: str) -> str:
    drawn = _SHAPES.get(severity, _SHAPES["note"])
    return f'<svg class="shape is-{severity}" viewBox="0 0 20 20" aria-hidden="true" focusable="false">{drawn}</svg>'


def _address(name: str, *args: str) -> str:
    """A pattern of addresses: `_HERE` stands for what differs, so that it is resolved once and not once a row."""
    try:
        return reverse(f"dispensing:{name}", args=[*args, _HERE])
    except NoReverseMatch:
        return ""


# --- the heading of a part ------------------------------------------------------------------------------------------------


def head(part: Part) -> str:
    out = [f"<h2>{escape(part.title)}</h2>"]
    if part.summary:
        out.append(f'<span class="summary num-text">{escape(part.summary)}</span>')
    out.append(f'<span class="part-state{" missing" if part.missing else ""}">')
    if part.stops:
        out.append(f'<span class="count is-stop">{part.stops} stop</span> ')
    if part.confirms:
        out.append(f'<span class="count is-confirm">{part.confirms} to confirm</span> ')
    if part.missing:
        out.append(f"missing: {escape(', '.join(part.missing))}")
    elif not (part.stops or part.confirms):
        out.append("complete")
    out.append("</span>")
    return "".join(out)


def next_thing(sheet: Sheet) -> str:
    """The one thing to do next, for who looks up from the client. Named, so that it keeps the focus when an answer draws it anew."""
    where, what, address = sheet.next_thing
    return (
        f'<a id="next-thing" href="{escape(address)}"><span>next</span> <b>{escape(where)}</b>{f" {escape(what)}" if what else ""}</a>'
        if where
        else ""
    )


# --- figures ----------------------------------------------------------------------------------------------------------


def figures(sheet: Sheet) -> str:
    first, more = sheet.first_figures, sheet.more_figures
    if not first:
        return '<p class="figs-none soft">No figure yet: a prescription and a frame give the first.</p>'
    working = _address("working", sheet.dispense.reference)
    out = [
        _powers([f for f in first if f.pair], working),
        _table("First figures", [f for f in first if not f.pair], working),
    ]
    if more:
        table = _table("All other figures", more, working)
        out.append(f'<details class="more all-figures"><summary>All figures</summary>{table}</details>')
    return "".join(out)


def _powers(rows: Iterable[FigureRow], working: str) -> str:
    """Before the columns of the two eyes: the right eye's power would stand under the left one's letter."""
    lines = [
        f'<tr><th scope="row">{escape(f.label)}</th><td class="num">{_figure(f.pair, f.pair_path, working)}</td></tr>'
        for f in rows
    ]
    if not lines:
        return ""
    return f'<table class="figs powers"><caption class="visually-hidden">Powers ordered</caption><tbody>{"".join(lines)}</tbody></table>'


def _table(caption: str, rows: list[FigureRow], working: str) -> str:
    if not rows:
        return ""
    out = [
        f'<table class="figs"><caption class="visually-hidden">{caption}</caption>',
        '<thead><tr><th scope="col"><span class="visually-hidden">figure</span></th><th scope="col" class="num">R</th>'
        '<th scope="col" class="num">L</th></tr></thead><tbody>',
    ]
    for f in rows:
        unit = f'<span class="unit"> {escape(f.unit)}</span>' if f.unit else ""
        out.append(f'<tr><th scope="row">{escape(f.label)}{unit}</th>')
        if f.pair:
            out.append(f'<td class="num" colspan="2">{_figure(f.pair, f.pair_path, working)}</td></tr>')
        else:
            right, left = _figure(f.right, f.right_path, working), _figure(f.left, f.left_path, working)
            out.append(f'<td class="num">{right}</td><td class="num">{left}</td></tr>')
    out.append("</tbody></table>")
    return "".join(out)


def _figure(words: str, path: str, working: str) -> str:
    return f'<a href="{working.replace(_HERE, path)}" class="fig">{escape(words)}</a>' if words else ""


# --- findings ---------------------------------------------------------------------------------------------------------


def findings(sheet: Sheet, *, token: str, previewing: bool = False) -> str:
    """`token` is what a form needs against forged requests; while somebody types no reason can be given."""
    manual = _address("check")
    reason = reverse("dispensing:reason", args=[sheet.dispense.reference])
    gravest = sheet.gravest
    out = [
        f'<details class="say" id="say" open><summary><span class="tally is-{gravest}">{shape(gravest)} <b>{escape(sheet.tally)}</b>'
        '</span></summary>\n<ul class="findings">'
    ]
    # one line for the fields that are empty; who has to sign, and what a maker has to be asked, stand by themselves with what to do
    unknown = [v for v in sheet.findings if v.finding.check in TO_ENTER]
    told = [v for v in sheet.findings if v.finding.check not in TO_ENTER]
    stops = sum(v.finding.severity == "stop" for v in told)
    for place, view in enumerate([*told, None]):
        if place == stops and unknown:
            out.append(_unknown(unknown, manual))
        if view is None:
            break
        asks = view.finding.severity == "confirm" and not view.reason and sheet.allowed and not previewing
        out.append(_finding(view, manual))
        if sheet.allowed and view.finding.check in _READ_BACK:
            address = reverse("dispensing:read_back", args=[sheet.dispense.reference])
            out.append(f'<p class="finding-act"><a class="button plain" href="{address}">Read back now</a></p>')
        if view.reason:
            given, zone = view.reason, ZoneInfo(sheet.dispense.branch.time_zone)
            on = date_format(given.at.astimezone(zone), "j M")
            out.append(f'<p class="given"><b>{escape(given.by.initials)}</b>, {on}: {escape(given.text)}</p>')
        elif asks:
            out.append(_reason_form(view, reason, token))
        out.append("</div></li>")
    out.append("</ul></details>")
    if offered := dict.fromkeys(v.reason.text for v in sheet.findings if v.reason):
        out.append(
            f'<datalist id="reasons-given">{"".join(f"<option>{escape(text)}</option>" for text in offered)}</datalist>'
        )
    return "".join(out)


def _unknown(views: list[FindingView], manual: str) -> str:
    """All that is not known yet, as one: each leads to its field."""
    named = []
    for view in views:
        what = escape(view.finding.message.removeprefix("Not yet known: ").rstrip("."))
        named.append(f'<a href="#{view.where[0][0]}">{what}</a>' if view.where else what)
    why = f' · <a href="{manual.replace(_HERE, views[0].finding.check)}">why this is checked</a>' if manual else ""
    return (
        f'<li class="finding is-unknown">{shape("unknown")}<div><p class="finding-what">Not yet known: {", ".join(named)}.</p>'
        f'<p class="finding-source">{escape(views[0].finding.source)}{why}</p></div></li>'
    )


def _finding(view: FindingView, manual: str) -> str:
    f = view.finding
    word = f'<span class="finding-word">{view.word}:</span> ' if view.word else ""
    out = [
        f'<li class="finding is-{f.severity}{" is-answered" if view.reason else ""}">{shape(view.shape)}<div>'
        f'<p class="finding-what">{word}{escape(f.message)}</p>'
    ]
    seen = "; ".join(w for w in (view.seen, f"limit {f.limit}" if f.limit else "") if w)
    for name, words in (("seen", seen), ("why", f.consequence), ("do", f.resolution)):
        if words:
            out.append(f'<p class="finding-{name}">{escape(words)}</p>')
    out.append('<p class="finding-source">')
    out.extend(f'<a href="#{ident}">{escape(label)}</a> · ' for ident, label in view.where)
    out.append(escape(f.source))
    if manual:
        out.append(f' · <a href="{manual.replace(_HERE, f.check)}">why this is checked</a>')
    out.append("</p>")
    return "".join(out)


def _reason_form(view: FindingView, url: str, token: str) -> str:
    """Its field is named after the finding, not after its place in the list: what is half typed stays with its finding."""
    n = hashlib.sha256(view.finding.key.encode()).hexdigest()[:10]
    wrong = f' aria-invalid="true" aria-describedby="reason-{n}-error"' if view.error else ""
    error = f'<p class="error" id="reason-{n}-error">{escape(view.error)}</p>' if view.error else ""
    void = '<p class="small doubt-words">The figures have changed since a reason was given.</p>' if view.void else ""
    return (
        f'{void}<form method="post" class="reason" action="{url}"><input type="hidden" name="csrfmiddlewaretoken"'
        f' value="{escape(token)}"><input type="hidden" name="finding" value="{escape(view.finding.key)}"><input type="hidden" name="seen" value="{view.mark}">'
        f'<label class="visually-hidden" for="reason-{n}">Why this is right</label><input id="reason-{n}" name="reason"'
        f' value="{escape(view.typed)}" placeholder="why this is right" list="reasons-given" autocomplete="off" data-skip{wrong}>'
        f'<button class="plain">Give reason</button>{error}</form>'
    )
