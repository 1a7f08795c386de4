"""A label for the tray in which a pair travels through the lab: number and bar code to scan, both powers in one line each."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from dispensing.case import EYES
from dispensing.drawings.page import SOFT, STOP, Sheet, fitting_size, width, wrap

from .words import NONE, axis, length, power, prism_part

WIDTH, HEIGHT = 100.0, 40.0
_EDGE = 3.0
_ROOM = WIDTH - 2 * _EDGE


def tray_label(document: dict[str, Any], *, cancelled: bool = False) -> bytes:
    """The label as PDF, 100 x 40 mm, from the order document alone. No name of the client: a tray is seen by many.

    With `cancelled` it says so in place of the powers: from such a label nothing can be made.
    """
    sheet = _sheet(document, f"Tray label {document['order']['number']}")
    _label(sheet, document, cancelled)
    return sheet.data()


def tray_labels(orders: Sequence[tuple[dict[str, Any], bool]]) -> bytes:
    """Labels of several orders (document, whether cancelled), one a page, as a label printer wants them."""
    sheet = _sheet(orders[0][0], f"{len(orders)} tray labels")
    for k, (document, cancelled) in enumerate(orders):
        if k:
            sheet.next_page()
        _label(sheet, document, cancelled)
    return sheet.data()


def _sheet(document: dict[str, Any], title: str) -> Sheet:
    return Sheet(
        title=title,
        author=document["branch"]["name"],
        subject="Label for a lab tray",
        size=(WIDTH, HEIGHT),
        made_at=datetime.fromisoformat(document["order"]["issued_at"].replace("Z", "+00:00")),
    )


def _label(sheet: Sheet, document: dict[str, Any], cancelled: bool) -> None:
    order, design, frame = document["order"], document["lens"]["design"], document["frame"]
    with sheet.element("H1"):
        sheet.text(_EDGE, 8.0, order["number"], size=fitting_size(order["number"], 46.0, 17, 6, bold=True) or 6, bold=True)
    sheet.barcode(WIDTH, 2.5, order["number"], wide=50.0, high=8.5, alternative=f"Code 128: {order['number']}")
    y = 13.6
    told = _told_on_the_order(document)
    with sheet.element("P"):
        _one_line(
            sheet,
            y,
            f"{document['branch']['name']} · {document['client']['reference']}",
            7.0,
            SOFT,
            room=_ROOM - (width(told, 7.0, bold=True) + 3.0 if told and not cancelled else 0.0),
        )
    if cancelled:
        with sheet.element("P"):
            sheet.text(_EDGE, y + 9.0, "CANCELLED: DO NOT MAKE", size=17, bold=True, colour=STOP)
        return
    if told:
        with sheet.element("P"):
            sheet.text(WIDTH - _EDGE, y, told, size=7.0, bold=True, anchor="end")
    for eye in EYES:
        y += 5.8
        with sheet.element("P"):
            sheet.text(_EDGE, y, eye[0].upper(), size=10, bold=True)
            words = _power(document["lenses"][eye])
            sheet.text(
                _EDGE + 5.0, y, words, size=fitting_size(words, WIDTH - 2 * _EDGE - 5.0, 10, 5, bold=True) or 5, bold=True
            )
    y += 5.2
    material = document["lens"]["material"]
    with sheet.element("P"):
        _one_line(sheet, y, f"{design['name']}, {material['name']}", 7.4)
    coating, tint = document["lens"]["coating"], document["lens"]["tint"]
    said = (f"coating {coating}" if coating else "", f"tint {tint['name']}" if tint else "")
    surface = ", ".join(words for words in said if words)
    if surface:
        y += 3.8
        with sheet.element("P"):
            _one_line(sheet, y, surface, 7.4)
    y += 3.8
    with sheet.element("P"):
        boxed = f"{length(frame['a'])} × {length(frame['b'])}, {length(frame['dbl'])} between lenses"
        _one_line(sheet, y, f"{frame['name']}, {boxed}", 7.0, SOFT)


def _told_on_the_order(document: dict[str, Any]) -> str:
    """What the tray must not travel without: words that stand on the order alone."""
    if document["lens"]["remark"]:
        return "Remark: see the order"
    return "Instructions: see the order" if document["instructions"] else ""


def _one_line(sheet: Sheet, y: float, text: str, size: float, colour: str = "ink", room: float = _ROOM) -> None:
    """As large as fits; what does not fit even at 5 points ends in an ellipsis: the order itself has it in full."""
    fitted = fitting_size(text, room, size, 5.0)
    if fitted is None:
        text, fitted = wrap(text, room - 2.0, 5.0)[0] + "…", 5.0
    sheet.text(_EDGE, y, text, size=fitted, colour=colour)


def _power(lens: dict[str, Any]) -> str:
    ordered = lens["ordered"]
    if ordered is None:
        return "balance"
    parts = [power(ordered["sphere"])]
    if ordered["axis"] is not None:
        parts.append(f"{power(ordered['cylinder'])} × {axis(ordered['axis'])}")
    if ordered["addition"] is not None:
        parts.append(f"add {power(ordered['addition'])}")
    prism = [t for t in (prism_part(ordered["prism"]["horizontal"]), prism_part(ordered["prism"]["vertical"])) if t != NONE]
    if prism:
        parts.append("Δ " + ", ".join(prism))
    return "  ".join(parts)
