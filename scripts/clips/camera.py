"""The camera: a pinhole with roll and hand shake as turns and shifts of the picture.

Pixel coordinates follow the convention that the centre of the first pixel is (0, 0).
"""
import numpy as np

from .skeleton import gauss


class Camera:
    """Looks at `target` from `distance` metres, `height` above the ground, `azimuth` degrees away from face-on.

    azimuth 0: from +Z (face-on for a right-hander); 90: from -X (down the line, looking at the target).
    roll and shake are applied to the finished projection: rotation about the picture's middle, then a shift.
    """

    def __init__(self, size, distance, height, azimuth, target, focal, roll=0.0):
        self.w, self.h = size
        a = np.radians(azimuth)
        self.place = np.array([target[0] - distance * np.sin(a), height, target[2] + distance * np.cos(a)])
        forward = np.asarray(target, float) - self.place
        forward /= np.linalg.norm(forward)
        right = np.cross(forward, [0, 1, 0])
        right /= np.linalg.norm(right)
        self.axes = np.stack([right, -np.cross(right, forward), forward])
        self.focal, self.roll = focal, roll
        self.centre = np.array([(self.w - 1) / 2, (self.h - 1) / 2])

    def project(self, points):
        """Picture places (…, 2) without roll and shake, and depths (…)."""
        c = (points - self.place) @ self.axes.T
        z = np.maximum(c[..., 2], 0.05)
        return c[..., :2] / z[..., None] * self.focal + self.centre, z

    def affine(self, shake):
        """2x3 matrix from unrolled to final picture places for one frame's shake (dx, dy, degrees)."""
        a = np.radians(self.roll + shake[2])
        c, s = np.cos(a), np.sin(a)
        m = np.array([[c, -s], [s, c]])
        return np.concatenate([m, (self.centre - m @ self.centre + shake[:2])[:, None]], 1)

    def rays(self, xy):
        """World directions of unrolled picture places (…, 2)."""
        d = (xy - self.centre) / self.focal
        return np.concatenate([d, np.ones(d.shape[:-1] + (1,))], -1) @ self.axes


def shake_track(n, rate, size, rng):
    """Hand-held movement for n frames: (dx, dy) in pixels and a small turn in degrees; `size` in pixels rms."""
    out = np.zeros((n, 3))
    if size <= 0:
        return out
    pad = int(2 * rate)
    for k, amount in enumerate((size, 0.8 * size, 0.035 * size)):
        slow = gauss(rng.normal(0, 1, n + 2 * pad), 0.45, rate)
        fast = gauss(rng.normal(0, 1, n + 2 * pad), 0.07, rate)
        v = slow / slow.std() + 0.22 * fast / fast.std()
        out[:, k] = amount * v[pad:pad + n]
    return out
