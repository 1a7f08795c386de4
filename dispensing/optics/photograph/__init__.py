"""Monocular PDs and heights from points placed on a front view.

A pinhole camera. Frame of reference here (a picture shows two eyes at once): X to the right of the picture (the client's left), Y up,
Z towards the camera, mm; origin on the bridge mid-line, in the lens plane before the pupils, level with the pupils. The client's head is
as it is habitually held and the face looks along Z. Pictures have their pixels from the upper left corner, x right, y down.

What is known is placed or stated; what is not is solved for. Six things fix a camera and one its focal length:

    distance, height above the eyes, turn of the face   stated (`View`)
    roll                                                the line through the lower, and that through the upper box tangents is level
    aim, two angles                                     the middle of the picture is the optical axis; the pupils' level is Y = 0 and the
                                                        bridge mid-line X = 0
    focal length                                        the reference has its known length

Then each point is the ray through its pixel, cut with the plane it lies in, exactly:

    rim points   the plane of their lens, tilted by the pantoscopic and turned by the face form angle
    reference    a plane facing the client, `ahead_mm` before the lens plane; or the front itself (2 a + d between the temporal tangents)
    eye          the vertical plane `vertex + k` behind the lens plane. A client who looks far: k = 3.0, the entrance pupil, or 7.8, the
                 centre of the cornea, which is where a reflex is seen when the light stands by the camera. A client who looks into the
                 camera: k = 13.5, the eye's centre of rotation, for the line of sight runs through it whatever is looked at

So the far PD follows from near fixation without a rule of thumb: for a camera at D and a depth s the PD seen in the lens plane is
PD D / (D + s) (e.g. Jalie, Ophthalmic Lenses and Dispensing: near centration distance; from memory). The height is where a level line
from the eye straight ahead meets the tilted lens, above that lens's lower box tangent, along the lens (ISO 8624).

Not modelled: distortion of the camera's lens, power of a lens before the eye (take the picture with demonstration lenses or none).
Exact for a pinhole camera and true arguments (1e-6 mm). With arguments that are not quite true the results carry the standard
uncertainty given, by first-order propagation (JCGM 100:2008, 5.1.2) with central differences over one standard uncertainty each.
"""

from dispensing.optics.photograph.measuring import measure
from dispensing.optics.photograph.values import (
    CARD_HEIGHT_MM,
    CARD_MM,
    MIDLINE_POINT,
    PARTS,
    POINTS,
    PUPIL_POINTS,
    REFERENCE_POINTS,
    RIM,
    RIM_POINTS,
    SIDES,
    Doubt,
    Looking,
    Mark,
    Measured,
    Point,
    Reference,
    Result,
    View,
    needed_points,
    point_words,
)

__all__ = [
    "CARD_HEIGHT_MM",
    "CARD_MM",
    "MIDLINE_POINT",
    "PARTS",
    "POINTS",
    "PUPIL_POINTS",
    "REFERENCE_POINTS",
    "RIM",
    "RIM_POINTS",
    "SIDES",
    "Doubt",
    "Looking",
    "Mark",
    "Measured",
    "Point",
    "Reference",
    "Result",
    "View",
    "measure",
    "needed_points",
    "point_words",
]
