"""Background pictures, ground and light. Colours are 0..1 in picture (display) space."""
import cv2
import numpy as np


def lattice(x, y, seed):
    """Value noise 0..1 on unit cells."""
    xi, yi = np.floor(x).astype(np.int64), np.floor(y).astype(np.int64)
    fx, fy = x - xi, y - yi
    fx, fy = fx * fx * (3 - 2 * fx), fy * fy * (3 - 2 * fy)
    table = np.random.default_rng(seed).random((256, 256), dtype=np.float32)

    def at(i, j):
        return table[i & 255, j & 255]

    top = at(xi, yi) * (1 - fx) + at(xi + 1, yi) * fx
    low = at(xi, yi + 1) * (1 - fx) + at(xi + 1, yi + 1) * fx
    return top * (1 - fy) + low * fy


def noise(x, y, seed, octaves=3):
    out, weight, total = 0.0, 1.0, 0.0
    for k in range(octaves):
        out = out + weight * lattice(x * 2**k + 7.3 * k, y * 2**k + 3.1 * k, seed + k)
        total += weight
        weight *= 0.55
    return out / total


def mix(a, b, t):
    return np.asarray(a) * (1 - t[..., None]) + np.asarray(b) * t[..., None]


def ground_colour(x, z, depth, kind, seed, tint):
    """Ground texture at world places; fine grain fades with distance."""
    fine = np.clip(4.5 / np.maximum(depth, 0.5), 0, 1)
    big, small = noise(x * 0.7, z * 0.7, seed, 3), noise(x * 38, z * 38, seed + 9, 2)
    grain = (small - 0.5) * fine
    if kind == "grass":
        base = mix((0.26, 0.40, 0.15), (0.40, 0.52, 0.22), big)
        out = base * (1 + 0.9 * grain[..., None])
    elif kind == "mat":
        out = mix((0.50, 0.50, 0.49), (0.60, 0.59, 0.57), big) * (1 + 0.35 * grain[..., None])
        mat = (np.abs(x) < 0.85) & (z > -0.75) & (z < 1.25)
        edge = mat & ((np.abs(x) > 0.80) | (z < -0.70) | (z > 1.20))
        out[mat] = (np.array([0.16, 0.36, 0.20]) * (1 + 0.6 * grain[..., None]))[mat]
        out[edge] *= 0.5
    elif kind == "wood":
        plank = np.floor(x / 0.14)
        out = np.array([0.55, 0.40, 0.26]) * (0.85 + 0.3 * lattice(plank, plank * 0 + 0.5, seed + 4) + 0.15 * (noise(x * 3, z * 0.6 + plank * 3, seed, 2) - 0.5))[..., None]
        out[(x / 0.14 - plank) < 0.03] *= 0.6
    else:
        out = mix((0.45, 0.44, 0.43), (0.62, 0.61, 0.60), big) * (1 + 0.4 * grain[..., None])
    return out * np.asarray(tint)


def wall_colour(u, v, kind, seed, colour):
    """Wall texture at places along the wall (metres) and heights above the ground (metres)."""
    colour = np.asarray(colour)
    stain = noise(u * 0.9, v * 0.9, seed, 3)
    if kind == "brick":
        row = np.floor(v / 0.075)
        uu = u / 0.225 + 0.5 * (row % 2)
        col = np.floor(uu)
        one = lattice(col + 0.5, row + 0.5, seed + 3)
        out = colour * (0.75 + 0.35 * one + 0.2 * (stain - 0.5))[..., None]
        out[((uu - col) < 0.05) | ((v / 0.075 - row) < 0.13)] = np.array([0.66, 0.63, 0.58])
    elif kind == "planks":
        col = np.floor(u / 0.16)
        out = colour * (0.8 + 0.3 * lattice(col + 0.5, col * 0 + 0.5, seed) + 0.2 * (noise(u * 20, v * 1.2, seed + 5, 2) - 0.5))[..., None]
        out[(u / 0.16 - col) < 0.05] *= 0.55
    elif kind == "hedge":
        leaf = noise(u * 11, v * 11, seed + 2, 3)
        out = mix((0.07, 0.15, 0.05), (0.30, 0.42, 0.16), np.clip(leaf * 1.6 - 0.35 + 0.4 * (stain - 0.5), 0, 1))
    elif kind == "net":
        back = mix((0.10, 0.16, 0.10), (0.30, 0.40, 0.24), np.clip(noise(u * 0.8, v * 0.8, seed, 3) * 1.4 - 0.2, 0, 1))
        fade = np.clip(v / 3.0, 0, 1)
        out = mix(back, np.array([0.70, 0.76, 0.82]), fade**2)
        a, b = u + 0.03 * np.sin(v * 2.0), v + 0.03 * np.sin(u * 2.3)
        string = (np.abs(a / 0.06 - np.round(a / 0.06)) < 0.07) | (np.abs(b / 0.06 - np.round(b / 0.06)) < 0.07)
        out[string] *= 0.55
        pole = np.abs(u - 1.9) < 0.04
        out[pole] = np.array([0.35, 0.36, 0.38])
    else:
        out = colour * (0.88 + 0.24 * stain + 0.05 * (noise(u * 30, v * 30, seed + 6, 1) - 0.5))[..., None]
        if kind == "panels":
            out[np.abs(u / 1.2 - np.round(u / 1.2)) < 0.006] *= 0.6
            out[v < 0.10] = colour * 0.55
    return out


