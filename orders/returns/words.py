"""What clients say, what the cause turned out to be: our own lists in plain words, kept by code."""

from __future__ import annotations

COMPLAINTS: dict[str, str] = {
    "far_blurred": "Far is not sharp",
    "near_blurred": "Near is not sharp, or only with the chin up",
    "one_eye": "One eye is worse than the other",
    "side_blurred": "To the sides it is blurred or narrow",
    "double": "Double, or the eyes pull",
    "tired": "Headache, tired eyes",
    "swim": "The floor or walls move, feeling sick",
    "slant": "Things lean or bend",
    "size": "Everything is bigger or smaller, steps are misjudged",
    "fringes": "Coloured edges",
    "posture": "Head must be held oddly",
    "reflections": "Reflections or glare",
    "slides": "They slide, press or sit askew",
    "looks": "Does not like how they look",
    "damage": "Scratched, broken, coating worn",
}
# what no difference of powers and places explains: where to look instead (common practice)
LOOK_AT: dict[str, str] = {
    "reflections": "Look at the coating on both sides, and whether the curves are flatter or steeper than before.",
    "slides": "Look at the bridge, the bends behind the ears, the weight; then measure anew: what slid has moved the lenses too.",
    "looks": "Look at size, thickness and shape with them; compare lenses and frames before anything is ordered.",
    "damage": "Look at the pair under the lamp: how it came about decides who bears it.",
}
CAUSES: dict[str, str] = {
    "measurement": "Measured wrongly",
    "fit": "Fit of the frame",
    "design": "Lens design or material not the right one",
    "prescription": "Prescription",
    "entry": "Typed or passed on wrongly",
    "making": "Made wrongly by the lab",
    "adaptation": "Getting used to it",
    "expectation": "Expected something else",
    "damage": "Damage or wear",
    "unknown": "Not found",
}
DISPENSING_CAUSES = ("measurement", "fit", "design", "entry")
