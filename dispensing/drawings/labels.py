"""Labels that keep out of each other's way: the first free place of those offered, else the least bad one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from .shapes import Text

# Width of a character as a part of the type size: generous for both DejaVu Sans (print) and Source Sans (screen).
NARROW, USUAL, WIDE = 0.34, 0.6, 0.9
Box = tuple[float, float, float, float]  # left, bottom, right, top


def text_width(text: str, size: float) -> float:
    """A safe estimate (mm) of how wide a short label is."""
    return size * sum(NARROW if c in " .,:;|'il" else WIDE if c in "mwMW" else USUAL for c in text)


def text_box(text: Text) -> Box:
    width = text_width(text.text, text.size)
    left = text.x - {"start": 0.0, "middle": width / 2, "end": width}[text.anchor]
    return left, text.y - 0.22 * text.size, left + width, text.y + 0.78 * text.size


@dataclass(slots=True)
class Labels:
    """Takes labels one by one, the most important first."""

    taken: list[Box] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)

    def block(self, left: float, bottom: float, right: float, top: float) -> None:
        """A place where no label may stand."""
        self.taken.append((min(left, right), min(bottom, top), max(left, right), max(bottom, top)))

    def free(self, text: Text) -> bool:
        box = text_box(text)
        return not any(_overlap(box, other) for other in self.taken)

    def put(self, candidates: Sequence[Text]) -> Text:
        """The first candidate that is free, else the one that overlaps least."""
        best, least = candidates[0], float("inf")
        for candidate in candidates:
            box = text_box(candidate)
            overlap = sum(_overlap(box, other) for other in self.taken)
            if overlap < least:
                best, least = candidate, overlap
            if overlap == 0:
                break
        self.taken.append(text_box(best))
        self.texts.append(best)
        return best


def _overlap(one: Box, two: Box) -> float:
    if one[2] <= two[0] or two[2] <= one[0] or one[3] <= two[1] or two[3] <= one[1]:
        return 0.0
    width = min(one[2], two[2]) - max(one[0], two[0])
    height = min(one[3], two[3]) - max(one[1], two[1])
    return width * height if width > 0 and height > 0 else 0.0
