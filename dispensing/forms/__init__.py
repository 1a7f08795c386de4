"""What people type at the fitting desk, field by field: parsed, echoed in full notation, refused beside the field.

No widgets: a page draws its own inputs. A field's name in a form is its path in the Case (`prescription.right.sphere`), which is
also where a finding or a refused value points. A prism and its base are typed together ("2 in"), at the path of the amount.
"""

from .fields import (
    COMPENSATION_CHOICES,
    FIGURE_KINDS,
    METHOD_WORDS,
    MOUNT_CHOICES,
    PART_NAMES,
    QUANTITY_WORDS,
    READING_FIELDS,
    REFERENCE_WORDS,
    USE_WORDS,
    Entry,
    Kind,
    Spec,
    all_specs,
    field_path,
    specs,
)
from .reading import MOST_READINGS_AT_ONCE, Parsed, Posted, errors_of, parse, parse_date, read
from .showing import ECHOED, echo_of, filled, shown, words_of
from .typed import TypedReadings, typed_readings

__all__ = [
    "COMPENSATION_CHOICES", "ECHOED", "FIGURE_KINDS", "METHOD_WORDS", "MOST_READINGS_AT_ONCE", "MOUNT_CHOICES", "PART_NAMES",
    "QUANTITY_WORDS", "READING_FIELDS", "REFERENCE_WORDS", "USE_WORDS", "Entry", "Kind", "Parsed", "Posted", "Spec",
    "TypedReadings", "all_specs", "echo_of", "errors_of", "field_path", "filled", "parse", "parse_date", "read", "shown",
    "specs", "typed_readings", "words_of",
]  # fmt: skip
