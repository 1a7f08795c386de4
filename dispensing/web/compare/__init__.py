"""Choosing made visible: lenses side by side, frames ranked, and what if.

load     the dispense, and what can be had for it as options of the pure part
lenses   the comparison of lenses, its print, and the choice
frames   frames ranked for this prescription, face and lens
what_if  a few figures moved, nothing kept
"""

from dispensing.web.compare import frames, lenses, what_if

urlpatterns = [*lenses.urlpatterns, *frames.urlpatterns, *what_if.urlpatterns]
