"""How to measure, by method: what to set up, what goes wrong, what the number is measured from, what is converted here.

Common practice of the trade, in our own words; the parallax figures are worked out by `optics.heights`. Not a substitute for
training, local rules or the judgement of a registered person.
"""

from __future__ import annotations

from dataclasses import dataclass

# Before the first reading. Ticked once a session on the page; nothing depends on it.
SET_UP: tuple[tuple[str, str], ...] = (
    ("place", "The frame is in its final place: adjusted, and not pushed up or held since."),
    ("level", "Your eyes are level with the client’s, and you face them square on."),
    ("relaxed", "The client is relaxed, head as they carry it, looking far away past you."),
    ("each", "Each eye by itself: cover or close the other of yours, and of theirs where it drifts."),
    ("both", "Both eyes afterwards: the halves add up to the whole."),
    ("again", "Once more after some talk, when they have stopped holding still for you."),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    method: str
    title: str
    for_what: str
    set_up: tuple[str, ...]
    goes_wrong: tuple[str, ...]
    reference: str  # what its number is measured from
    converted: str  # what is done with it here

    @property
    def drawing(self) -> str:
        return f"dispensing/measuring/{self.method}.html"


GUIDES: tuple[Guide, ...] = (
    Guide(
        method="pupillometer",
        title="Corneal-reflex pupillometer",
        for_what="monocular PDs, far and near",
        set_up=(
            "Rest it on the bridge of the nose where the frame will sit, level, and let the client hold it with you.",
            "Set the fixation distance: far for distance PDs, the working distance for near ones.",
            "Put the line on the light’s reflex in each cornea, one eye after the other.",
        ),
        goes_wrong=(
            "It sits higher or to one side of where the bridge will: one half too large, the other too small, the sum right.",
            "A squinting eye: occlude the other one so that the eye measured is the eye that looks.",
            "The near distance left set from the client before.",
        ),
        reference="the middle of the bridge of the nose; the reflex lies near the line of sight, not always mid-pupil",
        converted="Nothing: the number is used as read. Halves are compared with the whole.",
    ),
    Guide(
        method="rule",
        title="Millimetre rule",
        for_what="PDs; heights where nothing better is at hand",
        set_up=(
            "Sit level, at arm’s length (400 mm), rule on the brow or in the plane of the lenses.",
            "Your left eye open: the client looks into it; zero on their right pupil. Then your right eye: read their left pupil.",
            "For far PDs each of your eyes looks straight across, so that the two lines of sight are parallel.",
        ),
        goes_wrong=(
            "Read with one eye only: the result is short by the client’s convergence.",
            "Your own PD differs much from theirs: a small systematic error, larger the nearer you sit.",
            "A whole PD written down as a half.",
        ),
        reference="PD: pupil to pupil, or to the middle of the bridge. Height: the visible rim straight below the pupil",
        converted="A height: the groove of a full rim is added (a cord or a drilled lens hides nothing), then the rise of the rim by the outline.",
    ),
    Guide(
        method="marked_lens",
        title="Marked demonstration lens",
        for_what="heights; monocular PDs with the frame on",
        set_up=(
            "Draw the datum line on both demonstration lenses first: half way up the box. Then the PDs as vertical lines.",
            "Put the frame on in its final place, eyes level, client looking far.",
            "Mark the pupil centre, or the lower lid for a segment; read how far it lies above or below the datum line.",
        ),
        goes_wrong=(
            "Your eye is higher or lower than theirs: parallax, about 0.4 mm for each 10 mm at 400 mm.",
            "The frame slipped while you drew: look again from the side.",
            "The dot was drawn with the frame on and read to its edge, not its middle.",
        ),
        reference="the datum line: above is +, below is −",
        converted="Half the lens depth b is added: that is the height above the lower box tangent.",
    ),
    Guide(
        method="clip_scale",
        title="Clip-on height scale",
        for_what="heights, in full rims only",
        set_up=(
            "Hang it on the lower rim straight below the pupil, not at the lowest point of the rim.",
            "Eyes level; client looking far; read the line that crosses the pupil centre.",
        ),
        goes_wrong=(
            "A grooved or drilled mount: it hangs on the cord or the lens edge and reads something else. It is refused here.",
            "It hangs at the lowest point of a rim that rises below the pupil: the number is too large.",
        ),
        reference="the visible rim straight below the pupil",
        converted="The groove is added (branch setting, or the frame’s own), then the rise of the rim by the outline.",
    ),
    Guide(
        method="levelled_gauge",
        title="Levelled gauge",
        for_what="heights without parallax",
        set_up=(
            "Set the gauge to the client’s eye until its bubble is in the middle: then its sight is horizontal.",
            "Rest the foot on the lower box tangent and read the sight line at the pupil.",
        ),
        goes_wrong=(
            "The head is tipped although the gauge is level: wait until they look far as they usually do.",
            "The foot stands on the rim below the pupil, not on the box tangent: then say so as the reference.",
        ),
        reference="the lower box tangent",
        converted="Nothing, when read from the box tangent.",
    ),
    Guide(
        method="target_gauge",
        title="Target gauge with hand mirror",
        for_what="heights for people who cannot look far past you",
        set_up=(
            "Put the target on the demonstration lens, mirror at the client’s eye level, an arm’s length away.",
            "The client moves the target until it covers their own pupil in the mirror.",
        ),
        goes_wrong=(
            "The mirror is held low, as for reading: the eye is turned down and the height comes out short.",
            "The client looks at the target, not through it.",
        ),
        reference="the visible rim straight below the pupil, unless the gauge says otherwise",
        converted="The groove of a full rim and the rise of the rim are added, as for the rule.",
    ),
    Guide(
        method="photograph",
        title="Photograph with a known scale",
        for_what="PDs and heights together, from one front view",
        set_up=(
            "A scale of known length in the plane of the lenses: a card held to the brow, or the frame’s own boxed width.",
            "Camera level with the eyes, square on, at least 1 m away; client looking far above the camera.",
        ),
        goes_wrong=(
            "The scale is nearer to the camera than the lenses: everything comes out small.",
            "The head or the camera is turned: one half shrinks, the other grows.",
            "The client looks at the camera: the eyes converge, PDs come out short.",
        ),
        reference="the lower box tangent, where the rim’s lowest and highest points were marked",
        converted="Nothing further: scale and tilt are taken out when the points are placed.",
    ),
)
BY_METHOD: dict[str, Guide] = {g.method: g for g in GUIDES}
