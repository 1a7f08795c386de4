"""What people notice, and which complaints a difference could be behind.

Single figures for something that varies from person to person: published where a source is named, otherwise common practice. They order
a list of explanations; they are no limits.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Notice:
    value: float
    unit: str
    source: str


NOTICED: dict[str, Notice] = {
    "prism_v": Notice(1.0, "Δ", "vertical prism not long borne: about 1 Δ (McCarthy, continuing education, UK)"),
    "prism_h": Notice(3.0, "Δ", "horizontal prism: about 3 Δ (UK rule of thumb); base out is borne better"),
    "power": Notice(0.25, "D", "about a quarter dioptre of blur (common practice)"),
    "change": Notice(0.75, "D", "a change of three quarters of a dioptre or more is felt by many (common practice)"),
    "add": Notice(0.25, "D", "about a quarter dioptre of blur at the working distance (common practice)"),
    "add_change": Notice(
        0.5, "D", "another addition moves near and narrows its range: half a dioptre is felt (common practice)"
    ),
    "size_between": Notice(3.0, "%", "unequal images trouble from 3 to 5 % (textbook, from memory)"),
    "size_change": Notice(3.0, "%", "change of size against the pair before (common practice)"),
    "reading_drop": Notice(16.0, "mm", "30 degrees of lowering is about as far as one reads at ease (common practice)"),
    "cross_high": Notice(2.0, "mm", "fitting cross above the pupil: far is looked at through addition (common practice)"),
    "cross_aside": Notice(2.0, "mm", "corridor beside the line of sight (common practice)"),
    "segment_shift": Notice(2.0, "mm", "segment higher or lower than it was measured (common practice)"),
    "chromatic": Notice(0.1, "Δ", "transverse chromatic aberration from 0.1 Δ (Jalie, textbook, from memory)"),
}
EXPLAINS: dict[str, tuple[str, ...]] = {
    "prism_v": ("double", "tired", "posture", "swim"),
    "prism_h": ("double", "tired", "far_blurred"),
    "power": ("far_blurred", "near_blurred", "one_eye", "tired"),
    "change": ("swim", "slant", "size", "tired", "far_blurred", "near_blurred"),
    "add": ("near_blurred", "tired", "posture"),
    "add_change": ("near_blurred", "posture", "swim", "tired"),
    "size_between": ("size", "tired", "double", "slant"),
    "size_change": ("size", "swim"),
    "reading_drop": ("near_blurred", "posture", "tired"),
    "cross_high": ("far_blurred", "posture", "swim"),
    "cross_aside": ("side_blurred", "near_blurred", "tired"),
    "segment_shift": ("near_blurred", "posture", "far_blurred"),
    "chromatic": ("fringes", "side_blurred"),
}
