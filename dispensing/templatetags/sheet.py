"""{% load sheet %}{% entry "prescription.right.sphere" %}: one field of the sheet.

Written as text rather than as a template: a sheet has ninety fields, and a template for each costs more than all the rest.
Every text that goes in is escaped here.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from html import escape
from typing import Any

from django import template
from django.template.context import Context
from django.urls import NoReverseMatch, reverse
from django.utils.safestring import SafeString, mark_safe

from dispensing import forms
from dispensing.case import PrescribedLens
from dispensing.forms import FIGURE_KINDS, Entry
from dispensing.web.sheet import markup, markup_readings, present, readings

register = template.Library()


@register.simple_tag(takes_context=True)
def entry(context: Context, path: str, label: str = "", show: str = "") -> SafeString:
    """The field at `path` of `entries`. `label` replaces its name; `show`: "bare" hides the label, "chips" lays choices out."""
    entries: Mapping[str, Entry] = context["entries"]
    e = entries[path]
    kind = e.spec.kind
    name = escape(label or e.spec.label)
    if kind == "many":
        return mark_safe(_many(e, name))  # noqa: S308
    if kind == "tick":
        return mark_safe(_tick(e, name))  # noqa: S308
    if kind == "choice" and show == "chips":
        return mark_safe(_chips(e, name))  # noqa: S308
    return mark_safe(_field(e, name, bare=show == "bare"))  # noqa: S308


@register.simple_tag(takes_context=True)
def eye_entry(context: Context, eye: str, name: str) -> SafeString:
    """A field of one eye of the prescription, its label unseen (the column says it)."""
    return mark_safe(_field(context["entries"][f"prescription.{eye}.{name}"], None, bare=True))  # noqa: S308


@register.simple_tag(takes_context=True)
def ordered_entry(context: Context, eye: str, name: str) -> SafeString:
    return mark_safe(_field(context["entries"][f"lens.ordered_{eye}.{name}"], None, bare=True))  # noqa: S308


@register.simple_tag
def cell_entry(e: Entry) -> SafeString:
    return mark_safe(_field(e, None, bare=True))  # noqa: S308


@register.simple_tag
def part_head(part: present.Part) -> SafeString:
    return mark_safe(markup.head(part))  # noqa: S308


@register.simple_tag
def next_thing(sheet: present.Sheet) -> SafeString:
    return mark_safe(markup.next_thing(sheet))  # noqa: S308


@register.simple_tag
def sheet_figures(sheet: present.Sheet) -> SafeString:
    return mark_safe(markup.figures(sheet))  # noqa: S308


@register.simple_tag(takes_context=True)
def sheet_findings(context: Context, sheet: present.Sheet) -> SafeString:
    return mark_safe(markup.findings(sheet, token=str(context.get("csrf_token", ""))))  # noqa: S308


@register.simple_tag
def sheet_readings(sheet: present.Sheet, desk: readings.Desk) -> SafeString:
    return mark_safe(markup_readings.readings_now(sheet, desk))  # noqa: S308


@register.filter
def at(mapping: Mapping[str, Any], key: str) -> Any:
    return mapping.get(key)


@register.filter
def eye_words(lens: PrescribedLens) -> str:
    return present.eye_words(lens)


@register.filter
def field_words(path: str) -> str:
    """What a path of the Case is called on the page."""
    at = forms.field_path(path)
    return forms.all_specs()[at].label if at else path.replace(".", " ").replace("_", " ")


@register.filter
def words(code: str) -> str:
    """A stored code ("marked_lens") as words."""
    return code.replace("_", " ")


@register.filter
def part_of(path: str) -> str:
    return path.partition(".")[0]


@register.filter
def field_id(path: str) -> str:
    return forms.all_specs()[path].id if path in forms.all_specs() else ""


@register.filter
def place_words(path: str) -> str:
    """What a comment is tied to: the part and the name of the field, or the part alone."""
    spec = forms.all_specs().get(path)
    return f"{spec.part.capitalize()}, {spec.label[0].lower()}{spec.label[1:]}" if spec else path.capitalize()


@register.filter
def manual_url(check: str) -> str:
    """The manual page of a check; empty while there is none."""
    try:
        return reverse("dispensing:check", args=[check])
    except NoReverseMatch:
        return ""


def _field(e: Entry, label: str | None, *, bare: bool) -> str:
    spec = e.spec
    ident = spec.id
    figure = spec.kind in FIGURE_KINDS
    name = label if label is not None else escape(spec.label)
    unit = f' <span class="unit">{escape(spec.unit)}</span>' if spec.unit and not bare else ""
    hidden = ' class="visually-hidden"' if bare else ""
    unit_word = f" ({escape(spec.unit)})" if spec.unit and bare else ""
    classes = "field figure" if figure else "field"
    if e.error:
        classes += " bad"
    invalid = ' aria-invalid="true"' if e.error else ""
    after = _after(e)
    described = _described(e, after)
    if spec.kind == "text":
        control = f'<textarea id="{ident}" name="{spec.path}" rows="2"{described}{invalid}>\n{escape(e.typed)}</textarea>'
        classes += " wide"
    elif spec.kind == "choice":
        options = "".join(
            f'<option value="{escape(v)}"{" selected" if v == e.typed else ""}>{escape(w)}</option>'
            for v, w in spec.choices
        )
        blank = "" if spec.path.startswith("readings.") else '<option value=""></option>'
        control = f'<select id="{ident}" name="{spec.path}"{described}{invalid}>{blank}{options}</select>'
    else:
        kind = f' data-kind="{spec.kind}"' if figure or spec.kind == "date" else ""
        mode = ' inputmode="decimal"' if spec.kind in ("mm", "degrees", "axis", "far") and Decimal(spec.low) >= 0 else ""
        control = f'<input id="{ident}" name="{spec.path}" value="{escape(e.typed)}"{kind}{mode}{described}{invalid}>'
    return f'<div class="{classes}"><label for="{ident}"{hidden}>{name}{unit_word}{unit}</label>{control}{after}</div>'


def _after(e: Entry) -> str:
    """How it was understood, what somebody else has there, and what is wrong: what there is of it. A script makes the places of
    the rest (`sheet.js`); ninety fields with empty ones would be a tenth of the page."""
    ident = e.spec.id
    echo = e.echo if e.echo and e.typed not in (e.echo, e.echo.split(" ")[0]) else ""
    theirs = f'<span class="theirs">theirs: {escape(e.theirs)}</span>' if e.theirs is not None else ""
    theirs += f'<p class="remark" id="{ident}-remark">{escape(e.remark)}</p>' if e.remark else ""
    understood = f'<output class="echo" id="{ident}-echo">{escape(echo)}</output>' if echo else ""
    wrong = f'<p class="error" id="{ident}-error">{escape(e.error)}</p>' if e.error else ""
    return f"{understood}{theirs}{wrong}"


def _described(e: Entry, after: str) -> str:
    """What `_after` has put there, for who hears the page."""
    places = [f"{e.spec.id}-{name}" for name in ("echo", "error", "remark") if f'id="{e.spec.id}-{name}"' in after]
    return f' aria-describedby="{" ".join(places)}"' if places else ""


def _tick(e: Entry, name: str) -> str:
    ident, after = e.spec.id, _after(e)
    return (
        f'<div class="field"><label class="tick" for="{ident}"><input type="checkbox" id="{ident}" name="{e.spec.path}" value="1"'
        f"{' checked' if e.typed else ''}{_described(e, after)}> <span>{name}</span></label>{after}</div>"
    )


def _many(e: Entry, name: str) -> str:
    ident = e.spec.id
    chosen = set(e.chosen)
    chips = "".join(
        f'<label class="choice"><input type="checkbox" name="{e.spec.path}" value="{escape(v)}"{" checked" if v in chosen else ""}>'
        f" {escape(w)}</label>"
        for v, w in e.spec.choices
    )
    return (
        f'<fieldset class="field choices" id="{ident}" tabindex="-1"><legend>{name}</legend><div class="chips">{chips}</div>{_after(e)}'
        "</fieldset>"
    )


def _chips(e: Entry, name: str) -> str:
    ident = e.spec.id
    chips = "".join(
        f'<label class="choice"><input type="radio" name="{e.spec.path}" value="{escape(v)}"{" checked" if v == e.typed else ""}>'
        f" {escape(w)}</label>"
        for v, w in e.spec.choices
    )
    return (
        f'<fieldset class="field choices" id="{ident}" tabindex="-1"><legend>{name}</legend><div class="chips">{chips}</div>{_after(e)}'
        "</fieldset>"
    )
