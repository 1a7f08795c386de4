"""A face behind a frame before a pinhole camera, for the tests of the photograph method: written from the ground up in room coordinates.

The room: the camera's lens is the origin, x to its right, y up, z backwards; the client sits before it, at negative z. The head is a rigid body with
its own place and turn; the eyes are balls that turn about their centres. Nothing is taken from the method under test.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from PIL import Image, ImageDraw
from scipy.spatial.transform import Rotation


@dataclass
class Scene:
    """True geometry, mm and degrees. Head coordinates: x to the client's left, y up, z forwards out of the face; origin on the bridge
    mid-line in the lens planes before the pupils, at pupil height."""

    pd_right: float = 31.0
    pd_left: float = 32.5
    eye_up_right: float = 0.0  # pupil above the mean pupil level
    height_right: float = 21.0  # along the lens, above its lower box tangent, of the level line straight ahead
    a: float = 52.0
    b: float = 34.0
    dbl: float = 18.0  # between the tangents to the bevel apex
    groove: float = 0.5
    vertex: float = 13.0
    pupil_deep: float = 3.0
    centre_deep: float = 13.5
    cornea_radius: float = 7.8
    pantoscopic: float = 9.0
    face_form: float = 5.0
    card: float = 85.6
    card_ahead: float = 0.0
    card_up: float = 34.0
    camera: float = 1000.0
    above: float = 0.0
    turn: float = 0.0  # face turned to the client's left
    aim: tuple[float, float] = (0.0, 0.0)  # the camera is aimed this far from the bridge, mm
    camera_roll: float = 0.0  # the camera is held askew, clockwise
    looking: str = "camera"
    mark: str = "pupil"
    focal_px: float = 12.0 * 1000.0
    size: tuple[int, int] = (3000, 2250)
    jitter: dict = field(default_factory=dict)

    def head(self) -> tuple[np.ndarray, np.ndarray]:
        """Rotation and place of the head in the room. The camera stands `camera` from the origin of the head."""
        turned = Rotation.from_euler("y", self.turn, degrees=True)
        flat = np.sqrt(self.camera**2 - self.above**2)
        return turned.as_matrix(), np.array([0.0, -self.above, -flat])

    def to_room(self, points: np.ndarray) -> np.ndarray:
        turn, place = self.head()
        return np.asarray(points) @ turn.T + place

    def lens_points(self, side: str, flat: np.ndarray) -> np.ndarray:
        """Points (nasal, up) of one lens plane, from where the eye looks straight through it, in head coordinates."""
        sign = 1.0 if side == "left" else -1.0  # towards the temple of this side
        pd = self.pd_left if side == "left" else self.pd_right
        body = np.column_stack([-sign * flat[:, 0], flat[:, 1], np.zeros(len(flat))])
        body = Rotation.from_euler("y", sign * self.face_form, degrees=True).apply(body)  # temple backwards, in the front
        body = Rotation.from_euler("x", self.pantoscopic, degrees=True).apply(
            body
        )  # the front: top forwards, bottom to the cheeks
        return body + np.array([sign * pd, 0.0, 0.0])

    def box(self, side: str) -> tuple[float, float, float, float]:
        """nasal, temporal, lower, upper edge of the true box in the coordinates of `lens_points`."""
        pd = self.pd_left if side == "left" else self.pd_right
        nasal = (pd - self.dbl / 2.0) / np.cos(np.radians(self.face_form))
        lower = -self.height_right + self.eye_up_right / np.cos(np.radians(self.pantoscopic))
        return nasal, nasal - self.a, lower, lower + self.b

    def outline(self, side: str, count: int = 720) -> np.ndarray:
        """The visible rim: a rounded shape that touches its box inside the groove."""
        nasal, temporal, lower, upper = self.box(side)
        t = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
        half_a, half_b = self.a / 2.0 - self.groove, self.b / 2.0 - self.groove
        x = (nasal + temporal) / 2.0 + half_a * np.sign(np.cos(t)) * np.abs(np.cos(t)) ** 0.7
        y = (lower + upper) / 2.0 + half_b * np.sign(np.sin(t)) * np.abs(np.sin(t)) ** 0.7
        return np.column_stack([x, y])

    def rim_marks(self, side: str) -> dict[str, np.ndarray]:
        flat = self.outline(side)
        pick = {
            "nasal": flat[:, 0].argmax(),
            "temporal": flat[:, 0].argmin(),
            "top": flat[:, 1].argmax(),
            "bottom": flat[:, 1].argmin(),
        }
        return {place: self.lens_points(side, flat[[i]])[0] for place, i in pick.items()}

    def eye_up(self, side: str) -> float:
        return self.eye_up_right if side == "right" else -self.eye_up_right

    @property
    def height_left(self) -> float:
        return self.height_right - 2.0 * self.eye_up_right / np.cos(np.radians(self.pantoscopic))

    def eye(self, side: str) -> np.ndarray:
        """Where the pupil's middle, or the reflex, is in the room."""
        x = self.pd_left if side == "left" else -self.pd_right
        centre = self.to_room(np.array([[x, self.eye_up(side), -(self.vertex + self.centre_deep)]]))[0]
        turn, _ = self.head()
        gaze = -centre / np.linalg.norm(centre) if self.looking == "camera" else turn @ np.array([0.0, 0.0, 1.0])
        if self.mark == "reflex":  # a light at the camera is mirrored where the cornea's normal points back at it
            cornea = centre + gaze * (self.centre_deep - self.cornea_radius)
            return cornea - self.cornea_radius * cornea / np.linalg.norm(cornea)
        return centre + gaze * (self.centre_deep - self.pupil_deep)

    def card_ends(self) -> np.ndarray:
        half = self.card / 2.0
        return self.to_room(np.array([[-half, self.card_up, self.card_ahead], [half, self.card_up, self.card_ahead]]))

    def project(self, room: np.ndarray) -> np.ndarray:
        """Room points to pixels from the upper left corner: the camera looks at the bridge, moved by `aim`, and is rolled."""
        _, place = self.head()
        forward = place + np.array([self.aim[0], self.aim[1], 0.0])
        forward = forward / np.linalg.norm(forward)
        right = np.cross(forward, np.array([0.0, 1.0, 0.0]))
        right /= np.linalg.norm(right)
        up = np.cross(right, forward)
        roll = np.radians(self.camera_roll)
        right, up = np.cos(roll) * right - np.sin(roll) * up, np.sin(roll) * right + np.cos(roll) * up
        room = np.atleast_2d(room)
        depth = room @ forward
        return np.column_stack(
            [
                self.size[0] / 2.0 + self.focal_px * (room @ right) / depth,
                self.size[1] / 2.0 - self.focal_px * (room @ up) / depth,
            ]
        )

    def points(self) -> dict[str, tuple[float, float]]:
        """Every point where it truly is in the picture."""
        found = {}
        for side in ("right", "left"):
            found[f"pupil.{side}"] = self.project(self.eye(side))[0]
            for place, at in self.rim_marks(side).items():
                found[f"rim.{side}.{place}"] = self.project(self.to_room(at[None]))[0]
        ends = self.project(self.card_ends())
        left_first = np.argsort(ends[:, 0])
        found["reference.1"], found["reference.2"] = ends[left_first[0]], ends[left_first[1]]
        return {name: (float(p[0]), float(p[1])) for name, p in found.items()}

    def draw(self) -> Image.Image:
        """The picture: skin, card, eyes, rims."""
        picture = Image.new("RGB", self.size, (198, 176, 160))
        pen = ImageDraw.Draw(picture)
        half = self.card / 2.0
        corners = [(-half, 0), (half, 0), (half, 20), (-half, 20)]
        card = self.to_room(np.array([[x, self.card_up + y - 10.0, self.card_ahead] for x, y in corners]))
        pen.polygon([tuple(p) for p in self.project(card)], fill=CARD)
        for side in ("right", "left"):
            iris = self.project(self.eye(side))[0]
            scale = self.focal_px / self.camera
            for radius, colour in ((11.0, (245, 244, 240)), (5.9, (110, 84, 52)), (1.8, PUPIL)):
                r = radius * scale
                pen.ellipse([iris[0] - r, iris[1] - r, iris[0] + r, iris[1] + r], fill=colour)
            visible = [tuple(p) for p in self.project(self.to_room(self.lens_points(side, self.outline(side))))]
            pen.line([*visible, *visible[:2]], fill=RIM[side], width=3, joint="curve")
        return picture


