"""A Case from JSON and back, with its JSON Schema, by reflection over the frozen dataclasses of `case`.

There is no second list of fields: a field added to `case.py` is read, written and described here by itself.
Whatever is fed in, the outcome is a Case or a `CaseError` that names every path at fault; nothing else is raised.
"""

from __future__ import annotations

import dataclasses
import inspect
import math
import re
import types
import typing
from collections.abc import Callable, Mapping
from datetime import date, datetime
from difflib import get_close_matches
from functools import cache
from typing import Any, Literal

import orjson

from dispensing import case as case_module
from dispensing.case import Case

SCHEMA_ID = "https://datumline.invalid/schema/case-1.json"  # a name, not an address that answers
MAX_BYTES = 262_144
MAX_TEXT = 2_000
MAX_ITEMS = 2_000  # the longest list is an outline
MAX_SIZE = 1e6  # no number of this trade is larger
MAX_ERRORS = 40

Json = Any
_Errors = dict[str, str]
_Reader = Callable[[Json, str, _Errors], Any]

_DATE = re.compile(r"\d{4}-\d{2}-\d{2}\Z", re.ASCII)
_MOMENT = re.compile(r"\d{4}-\d{2}-\d{2}[Tt]\d{2}:\d{2}:\d{2}(\.\d{1,9})?([Zz]|[+-]\d{2}:\d{2})\Z", re.ASCII)
_BAD: Any = object()  # stands for a value that was refused; the error is already noted


class CaseError(ValueError):
    """The JSON is no Case. `errors` maps a path to one plain sentence; the path of the whole is ""."""

    def __init__(self, errors: Mapping[str, str]) -> None:
        self.errors = dict(errors)
        super().__init__("; ".join(f"{path or 'case'}: {text}" for path, text in self.errors.items()))


def case_from_text(text: str | bytes) -> Case:
    """One Case from JSON text (UTF-8, at most MAX_BYTES). Raises CaseError."""
    if len(text) > MAX_BYTES:
        raise CaseError({"": f"Longer than {MAX_BYTES} bytes."})
    try:
        data = orjson.loads(text)  # refuses NaN, Infinity, trailing text, broken UTF-8 and endless nesting by itself
    except (ValueError, RecursionError) as error:
        raise CaseError({"": f"Not JSON: {_short(str(error))}."}) from None
    return case_from_json(data)


def case_from_json(data: Json) -> Case:
    """A Case from parsed JSON. Raises CaseError naming every path at fault (the first MAX_ERRORS of them)."""
    errors: _Errors = {}
    case = _reader(Case)(data, "", errors)
    if errors:
        raise CaseError(dict(list(errors.items())[:MAX_ERRORS]))
    assert isinstance(case, Case)
    return case


def case_to_json(case: Case) -> dict[str, Json]:
    """Plain JSON values. What is not on record (None, empty text, empty list) is left out; zero and false are not."""
    written = _write(case)
    assert isinstance(written, dict)
    return written


@cache
def case_schema() -> dict[str, Json]:
    """JSON Schema 2020-12 of what `case_from_json` takes. Descriptions are the comments of `case.py`."""
    definitions: dict[str, Json] = {}
    root = _schema(Case, definitions)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA_ID,
        "title": "Case: one dispense as plain values",
        "description": "Millimetres, dioptres, prism dioptres, degrees (axis 1-180, ISO 8429), grams. "
        "For both eyes x is positive towards the nose and y upwards, from the boxed centre. "
        "A value left out, or null, is not on record; it never means zero.",
        **root,
        "$defs": dict(sorted(definitions.items())),
    }


# --- reading ----------------------------------------------------------------------------------------------------------


@cache
def _reader(kind: Any) -> _Reader:
    origin = typing.get_origin(kind)
    if dataclasses.is_dataclass(origin or kind):
        return _record_reader(kind)
    if origin in (typing.Union, types.UnionType):
        return _optional_reader(kind)
    if origin is Literal:
        return _choice_reader(typing.get_args(kind))
    if origin is tuple:
        return _named_numbers if _is_named(kind) else _list_reader(typing.get_args(kind)[0])
    simple: dict[Any, _Reader] = {
        float: _number,
        int: _whole,
        bool: _flag,
        str: _text,
        date: _day,
        datetime: _moment,
    }
    return simple[kind]


def _is_named(kind: Any) -> bool:
    """tuple[tuple[str, X], ...] is an object in JSON."""
    return typing.get_origin(typing.get_args(kind)[0]) is tuple


