"""Puts a plan on its stage: the body, its motion on the time grid, and the camera."""
import numpy as np

from . import motion
from .body import Body
from .camera import Camera
from .skeleton import Skeleton


class Stage:
    """Everything about one clip that both the painter and the truth need.

    joints: name -> (t, 3) in the canonical right-handed world; flip: the world shown is its mirror image;
    picture_flip: the finished picture is mirrored; toward: +1 when the target is at the picture's right.
    """

    def __init__(self, plan):
        self.plan = plan
        rng = np.random.default_rng([plan["seed"], 7])
        self.body = Body(plan["look"], rng)
        self.skeleton = Skeleton(self.body.joints)
        self.duration = plan["duration"]
        full = max(self.duration, plan["swings"][-1]["settle"] + 0.3)
        self.joints, self.rot, self.trans, self.ball, self.fixed = motion.build(
            self.skeleton, plan["dials"], plan["swings"], full, plan["waggles"], rng, plan.get("walk"))
        self.flip, self.picture_flip = plan["left_handed"], plan["mirrored"]
        self.toward = -1 if self.flip != self.picture_flip else 1
        self.frames = int(np.floor(self.duration * plan["playback"] * plan["fps"] + 1e-6)) + 1
        self.step = motion.RATE / (plan["fps"] * plan["playback"])
        assert abs(self.step - round(self.step)) < 1e-9
        self.step = int(round(self.step))
        self.frames = min(self.frames, (len(self.rot) - 1) // self.step + 1)
        self.camera = self._camera()

    def shown(self, points):
        """Canonical world places as they stand in the shown world."""
        return points * np.array([-1, 1, 1]) if self.flip else points

    def _camera(self):
        p = self.plan
        w, h = p["size"]
        stature = p["look"]["stature"]
        azimuth = p["yaw"] + (90 if p["view"] == "down_the_line" else 0)
        hands_out = 0.25 if p["view"] == "down_the_line" else 0.0
        height = stature * 0.93  # standing bent at address
        focal = p["share"] * h * p["distance"] / height
        middle = 0.53 * stature
        if p["cropped"]:
            middle = 0.53 * stature + (0.5 - 0.5 * p["share"]) * h * p["distance"] / focal + 0.13
        target = np.array([0.0 if not hands_out else 0.05, middle + (0 if p["cropped"] else p["shift"] * 0.5), 0.12 + hands_out * 0.4])
        sign = -1 if self.flip else 1
        if p["view"] == "down_the_line":
            azimuth *= sign
        return Camera((w, h), p["distance"], p["cam_height"], azimuth, target, focal, p["roll"])