CARD, PUPIL, RIM = (20, 90, 170), (8, 8, 8), {"right": (170, 20, 60), "left": (20, 130, 60)}


def _where(pixels: np.ndarray, colour: tuple[int, int, int]) -> np.ndarray:
    rows, columns = np.nonzero((np.abs(pixels.astype(int) - np.array(colour)) < 40).all(axis=2))
    return np.column_stack([columns + 0.5, rows + 0.5])


def find_points(picture: Image.Image, roll_deg: float) -> dict[str, tuple[float, float]]:
    """Points as a careful person would place them on the drawn picture, from the pixels alone. roll_deg: how the frame lies in it."""
    pixels = np.asarray(picture.convert("RGB"))
    found: dict[str, np.ndarray] = {}
    dark = _where(pixels, PUPIL)
    middle = dark[:, 0].mean()
    found["pupil.right"], found["pupil.left"] = (
        dark[dark[:, 0] < middle].mean(axis=0),
        dark[dark[:, 0] > middle].mean(axis=0),
    )
    angle = np.radians(roll_deg)
    along, down = np.array([np.cos(angle), -np.sin(angle)]), np.array([np.sin(angle), np.cos(angle)])
    for side, colour in RIM.items():
        rim = _where(pixels, colour)
        x, y = rim @ along, rim @ down
        toward_nose = 1 if side == "right" else -1
        # the line is three pixels wide about the visible rim: half of it lies outside
        for place, key, sign in (
            ("nasal", x, toward_nose),
            ("temporal", x, -toward_nose),
            ("top", y, -1),
            ("bottom", y, 1),
        ):
            best = rim[np.argsort(-sign * key)[:3]].mean(axis=0)
            found[f"rim.{side}.{place}"] = best - sign * 1.0 * (along if key is x else down)
    card = _where(pixels, CARD)
    x, y = card @ along, card @ down
    row = np.abs(y - (y.min() + y.max()) / 2.0) < 3.0
    found["reference.1"] = card[row][np.argmin(x[row])] - 0.5 * along
    found["reference.2"] = card[row][np.argmax(x[row])] + 0.5 * along
    return {name: (float(p[0]), float(p[1])) for name, p in found.items()}
