"""The checks. `assess(case, figures)` says what they find; `registry()` lists them in their fixed order.

Adding a check is adding one function with its cases, in one file: see DEVELOPERS.md.
"""

# importing a module registers its checks; this is also the order in which they run and are listed
from dispensing.checks import prescription, additions, prism, validity, frame, pd, heights, fit, lens  # isort: skip
from dispensing.checks.findings import Check, Finding, Seen
from dispensing.checks.registry import assess, registry
from dispensing.checks.thresholds import EDITION, THRESHOLDS, Threshold

MODULES = (prescription, additions, prism, validity, frame, pd, heights, fit, lens)

__all__ = ["EDITION", "MODULES", "THRESHOLDS", "Check", "Finding", "Seen", "Threshold", "assess", "registry"]
