"""Draws golfers, club and ball into a picture region with antialiasing, and their shadows."""
import cv2
import numpy as np

from . import raster
from .body import vertex_normals

FAR = 1e6


def tube(a, b, r0, r1, sides=6):
    """Cylinder between two points: vertices, normals, faces."""
    axis = (b - a) / max(np.linalg.norm(b - a), 1e-9)
    side = np.cross(axis, [0.31, 0.72, 0.62])
    side /= np.linalg.norm(side)
    other = np.cross(axis, side)
    ang = np.arange(sides) * 2 * np.pi / sides
    n = np.cos(ang)[:, None] * side + np.sin(ang)[:, None] * other
    v = np.concatenate([a + r0 * n, b + r1 * n])
    i = np.arange(sides)
    j = (i + 1) % sides
    f = np.concatenate([np.stack([i, j, i + sides], 1), np.stack([j, j + sides, i + sides], 1)])
    return v, np.concatenate([n, n]), f


def blob(centre, axes, rows=6, cols=10):
    """Ellipsoid with half axes given as the rows of a matrix."""
    t, p = np.meshgrid(np.linspace(0, np.pi, rows), np.arange(cols) * 2 * np.pi / cols, indexing="ij")
    u = np.stack([np.sin(t) * np.cos(p), np.cos(t), np.sin(t) * np.sin(p)], -1).reshape(-1, 3)
    n = u @ (axes / np.linalg.norm(axes, axis=1, keepdims=True))
    idx = np.arange(rows * cols).reshape(rows, cols)
    q = np.stack([idx[:-1], np.roll(idx, -1, 1)[:-1], np.roll(idx, -1, 1)[1:], idx[1:]], -1).reshape(-1, 4)
    return centre + u @ axes, n, np.concatenate([q[:, [0, 1, 2]], q[:, [0, 2, 3]]])


class Light:
    """Sun direction (toward the sun), strengths per colour channel."""

    def __init__(self, spec):
        self.sun = np.array(spec["sun"], float)
        self.sun /= np.linalg.norm(self.sun)
        self.sun_strength = np.array(spec["sun_strength"], float)
        self.sky, self.bounce = np.array(spec["sky_light"], float), np.array(spec["bounce"], float)
        self.shadow, self.softness = spec["shadow"], spec["softness"]


class Figure:
    """One dressed body with buffers for skinning."""

    def __init__(self, body):
        self.b = body
        n = vertex_normals(body.vertices, body.faces) + body.bump
        self.normals = n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-9)
        self.out, self.out_n = np.zeros_like(body.vertices), np.zeros_like(body.vertices)
        self.colour = np.zeros_like(body.vertices)

    def place(self, rot, trans, flip):
        """Skins the body for one instant; flip mirrors the world (left-handed golfer)."""
        b = self.b
        raster.skin(b.vertices, self.normals, b.index4, b.weight4, rot, trans, self.out, self.out_n)
        if flip:
            self.out[:, 0] *= -1
            self.out_n[:, 0] *= -1
        return self.out, self.out_n


def club_parts(joints, i, club, flip):
    """Shaft, grip and head of the club at one instant: list of (vertices, normals, faces, colour)."""
    m = np.array([-1, 1, 1]) if flip else np.ones(3)
    grip, head, butt = joints["grip"][i] * m, joints["head_of_club"][i] * m, joints["butt"][i] * m
    axis = (head - butt) / np.linalg.norm(head - butt)
    end = butt + axis * 0.27
    parts = [tube(butt, end, 0.013, 0.011) + (club["grip"],), tube(end, head, 0.0075, 0.0055) + (club["shaft"],)]
    side = np.cross(axis, [0, 0, 1.0])
    side /= max(np.linalg.norm(side), 1e-6)
    out = np.cross(side, axis)
    size = club["head_size"]
    axes = np.stack([side * size[0], axis * size[1], out * size[2]])
    parts.append(blob(head + out * size[2] * 0.7, axes) + (club["head"],))
    return parts


class Painter:
    """Draws everything that moves, for one clip."""

    def __init__(self, camera, light, supersample=2):
        self.camera, self.light, self.ss = camera, light, supersample

    def _points(self, v, affine):
        p, z = self.camera.project(v)
        return p @ affine[:, :2].T + affine[:, 2], z

    def draw(self, items, affine, total, alpha, share, side=0):
        """Adds one sub-frame: items are (vertices, normals, faces, colours); total, alpha are whole-picture.

        side: picture sign of the front faces of the first item (a closed body), 0 to draw both.
        """
        light, ss = self.light, self.ss
        ready, low, high = [], np.array([1e9, 1e9]), np.array([-1e9, -1e9])
        for k, (v, n, f, c) in enumerate(items):
            p, z = self._points(v, affine)
            shaded = np.empty_like(v)
            c = np.ascontiguousarray(np.broadcast_to(np.asarray(c, float), v.shape))
            raster.shade(v, n, c, self.camera.place, light.sun, light.sun_strength, light.sky, light.bounce, shaded)
            ready.append((p, z, shaded, np.ascontiguousarray(f, dtype=np.int32), side if k == 0 else 0))
            low, high = np.minimum(low, p.min(0)), np.maximum(high, p.max(0))
        h, w = alpha.shape
        x0, y0 = max(0, int(low[0]) - 2), max(0, int(low[1]) - 2)
        x1, y1 = min(w, int(high[0]) + 3), min(h, int(high[1]) + 3)
        if x1 <= x0 or y1 <= y0:
            return None
        colour = np.zeros(((y1 - y0) * ss, (x1 - x0) * ss, 3), np.float32)
        depth = np.full(colour.shape[:2], FAR, np.float32)
        for p, z, c, f, seen in ready:
            q = (p - [x0, y0]) * ss + (ss - 1) / 2
            raster.fill(q, z, c, f, seen, colour, depth)
        part, cover = np.zeros((y1 - y0, x1 - x0, 3), np.float32), np.zeros((y1 - y0, x1 - x0), np.float32)
        raster.resolve(colour, depth, ss, FAR, part, cover)
        total[y0:y1, x0:x1] += share * part
        alpha[y0:y1, x0:x1] += share * cover
        return x0, y0, x1, y1

    def shadow(self, items, affine, shape):
        """Darkening factor (h, w) of the ground: cast shadow and contact shadow, at a third of the size."""
        h, w = shape[0] // 3 + 1, shape[1] // 3 + 1
        cast, contact = np.zeros((h, w), np.float32), np.zeros((h, w), np.float32)
        sun = self.light.sun
        for v, _, f, _ in items:
            f = np.ascontiguousarray(f, dtype=np.int32)
            if self.light.shadow > 0.02:
                g = v - sun * (v[:, 1:2] / max(sun[1], 0.2))
                p, _ = self._points(g, affine)
                raster.fill_mask(p / 3, f, cast)
            g = v * [1, 0, 1]
            p, _ = self._points(g, affine)
            lowest = f[v[f[:, 0], 1] < 0.30]
            raster.fill_mask(p / 3, np.ascontiguousarray(lowest), contact)
        cast = cv2.GaussianBlur(cast, (0, 0), max(0.4, self.light.softness / 3))
        contact = cv2.GaussianBlur(contact, (0, 0), 2.2)
        both = (1 - self.light.shadow * cast) * (1 - 0.45 * contact)
        return cv2.resize(both, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
