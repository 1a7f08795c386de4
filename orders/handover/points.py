"""What is checked on the face, what is said to the client, and what the client has to know. Common practice, in our words.

Pure: an order document and a few facts about the person in, lists out. Advice and cautions are chosen by lens and person; the texts
for the client are those that the handover sheet prints.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from dispensing.case import EYES, MULTIFOCAL, SEGMENTED
from dispensing.optics.power import Power

NIGHT_LEAST = 75.0  # per cent, luminous, for driving at night and in twilight: ISO 14889 and ISO 8980-3 (from memory)
DAY_LEAST = 8.0  # per cent, up to it no driving at all: ISO 12312-1 category 4, over 3 to 8 %


@dataclass(frozen=True, slots=True)
class Point:
    code: str
    text: str


FIT = (
    Point("level", "Front sits level with the brows and eyes"),
    Point("bridge", "Bridge rests on its whole pad area, no marks after a few minutes"),
    Point("temples", "Sides follow the head without pressing at the temples"),
    Point("ears", "Bends sit behind the ears, no sliding when looking down"),
    Point("vertex", "Distance from the eyes is alike and no lashes touch"),
    Point("tilt", "Tilt and wrap are those it was measured with"),
    Point("cheeks", "Rims do not touch the cheeks when smiling"),
    Point("centres", "Eyes are where they should be behind the lenses"),
)
FIT_WORDS = {p.code: p.text for p in FIT}
MARKS = (
    ("yes", "seen before the pupils"),
    ("moved", "off: frame adjusted until right"),
    ("gone", "already cleaned off"),
    ("none", "this lens has none"),
)


@dataclass(frozen=True, slots=True)
class Saying:
    """Advice or a caution: a line for the dispenser's list and a sentence for the client's sheet."""

    code: str
    text: str
    client: str
    group: Literal["what", "care", "expect", "caution"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """What the choice of advice depends on besides the lenses."""

    age: int | None = None
    first_progressive: bool = False
    first_pair: bool = False
    uses: tuple[str, ...] = ()
    useful_eye: str = ""


def _change(document: Mapping[str, Any]) -> float:
    """The strongest lens of the order, D."""
    sizes = [0.0]
    for eye in EYES:
        o = document["lenses"][eye]["ordered"]
        if o:
            power = Power(float(o["sphere"]), float(o["cylinder"]), float(o["axis"]) if o["axis"] else 180.0)
            sizes.append(abs(power.strongest.power))
    return max(sizes)


def _light(tint: Mapping[str, Any] | None) -> tuple[float | None, float | None]:
    """What a tint lets through at its palest and at its darkest, per cent; None where it is not on record."""
    if tint is None:
        return None, None
    clear, dark = tint["transmittance_clear"], tint["transmittance_dark"]
    return (None if clear is None else float(clear)), (None if dark is None else float(dark))


def _cylinder(document: Mapping[str, Any]) -> float:
    return max((abs(float(o["cylinder"])) for eye in EYES if (o := document["lenses"][eye]["ordered"])), default=0.0)


def advice_for(document: Mapping[str, Any], person: Person) -> tuple[Saying, ...]:
    """What is worth saying to this person about these lenses."""
    family, tint, said = document["lens"]["design"]["family"], document["lens"]["tint"], []
    if family == "progressive":
        said.append(Saying("progressive", "How the lens is built: far above, near below, turn the head to look aside",
            "Look through the upper part for far and lower your eyes, not your chin, for near. Turn your head towards what you look at: to the side the picture is less sharp.", "what"))  # fmt: skip
    if family == "degressive":
        said.append(Saying("degressive", "For the desk and the room, not for the road",
            "These are for the desk and the room. They are not for driving or walking outdoors.", "what"))  # fmt: skip
    if family in SEGMENTED:
        said.append(Saying("segment", "Where the near part begins, and the jump at its edge",
            "The lower part is for near. Things seem to jump when your eyes cross its edge; this passes with use.", "what"))  # fmt: skip
    if family == "single_vision" and "near" in person.uses:
        said.append(Saying("near_only", "For near only: far is blurred",
            "These are for near. Far things are blurred through them: take them off to walk.", "what"))  # fmt: skip
    said.append(Saying("clean", "How to clean: water and a little soap, then a soft clean cloth",
        "Rinse the lenses under lukewarm water with a drop of mild soap and dry them with a clean soft cloth. Do not rub them dry: dust scratches. No household cleaner.", "care"))  # fmt: skip
    said.append(Saying("keep", "Case, both hands, never lens down, not in a hot car",
        "Take them off with both hands. Keep them in the case, never lens down, never in a hot car or a sauna.", "care"))  # fmt: skip
    if document["frame"]["mount"] == "drilled":
        said.append(Saying("drilled", "Rimless: hold at the bridge, come in when a screw is loose",
            "Hold them at the bridge when you clean them. Come in as soon as a lens or a screw moves.", "care"))  # fmt: skip
    clear, dark = _light(tint)
    if clear is not None and dark is not None and clear - dark > 0.5:
        said.append(Saying("photochromic", "Changes with ultraviolet and cold; little behind a windscreen",
            "They darken in daylight and take some minutes to clear indoors. Behind a windscreen they darken little.", "what"))  # fmt: skip
    if person.first_progressive:
        said.append(Saying("first_progressive", "First progressive pair: up to two weeks, wear all day",
            "Wear them all day from the first morning. Most people are at ease within two weeks. Do not change back and forth with the old pair.", "expect"))  # fmt: skip
    elif person.first_pair or _change(document) >= 4.0:
        said.append(Saying("settle", "New power: swim and size settle in days",
            "Floors and straight lines may look a little different at first. This settles within days.", "expect"))  # fmt: skip
    if _cylinder(document) >= 1.5:
        said.append(Saying("slant", "Strong cylinder: things may slant at first",
            "Things may seem to lean or be a little taller or wider at first. Give it up to two weeks.", "expect"))  # fmt: skip
    said.append(Saying("settling_in", "When to come back",
        "If after two weeks something is still not right, or at once if you see double, feel sick or have pain, come back to us. Bring your old pair.", "expect"))  # fmt: skip
    if person.age is not None and person.age < 16:
        said.append(Saying("child", "Children: worn all day, checked for fit every three months",
            "Growing heads change the fit: come in every three months, and at once when they slide.", "care"))  # fmt: skip
    return tuple(said)


def cautions_for(document: Mapping[str, Any], person: Person) -> tuple[Saying, ...]:
    """What the client has to know and acknowledge."""
    family, tint, said = document["lens"]["design"]["family"], document["lens"]["tint"], []
    if tint is not None:
        clear, dark = _light(tint)
        darkest = dark if dark is not None else clear
        if darkest is not None and darkest <= DAY_LEAST:
            said.append(Saying("no_driving", f"Lets {darkest:g} % through at its darkest: not for driving at any time",
                "Not for driving or road use: the tint is too dark.", "caution"))  # fmt: skip
        elif clear is None or dark is None:
            said.append(Saying("tint_not_known", "How much light the tint lets through is not yet known: ask the maker before saying that it may be driven with",
                "Not for driving until we have told you that the tint is light enough for it.", "caution"))  # fmt: skip
        elif clear < NIGHT_LEAST:
            said.append(Saying("no_night_driving", f"Lets {clear:g} % through at its clearest: not for driving at night or in twilight",
                "Not for driving at night or in twilight: the tint lets too little light through.", "caution"))  # fmt: skip
    if family in MULTIFOCAL and family != "degressive":
        said.append(Saying("steps", "Steps and kerbs look blurred and nearer through the lower part",
            "On stairs and kerbs lower your head and look through the upper part: through the lower part steps are blurred.", "caution"))  # fmt: skip
    if family == "degressive":
        said.append(Saying("desk_not_road", "Not for driving", "Not for driving: far is not sharp enough.", "caution"))
    if person.first_progressive or person.first_pair:
        said.append(Saying("drive_later", "No driving or machines until used to them",
            "Do not drive or work at machines until you see comfortably through them.", "caution"))  # fmt: skip
    if "safety" not in person.uses:
        said.append(Saying("not_safety", "Not safety eyewear",
            "These are not safety spectacles: for grinding, drilling or sport ask us for the right kind.", "caution"))  # fmt: skip
    if person.useful_eye:
        said.append(Saying("one_eye", "One useful eye: protective lenses all day",
            "You see well with one eye: wear protective lenses all day to keep it safe.", "caution"))  # fmt: skip
    return tuple(said)
