"""{% load drawings %}{% picture sheet.pair_picture css_class="pair" ident="pair" %}"""

from __future__ import annotations

from django import template
from django.utils.safestring import SafeString, mark_safe

from dispensing.drawings.shapes import Picture
from dispensing.drawings.svg import svg

register = template.Library()


@register.simple_tag
def picture(
    picture: Picture | str | None, css_class: str = "", ident: str = "", beside_figures: bool = False
) -> SafeString:
    """A drawing as SVG; nothing when there is none (None, or a name a template does not know). svg() escapes every text it is given."""
    if not isinstance(picture, Picture):
        return SafeString("")
    return mark_safe(svg(picture, css_class=css_class, ident=ident, beside_figures=beside_figures))  # noqa: S308