def _record_reader(kind: Any) -> _Reader:
    cls = typing.get_origin(kind) or kind
    hints = _hints(kind)
    fields = {f.name: f for f in dataclasses.fields(cls)}
    readers = {name: _reader(hints[name]) for name in fields}
    required = tuple(
        f.name for f in fields.values() if f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING
    )
    nullable = {name for name in fields if type(None) in typing.get_args(hints[name])}

    def read(value: Json, path: str, errors: _Errors) -> Any:
        if not isinstance(value, dict):
            return _refuse(errors, path, f"Expected an object, got {_kind_of(value)}.")
        dot = path + "." if path else ""
        found: dict[str, Any] = {}
        for name, item in value.items():
            reader = readers.get(name)
            if reader is None:
                if len(errors) < MAX_ERRORS:
                    near = get_close_matches(str(name)[:40], fields, 1)
                    hint = f" Did you mean {near[0]}?" if near else ""
                    _refuse(errors, dot + _short(str(name)), f"There is no such field.{hint}")
            elif item is not None or name in nullable:
                found[name] = reader(item, dot + name, errors)
            elif name in required:
                _refuse(errors, dot + name, "Must be given.")
        for name in required:
            if name not in value:
                _refuse(errors, dot + name, "Must be given.")
        return _BAD if errors else cls(**found)

    return read


def _optional_reader(kind: Any) -> _Reader:
    inner = [a for a in typing.get_args(kind) if a is not type(None)]
    reader = _reader(inner[0])
    return lambda value, path, errors: None if value is None else reader(value, path, errors)


def _choice_reader(allowed: tuple[str, ...]) -> _Reader:
    def read(value: Json, path: str, errors: _Errors) -> Any:
        if isinstance(value, str) and value in allowed:
            return value
        return _refuse(errors, path, f"Expected one of {', '.join(allowed)}.")

    return read


def _list_reader(kind: Any) -> _Reader:
    reader = _reader(kind)

    def read(value: Json, path: str, errors: _Errors) -> Any:
        if not isinstance(value, list):
            return _refuse(errors, path, f"Expected a list, got {_kind_of(value)}.")
        if len(value) > MAX_ITEMS:
            return _refuse(errors, path, f"At most {MAX_ITEMS} items.")
        return tuple(reader(item, f"{path}.{index}", errors) for index, item in enumerate(value))

    return read


def _named_numbers(value: Json, path: str, errors: _Errors) -> Any:
    if not isinstance(value, dict):
        return _refuse(errors, path, f"Expected an object of numbers, got {_kind_of(value)}.")
    if len(value) > MAX_ITEMS:
        return _refuse(errors, path, f"At most {MAX_ITEMS} items.")
    return tuple((_short(str(name)), _number(item, f"{path}.{_short(str(name))}", errors)) for name, item in value.items())


def _number(value: Json, path: str, errors: _Errors) -> Any:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return _refuse(errors, path, f"Expected a number, got {_kind_of(value)}.")
    if not -MAX_SIZE <= value <= MAX_SIZE:  # also false for NaN
        return _refuse(errors, path, "Not a number of this trade.")
    return float(value)


def _whole(value: Json, path: str, errors: _Errors) -> Any:
    number = _number(value, path, errors)
    if number is not _BAD and number != math.floor(number):
        return _refuse(errors, path, "Expected a whole number.")
    return number if number is _BAD else int(number)


def _flag(value: Json, path: str, errors: _Errors) -> Any:
    return value if isinstance(value, bool) else _refuse(errors, path, f"Expected true or false, got {_kind_of(value)}.")


def _text(value: Json, path: str, errors: _Errors) -> Any:
    if not isinstance(value, str):
        return _refuse(errors, path, f"Expected text, got {_kind_of(value)}.")
    if len(value) > MAX_TEXT:
        return _refuse(errors, path, f"At most {MAX_TEXT} characters.")
    return value


def _day(value: Json, path: str, errors: _Errors) -> Any:
    if isinstance(value, str) and _DATE.match(value):
        try:
            return date.fromisoformat(value)
        except ValueError:
            pass
    return _refuse(errors, path, "Expected a date as YYYY-MM-DD.")


def _moment(value: Json, path: str, errors: _Errors) -> Any:
    if isinstance(value, str) and _MOMENT.match(value):
        try:
            return datetime.fromisoformat(value.upper())
        except ValueError:
            pass
    return _refuse(errors, path, "Expected a moment with its time zone, as 2026-05-04T09:30:00+02:00.")


def _refuse(errors: _Errors, path: str, message: str) -> Any:
    if len(errors) < MAX_ERRORS:
        errors.setdefault(path, message)
    return _BAD


