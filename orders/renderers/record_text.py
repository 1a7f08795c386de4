"""An order as record text with trace: an UNVERIFIED profile of the industry's open Data Communication Standard.

    LABEL=right;left CR LF        printable ASCII, at most 80 characters a record, figures with a decimal point

Off unless a lab asks for it. What every label means, and how sure that is, stands in `record_labels`; `record_reader` reads the
text back. Two decisions keep a lens from being made wrong by it:

* the powers are those ordered. Where the practice has compensated them for the position of wear, the angles and the vertex distance
  are not written under the standard labels, so that no program compensates a second time;
* a single vision lens that is centred for near has NPD and no IPD, and the other way round.

Words are made ASCII (letters lose their accents, a minus or a decimal comma keeps its meaning, what has no ASCII form becomes "~"), and
the separators and control characters in them become spaces: words typed by somebody can never begin a record. A comma is a separator
too. Between digits it is a decimal comma, and written as a point, where the figure has one comma and one or two digits after it, as the
sheet reads a typed figure; any other comma between digits (1,000 or 10,20,30) could mean more than one thing and becomes "~", so that
no figure is made that nobody wrote.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Any

from orders.renderers.record_labels import LONGEST_RECORD, RESERVED, WRITTEN
from orders.renderers.words import all_near_notes, light_not_known

MEDIA_TYPE = "text/plain; charset=us-ascii"
PROFILE = "UNVERIFIED;1"
END = "\r\n"
EYES = (("right", "R"), ("left", "L"))
_TYPES = {"single_vision": "SV", "round_bifocal": "BI", "flat_top_bifocal": "BI", "trifocal": "TR", "progressive": "PR"}
_COMPENSATION = {"none": "NONE", "practice": "DONE", "maker": "MAKER"}
_EDGES = {"full_rim": "1", "drilled": "2", "grooved": "3"}
_PLASTIC = ("acetate", "propionate", "plastic", "nylon", "polyamide")
_METAL = ("metal", "titanium", "steel", "alloy", "aluminium")


class CannotWrite(ValueError):
    """Record text has no way to say this order without misleading a machine."""


# what says something about a figure, or only looks another way, has an ASCII form
_ASCII = str.maketrans(
    dict.fromkeys("−–—‒‐‑⁃﹣－", "-")
    | dict.fromkeys("‘’ʼ′", "'")
    | dict.fromkeys("“”„″", '"')
    | {"×": "x", "±": "+/-", "⁄": "/", "∕": "/"}
)
_WITH_COMMAS = re.compile(r"[0-9][0-9.,]*,[0-9.,]*[0-9]")
_DECIMAL_COMMA = re.compile(r"([0-9]{1,3}),([0-9]{1,2})")
_COMMA_BETWEEN = re.compile(r"(?<=[0-9]),(?=[0-9])")
_FRACTION = re.compile("(?<=[0-9])(?=[¼-¾⅐-⅟↉])")
_RAISED = re.compile("(?<![⁰¹²³⁴-⁹⁺⁻])(?=[⁰¹²³⁴-⁹⁺⁻])")


def _spread(text: str) -> str:
    """Unicode's own decomposition would make 11/2 of 1½ and 102 of 10²: a fraction stands apart, a raised digit has its mark."""
    return _FRACTION.sub(" ", _RAISED.sub("^", text))


def _commas(run: re.Match[str]) -> str:
    """Figures with commas: one with a decimal comma has a point, what could be thousands or a list keeps a mark that is neither."""
    decimal = _DECIMAL_COMMA.fullmatch(run[0])
    return f"{decimal[1]}.{decimal[2]}" if decimal else _COMMA_BETWEEN.sub("~", run[0])


def ascii_words(text: str, longest: int = 1000) -> str:
    """Printable ASCII without the reserved characters; white space and control characters become single spaces."""
    plain = []
    for char in _WITH_COMMAS.sub(_commas, unicodedata.normalize("NFKD", _spread(text).translate(_ASCII)).translate(_ASCII)):
        if unicodedata.combining(char):
            continue
        if char.isspace() or unicodedata.category(char)[0] in "CZ" or char in RESERVED:
            plain.append(" ")
        else:
            plain.append(char if " " < char < "\x7f" else "~")
    return " ".join("".join(plain).split())[:longest].strip()


