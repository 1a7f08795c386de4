"""What the client is told with these lenses: usual cautions of the trade, by lens and by person. Nothing here blocks anything."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from dispensing import case as c

CHILD_BELOW = 16.0
NIGHT_LEAST = 75.0  # luminous transmittance, %: below it not for driving in twilight or at night (ISO 8980-3)
DRIVING_LEAST = 8.0  # %: up to it not for driving at all (ISO 8980-3; ISO 12312-1 category 4, over 3 to 8 %)


@dataclass(frozen=True, slots=True)
class Caution:
    about: str
    words: str


def cautions(case: c.Case) -> tuple[Caution, ...]:
    """To be said when the pair is ordered and again when it is handed over; common practice where no source is named."""
    return tuple(Caution(about, words) for about, words in (*_by_lens(case), *_by_tint(case), *_by_person(case)))


def _by_lens(case: c.Case) -> Iterator[tuple[str, str]]:
    family = case.lens.design.family if case.lens.design else None
    worn = any(pair.family == "progressive" for pair in case.earlier)
    if family == "progressive":
        yield (
            "Stairs and kerbs",
            "the lower part is for reading and blurs the ground. Lower the chin and look over it; hold the rail at first.",
        )
        if case.needs.first_progressive or not worn:
            yield (
                "First days",
                "wear them at home first. No driving, ladders or machines before turning the head and looking down feel sure.",
            )
    elif family == "degressive":
        yield (
            "Only for near and the room",
            "the distance is blurred: not for driving, and taken off for stairs and the street.",
        )
    elif family in c.SEGMENTED:
        yield (
            "Stairs and kerbs",
            "through the segment the ground is blurred and things jump at its edge. Lower the chin and look over it.",
        )
        if not any(pair.family in c.SEGMENTED for pair in case.earlier):
            yield "First days", "no driving before the way past the segment’s edge has become a habit."
    elif family == "single_vision" and "near" in case.needs.uses and not _drives(case) and not _far(case):
        yield "Only for reading", "the distance is blurred: not for walking about and not for driving."


def _drives(case: c.Case) -> bool:
    return bool({"driving_day", "driving_night"} & set(case.needs.uses))


def _far(case: c.Case) -> bool:
    return bool({"all_round", "distance"} & set(case.needs.uses))


def _by_tint(case: c.Case) -> Iterator[tuple[str, str]]:
    tint = case.lens.tint
    if tint is None:
        return
    clear, dark = tint.transmittance_clear, tint.transmittance_dark
    least = dark if dark is not None else clear
    if least is not None and least <= DRIVING_LEAST:
        yield "Tint and driving", "this dark it is not for driving at all (ISO 8980-3); local law may ask for more."
    elif clear is None or dark is None:
        yield (
            "Tint and driving",
            "how much light it lets through is not yet known: not for driving until the maker’s figure says that it may be.",
        )
    elif clear < NIGHT_LEAST:
        yield "Tint and driving", "not for driving in twilight or at night (ISO 8980-3); local law may ask for more."
    elif tint.photochromic:
        yield (
            "Tint and driving",
            "behind a windscreen it darkens less than outdoors, and in a tunnel it clears slowly: no substitute for sun lenses.",
        )


def _by_person(case: c.Case) -> Iterator[tuple[str, str]]:
    age = case.person.age_years
    material = case.lens.material
    weak = material is not None and (material.glass or material.impact in ("low", "basic"))
    if age is not None and age < CHILD_BELOW:
        words = "they outgrow the fit: have it looked at every few months, and at once when the frame is bent or slides."
        if weak:
            words += " This material breaks more easily than the impact-resistant ones made for children."
        yield "A child’s lenses", words
    if case.person.useful_eye is not None:
        words = "the good eye needs protection: impact-resistant lenses all day, safety spectacles for work and sport."
        yield "One useful eye", words
    if "safety" in case.needs.uses or "sport" in case.needs.uses:
        yield (
            "Work and sport",
            "these are no eye protectors unless frame and lenses are certified as such (ISO 16321, or the local standard).",
        )