def _short(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "..."


def _kind_of(value: Json) -> str:
    names = {dict: "an object", list: "a list", str: "text", bool: "true or false", int: "a number", float: "a number"}
    return names.get(type(value), "null" if value is None else type(value).__name__)


# --- writing ----------------------------------------------------------------------------------------------------------


def _write(value: Any) -> Json:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        plain = ((f, _write(getattr(value, f.name))) for f in dataclasses.fields(value))
        return {f.name: item for f, item in plain if _worth_writing(f, item)}
    if isinstance(value, tuple):
        if value and isinstance(value[0], tuple):
            return {name: _write(item) for name, item in value}
        return [_write(item) for item in value]
    if isinstance(value, datetime | date):
        return value.isoformat()
    return value


def _worth_writing(field: dataclasses.Field[Any], item: Json) -> bool:
    """None is left out where leaving it out reads back as None (a rule switched off must stay switched off)."""
    if item is None:
        return field.default is not None
    return item not in ("", [], {})


# --- schema -----------------------------------------------------------------------------------------------------------


def _schema(kind: Any, definitions: dict[str, Json]) -> dict[str, Json]:
    origin = typing.get_origin(kind)
    if dataclasses.is_dataclass(origin or kind):
        name = _name_of(kind)
        if name not in definitions:
            definitions[name] = {}  # holds the place while the fields are described
            definitions[name] = _record_schema(kind, definitions)
        return {"$ref": f"#/$defs/{name}"}
    if origin in (typing.Union, types.UnionType):
        inner = next(a for a in typing.get_args(kind) if a is not type(None))
        described = _schema(inner, definitions)
        return {"anyOf": [described, {"type": "null"}]}
    if origin is Literal:
        return {"enum": list(typing.get_args(kind))}
    if origin is tuple:
        if _is_named(kind):
            return {"type": "object", "additionalProperties": _schema(float, definitions), "maxProperties": MAX_ITEMS}
        return {"type": "array", "items": _schema(typing.get_args(kind)[0], definitions), "maxItems": MAX_ITEMS}
    simple: dict[Any, dict[str, Json]] = {
        float: {"type": "number", "minimum": -MAX_SIZE, "maximum": MAX_SIZE},
        int: {"type": "integer", "minimum": -MAX_SIZE, "maximum": MAX_SIZE},
        bool: {"type": "boolean"},
        str: {"type": "string", "maxLength": MAX_TEXT},
        date: {"type": "string", "format": "date", "pattern": r"^\d{4}-\d{2}-\d{2}$"},
        datetime: {"type": "string", "format": "date-time"},
    }
    return dict(simple[kind])


def _record_schema(kind: Any, definitions: dict[str, Json]) -> dict[str, Json]:
    cls = typing.get_origin(kind) or kind
    hints = _hints(kind)
    comments = _comments(cls)
    properties: dict[str, Json] = {}
    required: list[str] = []
    for field in dataclasses.fields(cls):
        described = _schema(hints[field.name], definitions)
        if field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING:
            required.append(field.name)
        elif "anyOf" not in described:
            described = {
                "anyOf": [described, {"type": "null"}]
            }  # null: not on record, for every field that may be left out
        if field.name in comments:
            described["description"] = comments[field.name]
        default = field.default
        if isinstance(default, bool | int | float | str) and default != "":
            described["default"] = default
        properties[field.name] = described
    about = inspect.cleandoc(cls.__doc__ or "") if not (cls.__doc__ or "").startswith(cls.__name__ + "(") else ""
    found: dict[str, Json] = {"type": "object", "properties": properties, "additionalProperties": False}
    if required:
        found["required"] = required
    if about:
        found["description"] = about
    return found


def _name_of(kind: Any) -> str:
    origin = typing.get_origin(kind)
    if origin is None:
        return str(kind.__name__)
    inner = typing.get_args(kind)[0]
    parts = [a for a in typing.get_args(inner) if a is not type(None)] or [inner]
    return f"{origin.__name__}Of{parts[0].__name__.capitalize()}"


@cache
def _hints(kind: Any) -> dict[str, Any]:
    origin = typing.get_origin(kind)
    hints = typing.get_type_hints(origin or kind, vars(case_module))
    if origin is None:
        return hints
    bound = dict(zip(origin.__parameters__, typing.get_args(kind), strict=True))
    return {name: bound.get(hint, hint) for name, hint in hints.items()}


_FIELD = re.compile(r"^    (\w+): .*?  # (.+)$")


def _comments(cls: type) -> dict[str, str]:
    """The trailing comment of each field: it holds the unit and the sign, and readers of the schema need them too."""
    found = {}
    for line in inspect.getsource(cls).splitlines():
        match = _FIELD.match(line)
        if match:
            found[match.group(1)] = match.group(2)
    return found