def _record(label: str, value: str) -> str:
    assert label in WRITTEN, label
    text = f"{label}={value}"
    if len(text) + len(END) > LONGEST_RECORD:
        raise CannotWrite(f"The record {label} is longer than {LONGEST_RECORD} characters.")
    return text + END


def _pair(label: str, right: str | None, left: str | None) -> list[str]:
    """Both sides, or no record when neither has a value. Empty: no value for that eye."""
    return [_record(label, f"{right or ''};{left or ''}")] if right or left else []


def _pieces(label: str, text: str) -> list[str]:
    """Long words over several records, numbered, so that none is too long and none can be taken for a second value."""
    room = LONGEST_RECORD - len(END) - len(label) - len("=999;")
    words = ascii_words(text)
    return [_record(label, f"{n};{words[at : at + room]}") for n, at in enumerate(range(0, len(words), room), 1)]


def _frame_type(mount: str, material: str) -> str:
    if mount == "drilled":
        return "3"
    said = material.casefold()
    plastic, metal = any(w in said for w in _PLASTIC), any(w in said for w in _METAL)
    return "1" if plastic and not metal else "2" if metal and not plastic else "0"


def _power(lens: dict[str, Any], name: str) -> str:
    """The ordered figure; "?" (not known) for a balance lens whose power is left to the lab."""
    return "?" if lens["ordered"] is None else str(lens["ordered"][name] or "")


def _prism(lens: dict[str, Any]) -> tuple[str, str]:
    if lens["ordered"] is None:
        return "?", ""
    resultant = lens["ordered"]["prism"]["resultant"]
    return resultant["amount"], resultant["base_angle"] or ""


