"""What the forms of people and places share: fields read by a function, and errors of use cases put beside them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms

from practice.errors import Invalid
from practice.web.fields import Field, field_of


class Read(forms.Field):
    """A field whose text is read by a function that raises ValueError with the sentence to show."""

    def __init__(self, reader: Callable[[str], Any], *, needed: str = "", **kwargs: Any) -> None:
        self.reader, self.needed = reader, needed
        super().__init__(required=bool(needed), **kwargs)

    def clean(self, value: Any) -> Any:
        text = str(value or "")
        if self.needed and not text.strip():
            raise forms.ValidationError(self.needed)
        try:
            return self.reader(text)
        except ValueError as problem:
            raise forms.ValidationError(str(problem)) from problem


def whole_number(low: int, high: int, *, optional: bool = False, unit: str = "") -> Callable[[str], int | None]:
    """A reader of whole numbers in ASCII digits."""

    def reader(text: str) -> int | None:
        text = text.strip()
        if not text and optional:
            return None
        if not (text.isascii() and text.isdigit() and len(text) <= 9):
            raise ValueError(f"A whole number from {low} to {high}{unit}.")
        value = int(text)
        if not low <= value <= high:
            raise ValueError(f"From {low} to {high}{unit}.")
        return value

    return reader


def show_errors(form: forms.Form, problem: Invalid) -> str:
    """Put what a use case refused beside the fields of the form; what has no field there is returned."""
    rest = []
    for name, message in problem.errors.items():
        if name in form.fields:
            form.add_error(name, message)
        else:
            rest.append(message)
    return " ".join(rest)


def fields_of(form: forms.Form, **more: dict[str, Any]) -> list[Field]:
    """All fields of a form for the templates; `more` gives the details of some by name."""
    return [field_of(form, name, **more.get(name, {})) for name in form.fields]
