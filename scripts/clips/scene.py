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


def turned(x, z, degrees):
    """Places on the ground after a turn about the plumb line."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return c * x + s * z, c * z - s * x


def ground_colour(x, z, depth, spec, seed):
    """Ground texture at world places; fine grain fades with distance."""
    kind, tint = spec["ground"], spec["ground_tint"]
    fine = np.clip(4.5 / np.maximum(depth, 0.5), 0, 1)
    big, small = noise(x * 0.7, z * 0.7, seed, 3), noise(x * 38, z * 38, seed + 9, 2)
    grain = (small - 0.5) * fine
    if kind == "grass":
        base = mix((0.26, 0.40, 0.15), (0.40, 0.52, 0.22), big)
        out = base * (1 + 0.9 * grain[..., None])
    elif kind == "stripes":
        across, _ = turned(x, z, spec["stripe_turn"])
        band = np.floor(across / spec["stripe_width"]) % 2
        out = mix((0.24, 0.40, 0.14), (0.42, 0.56, 0.24), 0.25 * big + 0.75 * band) * (1 + 0.8 * grain[..., None])
    elif kind == "mat":
        x, z = turned(x, z, spec.get("mat_turn", 0.0))
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


def draw_things(out, camera, things, offset, level):
    """What the ball lies on, posts, rails, boxes and balls into the background; far ones first. Places behind the camera are left out."""
    shift = 4

    def place(points):
        q, depth = camera.project(np.asarray(points, float))
        return None if (depth < 0.8).any() else (np.round((q + offset) * 2**shift).astype(np.int32), float(depth.mean()))

    def shape(points, colour):
        got = place(points)
        if got:
            cv2.fillConvexPoly(out, got[0], [level * c for c in colour], cv2.LINE_AA, shift)

    def bar(a, b, side, colour):
        a, b, side = (np.asarray(v, float) for v in (a, b, side))
        shape([a - side, a + side, b + side, b - side], colour)

    lie = things.get("lie")
    if lie:
        (x, z), (a, b) = lie["place"], lie["size"]
        corners = [[x + i * a, 0, z + k * b] for i, k in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        got = place(corners)
        if got and lie["colour"] is None:  # shade
            mask = np.zeros(out.shape[:2], np.uint8)
            cv2.fillConvexPoly(mask, got[0], 255, cv2.LINE_AA, shift)
            out *= 1 - 0.55 * (mask / np.float32(255))[..., None]
        elif got:
            shape(corners, lie["colour"])
    for r in sorted(things["rails"], key=lambda r: r["z"]):
        x, z = turned(4.0, 0.0, r["turn"])
        bar([-x, r["height"], r["z"] - z], [x, r["height"], r["z"] + z], [0, r["width"] / 2, 0], [r["grey"]] * 3)
    for p in sorted(things["posts"], key=lambda p: p["z"]):
        top = p["x"] + p["height"] * np.tan(np.radians(p["lean"]))
        bar([p["x"], 0, p["z"]], [top, p["height"], p["z"]], [p["width"] / 2, 0, 0], [p["grey"]] * 3)
    for b in sorted(things["boxes"], key=lambda b: b["z"]):
        half = b["width"] / 2
        bar([b["x"], 0, b["z"]], [b["x"], b["height"], b["z"]], [half, 0, 0], b["colour"])
    for b in things["balls"]:
        q, depth = camera.project(np.array([b["x"], 0.021, b["z"]]))
        if depth > 0.8:
            radius = max(1, int(0.0213 * camera.focal / depth * 2**shift))
            cv2.circle(out, tuple(int(v) for v in np.round((q + offset) * 2**shift)), radius, [level * c for c in (0.95, 0.95, 0.92)], -1, cv2.LINE_AA, shift)


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
    ahead = camera.axes[2] * [1, 0, 1]
    ahead /= np.linalg.norm(ahead)
    if "wall_turn" in spec:  # stands as it was built, whatever the camera does
        square = np.array([1.0, 0, 0]) if abs(ahead[0]) > abs(ahead[2]) else np.array([0, 0, -1.0])
        x, z = turned(square[0], square[2], spec["wall_turn"])
        ahead = np.array([x, 0, z]) * (1 if square @ ahead > 0 else -1)
    across = np.array([-ahead[2], 0, ahead[0]])
    steps_wall = np.full(d.shape[:2], np.inf)
    origin_depth = -camera.place @ ahead
    if spec["wall"]:
        along = d @ ahead
        steps_wall = np.where(along > 1e-3, (origin_depth + spec["wall_distance"]) / np.maximum(along, 1e-3), np.inf)
    # beyond the golfer's place the ground rises or falls sideways; under the feet it is level
    slope = np.tan(np.radians(spec.get("slope", 0.0)))
    with np.errstate(divide="ignore"):
        steps_ground = np.where(d[..., 1] < -1e-4, -camera.place[1] / np.minimum(d[..., 1], -1e-4), np.inf)
    if slope:
        tilted = d[..., 1] - slope * (d @ across)
        beyond = (slope * (camera.place @ across) - camera.place[1]) / np.minimum(tilted, -1e-4)
        far_off = np.where(tilted < -1e-4, beyond, np.inf)
        steps_ground = np.where(steps_ground * (d @ ahead) > origin_depth + 1.5, far_off, steps_ground)
    ground = steps_ground < steps_wall
    wall = ~ground & np.isfinite(steps_wall)
    sky = ~ground & ~wall
    if sky.any():
        flat = np.stack([d @ across, d[..., 1], -(d @ ahead)], -1)
        out[sky] = far_colour(flat, spec["far"], seed, spec["sky"])[sky]
    if ground.any():
        p = camera.place + d[ground] * steps_ground[ground][:, None]
        g = ground_colour(p[:, 0][None], p[:, 2][None], steps_ground[ground][None], spec, seed + 20)[0]
        far = np.clip((steps_ground[ground] - 15) / 120, 0, 0.30)
        out[ground] = mix(g, np.array([0.55, 0.62, 0.58]), far)
    if wall.any():
        p = camera.place + d[wall] * steps_wall[wall][:, None]
        c = wall_colour((p @ across)[None], p[:, 1][None], spec["wall"], seed + 40, spec["wall_colour"])[0]
        foot = 1 - 0.35 * np.exp(-p[:, 1] / 0.12)
        out[wall] = c * foot[:, None]
    out = out * spec["level"]
    out = cv2.resize(out.astype(np.float32), (w, h), interpolation=cv2.INTER_AREA)
    if "things" in spec:
        draw_things(out, camera, spec["things"], (mx, my), spec["level"])
    if spec["defocus"] > 0:
        out = cv2.GaussianBlur(out, (0, 0), spec["defocus"])
    return np.clip(out, 0, 1.2), (mx, my)
