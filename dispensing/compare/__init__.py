"""Choosing made visible: lenses side by side, frames ranked, and what a change would do. Pure: Cases in, rows out.

All figures are those of `figures.compute`, all judgements those of `checks.assess`: nothing here reckons by a way of its own.

  lenses   every lens that can be had, in this Case
  frames   every frame of the catalogue, for this prescription, face and lens
  what_if  the Case with a few figures moved, before and after
"""

from dispensing.compare.frames import Face, FrameItem, FrameRow, face_of, rank_frames
from dispensing.compare.lenses import SORTS, VERDICTS, Option, Row, compare, sort

__all__ = [
    "SORTS",
    "VERDICTS",
    "Face",
    "FrameItem",
    "FrameRow",
    "Option",
    "Row",
    "compare",
    "face_of",
    "rank_frames",
    "sort",
]
