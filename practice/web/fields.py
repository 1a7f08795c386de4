"""Form fields as the templates want them: what was typed is shown again as it was typed, the error beside it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from django import forms

_INPUT_TYPES = {"email": "email", "tel": "tel", "password": "password", "search": "search"}


@dataclass(frozen=True, kw_only=True)
class Field:
    """One field of `practice/field.html`. `echo` is how a typed value was understood; None leaves the place out."""

    name: str
    label: str
    value: Any = ""
    kind: str = "text"  # text, figure, date, email, tel, password, search, textarea, select, tick
    unit: str = ""
    echo: str | None = None
    error: str = ""
    help: str = ""
    required: bool = False
    choices: Sequence[tuple[Any, str]] = ()
    autocomplete: str = ""
    inputmode: str = ""
    maxlength: int | None = None
    rows: int = 3
    readonly: bool = False
    doubt: bool = False
    wide: bool = False
    attrs: Mapping[str, str] = field(default_factory=dict)
    ident: str = ""  # where one name stands several times on a page

    @property
    def id(self) -> str:
        return "f-" + (self.ident or self.name).replace(".", "-")

    @property
    def input_type(self) -> str:
        return _INPUT_TYPES.get(self.kind, "text")

    @property
    def described_by(self) -> str:
        """Identifiers of everything that says more about the field, for aria-describedby."""
        parts = [
            f"{self.id}-{part}"
            for part, there in (
                ("unit", self.unit and self.kind not in {"tick", "textarea"}),
                ("echo", self.echo is not None),
                ("help", self.help),
                ("error", self.error),
            )
            if there
        ]
        return " ".join(parts)


_KINDS: list[tuple[type[forms.Field], str]] = [
    (forms.BooleanField, "tick"),
    (forms.ModelChoiceField, "select"),
    (forms.ChoiceField, "select"),
    (forms.EmailField, "email"),
]


def field_of(form: forms.Form, name: str, **more: Any) -> Field:
    """The Field of one Django form field. `more` overrides (kind, unit, echo, autocomplete, wide, …)."""
    bound = form[name]
    declared = bound.field
    kind = next((k for t, k in _KINDS if isinstance(declared, t)), "text")
    if isinstance(declared.widget, forms.Textarea):
        kind = "textarea"
    if isinstance(declared.widget, forms.PasswordInput):
        kind = "password"
    value = bound.value()
    if kind == "password":
        value = ""  # never written back
    values: dict[str, Any] = {
        "name": bound.html_name,
        "label": str(bound.label or name.replace("_", " ")),
        "value": value,
        "kind": kind,
        "error": str(bound.errors[0]) if bound.errors else "",
        "help": str(declared.help_text or ""),
        "required": declared.required and kind not in {"tick", "select"},
        "choices": [*getattr(declared, "choices", ())] if kind == "select" else (),
        "autocomplete": declared.widget.attrs.get("autocomplete", ""),
        "wide": kind == "textarea",
    }
    return Field(**{**values, **more})


def with_errors(fields: Iterable[Field]) -> list[Field]:
    """Those that need another look, for `practice/errors.html`."""
    return [f for f in fields if f.error]