def _trace(radii: list[int]) -> list[str]:
    """Both lenses, each anticlockwise from the viewer's right (the nose of the right lens, the temple of the left).

    The document's list runs from the nose upwards, so the left lens is r_L(t) = r(180 - t). With an odd number of points there is
    no point opposite the first: the left lens is left to be mirrored.
    """
    count = len(radii)
    lists = {"R": radii}
    if count % 2 == 0:
        lists["L"] = [radii[(count // 2 - i) % count] for i in range(count)]
    out = []
    for eye, values in lists.items():
        out.append(_record("TRCFMT", f"1;{count};E;{eye};F"))
        line = ""
        for value in values:
            if line and len(f"R={line};{value}{END}") > LONGEST_RECORD:
                out.append(_record("R", line))
                line = ""
            line = f"{line};{value}" if line else str(value)
        out.append(_record("R", line))
    return out


def _centration(document: dict[str, Any]) -> list[str]:
    single = document["lens"]["design"]["family"] == "single_vision"
    far: list[str | None] = []
    near: list[str | None] = []
    for eye, _ in EYES:
        where = document["lenses"][eye]["centration"]
        by_near = single and where["centred_for"] == "near"
        far.append(None if by_near else where["far_pd"])
        near.append(where["near_pd"] if by_near or not single else None)
        if (near if by_near else far)[-1] is None:
            raise CannotWrite(f"The {eye} lens has no centration distance.")
    heights = [document["lenses"][eye]["centration"]["height"] for eye, _ in EYES]
    out = _pair("IPD", *far) + _pair("NPD", *near) + _pair("OCHT" if single else "SEGHT", *heights)
    if single:
        said = [document["lenses"][eye]["centration"]["centred_for"].upper() for eye, _ in EYES]
        out += _pair("_DLCENT", *said)
    return out


def _worn(document: dict[str, Any]) -> list[str]:
    worn, compensation = document["as_worn"], document["lens"]["compensation"]
    out = [_record("_DLCOMP", _COMPENSATION[compensation])]
    if compensation == "practice":
        for label, value in (("_DLPANTO", worn["pantoscopic"]), ("_DLBVD", worn["vertex_distance"])):
            out += [_record(label, value)] if value is not None else []
    else:
        out += _pair("PANTO", worn["pantoscopic"], worn["pantoscopic"])
        out += _pair("BVD", worn["vertex_distance"], worn["vertex_distance"])
    if worn["face_form"] is not None:
        out.append(_record("_DLWRAP", worn["face_form"]))
    return out


def render(document: dict[str, Any], *, digest: str) -> bytes:
    """The records of an order document (schema 1.0). Raises CannotWrite where a machine would be misled."""
    lens, frame, design = document["lens"], document["frame"], document["lens"]["design"]
    right, left = document["lenses"]["right"], document["lenses"]["left"]
    out = [
        _record("JOB", ascii_words(document["order"]["number"])),
        _record("_DLPROF", PROFILE),
        _record("_DLSHA", digest),
        _record("DO", "B"),
    ]
    for label, text in (("ACCN", document["branch"]["code"]), ("CLIENT", document["client"]["reference"])):
        said = ascii_words(text, 40)
        out += [_record(label, said)] if said else []
    for label, name in (("SPH", "sphere"), ("CYL", "cylinder")):
        out += _pair(label, _power(right, name), _power(left, name))
    for label, name in (("AX", "axis"), ("ADD", "addition")):
        sides = [str((each["ordered"] or {}).get(name) or "") for each in (right, left)]
        out += _pair(label, *sides)
    (r_amount, r_base), (l_amount, l_base) = _prism(right), _prism(left)
    out += _pair("PRVM", r_amount, l_amount) + _pair("PRVA", r_base, l_base)
    out += _centration(document) + _worn(document)
    if float(lens["prism_thinning_down"]):
        out.append(_record("_DLTHIN", lens["prism_thinning_down"]))

    for label, value in (("HBOX", frame["a"]), ("VBOX", frame["b"]), ("FED", frame["ed"]), ("FCRV", frame["front_curve"])):
        out += _pair(label, value, value)
    out.append(_record("DBL", frame["dbl"]))
    out.append(_record("FTYP", _frame_type(frame["mount"], frame["material"])))
    out.append(_record("ETYP", _EDGES[frame["mount"]]))
    for hole in frame["drill_points"]:
        out.append(_record("_DLHOLE", ";".join((hole["x"], hole["y"], hole["diameter"]))))

    kind = _TYPES.get(design["family"])
    out += _pair("LTYP", kind, kind) if kind else [_record("_DLTYPE", "DEGRESSIVE")]
    for label, text in (("LNAM", design["name"]), ("LMATNAME", lens["material"]["name"])):
        said = ascii_words(text, 30)
        out += _pair(label, said, said)
    code = ascii_words(design["code"], 60)
    out += [_record("_DLCODE", code)] if code else []
    index = lens["material"]["index"]
    out += _pair("LIND", index, index)
    out += _pair("DIA", right["blank"]["diameter"], left["blank"]["diameter"])
    out += _pair("MINCTR", right["thickness"]["centre_min"], left["thickness"]["centre_min"])
    out += _pair("MINEDG", right["thickness"]["edge_min"], left["thickness"]["edge_min"])
    out += _pair("SWIDTH", design["segment_width"], design["segment_width"])
    out += _pair("SDEPTH", design["segment_depth"], design["segment_depth"])
    out += _pair("_DLFRONT", right["front_curve_wish"], left["front_curve_wish"])

    balance = "".join(letter for eye, letter in EYES if document["lenses"][eye]["prescribed"]["balance"])
    if balance:
        out.append(_record("_DLBAL", "B" if balance == "RL" else balance))
    if lens["slab_off"]:
        out.append(_record("_DLSLAB", "1"))
    out.append(_record("_DLTOL", ascii_words(document["tolerance_standard"])))
    tint = lens["tint"]
    said = ""
    if tint:
        unknown = light_not_known(tint).replace("%", "per cent")
        through = f"transmits {tint['transmittance_clear']} to {tint['transmittance_dark']} per cent"
        said = f"{tint['name']}: {unknown}" if unknown else f"{tint['name']} {through}"
    for label, text in (
        ("_DLCOAT", lens["coating"] or ""),
        ("_DLTINT", said),
        ("_DLREM", lens["remark"]),
        ("_DLSAY", " ".join((*document["instructions"], *all_near_notes(document)))),
    ):
        out += _pieces(label, text)
    if frame["outline"]:
        out += _trace(frame["outline"]["radii"])
    return "".join(out).encode("ascii")
