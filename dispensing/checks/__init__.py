"""The checks. `assess(case, figures)` says what they find; `registry()` lists them in their fixed order.

Adding a check is adding one function with its cases, in one file: see DEVELOPERS.md.
"""

# ruff: noqa: I001  importing a module registers its checks: this order is the order in which they run and are listed
from dispensing.checks import prescription, additions, prism, validity, history, patterns, history_change
from dispensing.checks import frame, frame_shape, pd, pd_near, pd_record, heights, heights_read, fit
from dispensing.checks import lens, lens_made, lens_substance, lens_offered
from dispensing.checks import suitability, design, seeing, ordered, ordered_more, order, unknown, explained
from dispensing.checks.findings import Check, Finding, Seen
from dispensing.checks.registry import assess, registry
from dispensing.checks.thresholds import EDITION, THRESHOLDS, Threshold

MODULES = (
    prescription, additions, prism, validity, history, patterns, history_change, frame, frame_shape, pd, pd_near, pd_record,
    heights, heights_read, fit, lens, lens_made, lens_substance, lens_offered, suitability, design, seeing, ordered, ordered_more, order, unknown, explained,
)  # fmt: skip

__all__ = ["EDITION", "MODULES", "THRESHOLDS", "Check", "Finding", "Seen", "Threshold", "assess", "registry"]