def far_colour(d, kind, seed, sky):
    """Sky with a tree line or hills, from unit-forward directions relative to the viewing azimuth."""
    up = d[..., 1] / np.maximum(np.hypot(d[..., 0], d[..., 2]), 1e-6)
    around = np.arctan2(d[..., 0], -d[..., 2])
    out = mix(np.asarray(sky) * 1.12, np.asarray(sky) * 0.86, np.clip(up * 2.2, 0, 1))
    cloud = np.clip(noise(around * 3, up * 7, seed + 1, 4) * 2 - 1.0, 0, 1)
    out = mix(out, np.array([0.95, 0.95, 0.96]), cloud * 0.7)
    if kind == "range":
        edge = 0.055 + 0.055 * noise(around * 9, around * 0, seed + 2, 4)
        leaf = noise(around * 70, up * 90, seed + 3, 3)
        tree = mix((0.10, 0.18, 0.09), (0.26, 0.36, 0.17), np.clip(leaf * 1.5 - 0.25, 0, 1))
        out[up < edge] = tree[up < edge]
    return out


def background(camera, spec, margin=0.10):
    """Picture (h, w, 3) float32 larger than the frame by `margin` on every side, unrolled; and its offset."""
    mx, my = int(camera.w * margin), int(camera.h * margin)
    w, h = camera.w + 2 * mx, camera.h + 2 * my
    ss = 2
    xs = (np.arange(w * ss) + 0.5) / ss - 0.5 - mx
    ys = (np.arange(h * ss) + 0.5) / ss - 0.5 - my
    d = camera.rays(np.stack(np.meshgrid(xs, ys), -1))
    seed = int(spec["seed"])
    out = np.zeros(d.shape)
    # the wall stands square to the viewing direction
    ahead = camera.axes[2] * [1, 0, 1]
    ahead /= np.linalg.norm(ahead)
    across = np.array([-ahead[2], 0, ahead[0]])
    steps_wall = np.full(d.shape[:2], np.inf)
    origin_depth = -camera.place @ ahead
    if spec["wall"]:
        along = np.maximum(d @ ahead, 1e-6)
        steps_wall = (origin_depth + spec["wall_distance"]) / along
    with np.errstate(divide="ignore"):
        steps_ground = np.where(d[..., 1] < -1e-4, -camera.place[1] / np.minimum(d[..., 1], -1e-4), np.inf)
    ground = steps_ground < steps_wall
    wall = ~ground & np.isfinite(steps_wall)
    sky = ~ground & ~wall
    if sky.any():
        flat = np.stack([d @ across, d[..., 1], -(d @ ahead)], -1)
        out[sky] = far_colour(flat, spec["far"], seed, spec["sky"])[sky]
    if ground.any():
        p = camera.place + d[ground] * steps_ground[ground][:, None]
        g = ground_colour(p[:, 0][None], p[:, 2][None], steps_ground[ground][None], spec["ground"], seed + 20, spec["ground_tint"])[0]
        far = np.clip((steps_ground[ground] - 15) / 120, 0, 0.30)
        out[ground] = mix(g, np.array([0.55, 0.62, 0.58]), far)
    if wall.any():
        p = camera.place + d[wall] * steps_wall[wall][:, None]
        c = wall_colour((p @ across)[None], p[:, 1][None], spec["wall"], seed + 40, spec["wall_colour"])[0]
        foot = 1 - 0.35 * np.exp(-p[:, 1] / 0.12)
        out[wall] = c * foot[:, None]
    out = out * spec["level"]
    out = cv2.resize(out.astype(np.float32), (w, h), interpolation=cv2.INTER_AREA)
    if spec["defocus"] > 0:
        out = cv2.GaussianBlur(out, (0, 0), spec["defocus"])
    return np.clip(out, 0, 1.2), (mx, my)
