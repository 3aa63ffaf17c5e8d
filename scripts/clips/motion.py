"""The swing as curves: from dials to posing parameters on a fine time grid.

Right-handed golfer, world axes of the package; seconds, metres; angles in degrees in the key tables, radians in
the curves handed to the skeleton. Turns are positive in the backswing's direction.
"""
import numpy as np

from . import walk as walking
from .skeleton import gauss

RATE = 960  # instants per second: a multiple of every frame rate that is rendered

DEG = {
    "pelvis_turn", "chest_turn", "chest_roll", "head_yaw", "head_pitch", "head_roll", "knee_in.L", "knee_in.R",
    "foot_yaw.L", "foot_yaw.R", "heel_lift.L", "heel_lift.R", "protract.L", "protract.R", "arm_angle", "arm_out",
    "lead_flex", "club_angle", "club_lie",
}
PLAIN = {"pelvis_x", "pelvis_y", "pelvis_z", "neck_x", "neck_z", "finish"}
VECTORS = {"lead_pole", "trail_pole", "finish_place"}


def pchip(t, v, at):
    """Shape-preserving cubic interpolation (Fritsch-Carlson slopes, zero at the ends)."""
    h, d = np.diff(t), np.diff(v) / np.diff(t)
    m = np.zeros(len(t))
    if len(t) > 2:
        w1, w2 = 2 * h[1:] + h[:-1], h[1:] + 2 * h[:-1]
        same = d[:-1] * d[1:] > 0
        with np.errstate(divide="ignore", invalid="ignore"):
            m[1:-1] = np.where(same, (w1 + w2) / (w1 / d[:-1] + w2 / d[1:]), 0)
    i = np.clip(np.searchsorted(t, at, "right") - 1, 0, len(h) - 1)
    s = np.clip((at - t[i]) / h[i], 0, 1)
    a, b = 1 - s, s
    return (v[i] * (1 + 2 * s) * a * a + v[i + 1] * b * b * (3 - 2 * s)
            + h[i] * (m[i] * s * a * a - m[i + 1] * a * b * b))


class Table:
    """Key values per parameter; a parameter without keys keeps its first value."""

    def __init__(self, start):
        self.rows = {k: [(0.0, np.asarray(v, float))] for k, v in start.items()}

    def put(self, name, pairs):
        self.rows[name] += [(t, np.asarray(v, float)) for t, v in pairs]

    def curves(self, duration, smooth):
        n = int(round(duration * RATE)) + 1
        at = np.arange(n) / RATE
        out = {}
        for name, rows in self.rows.items():
            rows = sorted(rows, key=lambda r: r[0])
            kept = [rows[0]]
            for r in rows[1:]:
                if r[0] > kept[-1][0] + 1e-6:
                    kept.append(r)
                else:
                    kept[-1] = (kept[-1][0], r[1])
            t = np.array([r[0] for r in kept])
            v = np.stack([r[1] for r in kept])
            flat = v.reshape(len(v), -1)
            if len(t) == 1:
                c = np.repeat(flat, n, 0)
            else:
                c = np.stack([pchip(t, flat[:, i], at) for i in range(flat.shape[1])], 1)
                c = gauss(c, smooth, RATE)
            c = c.reshape((n,) + v.shape[1:])
            out[name] = np.radians(c) if name in DEG else c
        return out


def address(sk, d):
    """Parameter values at address for a skeleton and set-up dials."""
    stance = d["stance"] * d["stature"]
    hip_y = sk.j["ankle.L"][1] + np.sqrt((d["leg_extension"] * sk.leg) ** 2 - (stance / 2 - sk.hip_width / 2) ** 2)
    bend = np.radians(d["bend"])
    pelvis_x = d["pelvis_ahead"]
    pelvis_z = -0.085 * d["stature"] / 1.75
    return {
        "pelvis_x": pelvis_x, "pelvis_y": hip_y, "pelvis_z": pelvis_z,
        "neck_x": pelvis_x - d["head_behind"], "neck_z": pelvis_z + sk.trunk * np.sin(bend),
        "pelvis_turn": d["open_hips"], "chest_turn": d["open_chest"], "chest_roll": d["shoulder_roll"], "head_yaw": -3.0, "head_pitch": d["head_pitch"],
        "head_roll": d["head_roll"], "knee_in.L": 4.0, "knee_in.R": d["trail_knee_in"],
        "foot_yaw.L": 0.0, "foot_yaw.R": 0.0, "heel_lift.L": 0.0, "heel_lift.R": 0.0, "protract.L": 12.0, "protract.R": 12.0,
        "arm_angle": 15.0, "arm_out": d["arm_out"], "lead_flex": d["lead_flex_address"], "club_angle": 2.0, "club_lie": 38.0,
        "finish": 0.0, "lead_pole": (0.5, -0.45, -0.55), "trail_pole": (-0.45, -0.6, -0.5),
        "finish_place": (0.15, 0.10, 0.03),
    }


def swing_keys(table, a, d, s):
    """Adds one swing. a: address values, d: dials, s: this swing (start, top, impact, settle in seconds; amount)."""
    t0, tt, ti, tf = s["start"], s["top"], s["impact"], s["settle"]
    g = s["amount"]
    back, down = tt - t0, ti - tt
    B = lambda x: t0 + x * back
    D = lambda x: tt + x * down
    F = lambda x: ti + x * (tf - ti)
    slow = s["after"]
    A = lambda x: ti + x * slow
    put, full = table.put, g > 0.85
    wing, fold = s["wing"], s["fold"]

    top = 90 + (d["arm_top"] - 90) * g if full else 72 + 25 * g
    a0 = a["arm_angle"]
    rise = (lambda x: a0 + x * (top - a0))
    level = 0.70 if full else 0.9
    put("arm_angle", [(B(0), a0), (B(0.22), a0 + 0.10 * (90 - a0)), (B(0.45), a0 + 0.46 * (90 - a0)),
                      (B(level), 90 if full else rise(0.93)), (B(1), top),
                      (D(0.30), top - 0.20 * (top - 90) - 3), (D(0.57), 90 if full else 76),
                      (D(0.80), 90 - 0.56 * (90 - s["arm_impact"]) if full else 48), (D(1), s["arm_impact"]),
                      (A(0.07), s["arm_impact"] - 54 * (0.6 + 0.4 * g)), (A(0.15), -80 if full else -62), (A(0.30), -108 if full else -78),
                      (F(1), -138 if full else -80)])
    put("arm_out", [(B(0), a["arm_out"]), (B(0.5), a["arm_out"] + 6), (B(0.75), a["arm_out"] - 2), (B(1), d["arm_out_top"]),
                    (D(0.5), 2), (D(1), a["arm_out"] + 5), (A(0.15), 22), (A(0.3), 8), (F(1), 0)])
    c0 = a["club_angle"]
    put("club_angle", [(B(0), c0), (B(0.20), c0 + 12), (B(0.50), c0 + (90 if full else 70)), (B(0.72), 172 if full else 120),
                       (B(1), d["club_top"] if full else 165),
                       (D(0.35), d["club_top"] - 8 if full else 165), (D(0.60), 172 if full else 135), (D(0.82), 92 if full else 75), (D(1), c0),
                       (A(0.05), -68), (A(0.12), -128 if full else -105), (A(0.28), -205 if full else -120), (F(1), -262 if full else -115)])
    put("club_lie", [(B(0), a["club_lie"]), (B(0.9), a["club_lie"] + 6), (D(0.5), a["club_lie"] + 4), (D(1), a["club_lie"]),
                     (A(0.2), a["club_lie"] + 2), (F(1), a["club_lie"] + 16)])
    ct, pt = d["chest_top"] * (g if full else 0.62 * g + 0.1), d["pelvis_top"] * (g if full else 0.6)
    put("chest_turn", [(B(0), a["chest_turn"]), (B(0.25), ct * 0.16), (B(0.5), ct * 0.52), (B(0.75), ct * 0.86), (B(1), ct),
                       (D(0.3), ct * 0.80), (D(0.6), ct * 0.33), (D(1), -d["chest_impact"]),
                       (A(0.07), -d["chest_impact"] - 23), (A(0.15), -68 * (0.6 + 0.4 * g)),
                       (A(0.30), -92 * (0.6 + 0.4 * g)), (F(1), -112 if full else -62)])
    put("pelvis_turn", [(B(0), a["pelvis_turn"]), (B(0.3), pt * 0.22), (B(0.65), pt * 0.78), (B(0.95), pt),
                        (D(0.3), pt * 0.55), (D(0.6), pt * 0.1 - 8), (D(1), -d["pelvis_impact"]),
                        (A(0.15), -d["pelvis_impact"] - 22), (F(1), -88 if full else -52)])
    sway, shift = s["sway"], d["shift_impact"]
    px = a["pelvis_x"]
    put("pelvis_x", [(B(0), px), (B(0.15), px - 0.10 * sway), (B(0.55), px - 0.72 * sway + d["drift_clean"]), (B(0.88), px - sway + d["drift_clean"]),
                     (B(1), px - 0.95 * sway + d["drift_clean"] + 0.004), (D(0.5), px + 0.5 * shift - 0.3 * sway), (D(1), px + shift - 0.08 * sway), (A(0.15), px + shift + 0.025),
                     (F(1), a["stance"] * 0.5 - 0.035)])
    py = a["pelvis_y"]
    put("pelvis_y", [(B(0), py), (B(1), py + d["rise_top"]), (D(0.5), py + d["rise_top"] * 0.4 - 0.03), (D(1), py + 0.012 + d["rise_impact"]),
                     (A(0.2), py + 0.03), (F(1), py + 0.055)])
    put("pelvis_z", [(B(0), a["pelvis_z"]), (B(1), a["pelvis_z"] - 0.005), (D(1), a["pelvis_z"] + d["thrust"]), (F(1), a["pelvis_z"] + 0.075)])
    nx, drift = a["neck_x"], d["head_drift"] + 0.55 * sway * d["head_follows"]
    put("neck_x", [(B(0), nx), (B(0.3), nx - 0.18 * drift), (B(0.75), nx - 0.9 * drift + 0.015 + 0.6 * d["reverse"]), (B(1), nx - drift + 0.022 + d["reverse"]),
                   (D(0.5), nx - 0.65 * drift + 0.5 * d["reverse"]), (D(1), nx - 0.015 - 0.3 * drift), (A(0.15), nx + 0.01), (A(0.4), nx + 0.13), (F(1), a["stance"] * 0.5 - 0.06)])
    nz = a["neck_z"]
    put("neck_z", [(B(0), nz), (B(1), nz - d["head_lift"] * 0.9), (D(1), nz - 0.012 - 0.3 * d["head_lift"]), (A(0.15), nz - 0.05), (F(1), a["pelvis_z"] + 0.12)])
    put("chest_roll", [(B(0), a["chest_roll"]), (B(0.6), 0.5 * a["chest_roll"]), (B(1), 0), (D(1), a["chest_roll"] * 0.8 + 3), (A(0.2), 5), (F(1), 2)])
    put("head_yaw", [(B(0), a["head_yaw"]), (B(1), a["head_yaw"] - d["head_turn_top"]), (D(1), a["head_yaw"] + 2), (A(0.12), 12), (A(0.35), 60), (F(1), 82 if full else 55)])
    put("head_pitch", [(B(0), a["head_pitch"]), (B(1), a["head_pitch"] + 2), (D(1), a["head_pitch"] + 3), (A(0.15), a["head_pitch"] - 6), (A(0.4), 12), (F(1), 3)])
    put("head_roll", [(B(0), a["head_roll"]), (B(1), a["head_roll"] - 3), (D(1), a["head_roll"] + 6), (A(0.2), a["head_roll"] + 10), (F(1), 2)])
    put("knee_in.L", [(B(0), a["knee_in.L"]), (B(1), a["knee_in.L"] + 14), (D(0.6), 0), (D(1), -6), (F(1), 0)])
    put("knee_in.R", [(B(0), a["knee_in.R"]), (B(1), a["knee_in.R"] * 0.6 - d["trail_knee_slack"]), (D(1), 14), (A(0.2), 10), (F(1), 0)])
    put("foot_yaw.R", [(B(0), 0), (D(0.8), 0), (A(0.12), 14), (F(1), 52 if full else 25)])
    put("heel_lift.R", [(B(0), 0), (D(0.55), 0), (D(1), 14), (A(0.15), 36), (F(1), 66 if full else 34)])
    put("foot_yaw.L", [(D(0.6), 0), (A(0.3), 8), (F(1), 10)])
    put("heel_lift.L", [(B(0.4), 0), (B(1), d["lead_heel_top"]), (D(0.45), 0)])
    mid_flex, end_flex = (0.66 * wing + 3, max(wing, fold)) if wing else (s["flex_half"] + 0.6 * fold, max(fold, s["flex_chest"]))
    put("lead_flex", [(B(0), a["lead_flex"]), (B(0.4), s["flex_back"]), (B(1), s["flex_top"]), (D(0.6), s["flex_back"]),
                      (D(1), s["flex_impact"] + 0.22 * wing), (A(0.055), mid_flex), (A(0.10), end_flex), (A(0.18), end_flex + 6),
                      (F(1), 105 if full else max(30, end_flex))])
    out = np.radians(d["wing_depth"])
    if wing:
        half = (0.66 * np.cos(out), 0.66 * np.cos(out), -np.sin(out))
        chest = (0.25, 0.93 * np.cos(out), -np.sin(out))
    else:
        aside = np.radians(d["elbow_side"] if not fold else -55.0)
        half = (0.71 * np.sin(aside), 0.71 * np.sin(aside), -np.cos(aside))
        chest = (0.25 * np.sin(aside), 0.95 * np.sin(aside), -np.cos(aside))
    put("lead_pole", [(B(0), (0.5, -0.45, -0.55)), (B(0.5), (0.1, -0.75, 0.25)), (B(1), (-0.3, -0.85, 0.35)), (D(0.6), (0.0, -0.8, 0.0)),
                      (D(1), (0.65, 0.1, -0.7) if wing else (0.35, -0.4, -0.8)), (A(0.05), half), (A(0.10), chest), (A(0.18), chest),
                      (A(0.34), (0.6, -0.3, -0.5) if wing else (0.35, -0.75, -0.35)), (F(1), (0.55, -0.8, 0.1))])
    put("trail_pole", [(B(0), (-0.45, -0.6, -0.5)), (B(0.5), (-0.5, -0.75, -0.35)), (B(1), (-0.1, -1, -0.1 - d["flying"])), (D(0.5), (-0.2, -0.9, 0.15)),
                       (D(1), (-0.15, -0.75, -0.45)), (A(0.15), (-0.35, -0.8, -0.1)), (F(1), (0.45, -0.6, 0.75))])
    if full:
        put("finish", [(D(1), 0), (A(0.17), 0.0), (A(0.32), 0.45), (F(1), 1)])
    put("finish_place", [(B(0), a["finish_place"]), (F(1), d["finish_place"])])


def return_keys(table, a, t0, t1):
    """Back to address between two swings."""
    for name, value in a.items():
        first = table.rows[name][-1][1]
        table.put(name, [(t0, first), (t1, value)])


def waggle_keys(table, a, times, rng):
    """Small movements of club and hands that come back."""
    for t in times:
        size, hands = rng.uniform(10, 32), rng.uniform(0.5, 4.5)
        for name, top in (("club_angle", size), ("arm_angle", hands)):
            table.put(name, [(t, a[name]), (t + 0.22, a[name] + top), (t + 0.44, a[name] - 0.1 * top), (t + 0.58, a[name])])


def constant(a, n=8):
    """Address values as short constant curves."""
    out = {}
    for k, v in a.items():
        c = np.repeat(np.asarray(v, float)[None], n, 0)
        out[k] = np.radians(c) if k in DEG else c
    return out


def build(sk, d, swings, duration, waggles, rng, walk=None):
    """Poses the whole clip.

    Returns (joints, rotations, translations, ball place or None, static values) on the grid of RATE instants.
    """
    a = address(sk, d)
    fixed = {"stance": d["stance"] * d["stature"], "flare_lead": np.radians(d["flare_lead"]), "flare_trail": np.radians(d["flare_trail"]),
             "ankle_z": -0.06 * d["stature"] / 1.75, "pelvis_share": d["pelvis_share"], "club_length": d["club_length"], "strikes": []}
    a_stance = fixed["stance"]
    ball_x = d["ball_x"]
    for _ in range(4):
        joints, _, _ = sk.pose({**constant(a), **fixed}, RATE)
        grip = joints["grip"][4]
        hands = (joints["wrist.L"][4] + joints["wrist.R"][4]) / 2
        a["arm_angle"] += np.degrees(np.arcsin(np.clip((hands[0] - d["hands_x"]) / sk.arm, -0.5, 0.5)))
        drop = grip[1] - 0.03
        length = max(fixed["club_length"], np.hypot(drop, ball_x - grip[0]) / np.cos(np.radians(24)))
        fixed["club_length"] = length
        ball = np.array([ball_x, 0.03, grip[2] + np.sqrt(length**2 - drop**2 - (ball_x - grip[0]) ** 2)])
        s = (ball - grip) / length
        a["club_angle"] = -np.degrees(np.arcsin(s[0]))
        a["club_lie"] = np.degrees(np.arctan2(s[2], -s[1]))
    joints, _, _ = sk.pose({**constant(a), **fixed}, RATE)
    home = (joints["wrist.L"][4] + joints["wrist.R"][4]) / 2
    noise = idle(duration, rng)
    lean = d["hands_ahead"]
    for s in swings:
        s["arm_impact"] = a["arm_angle"] - 2
    for attempt in range(3):
        table = Table(a)
        waggle_keys(table, a, waggles, np.random.default_rng(d["waggle_seed"]))
        for i, s in enumerate(swings):
            swing_keys(table, {**a, "stance": a_stance}, d, s)
            if i + 1 < len(swings):
                return_keys(table, a, s["settle"] + s["hold"], swings[i + 1]["ready"])
        curves = table.curves(duration, 0.013)
        for name, v in noise.items():
            curves[name] = curves[name] + v
        if walk:
            curves = walking.add(curves, constant(a), walk, RATE)
        fixed["strikes"] = [(s["impact"], ball) for s in swings if s["kind"] == "full"]
        joints, rot, trans = sk.pose({**curves, **fixed}, RATE)
        if attempt < 2:
            for s in swings:
                i = min(int(round(s["impact"] * RATE)), len(rot) - 1)
                x = (joints["wrist.L"][i] + joints["wrist.R"][i])[0] / 2
                s["arm_impact"] += np.degrees((x - home[0] - lean) / sk.arm)
    if walk:
        joints, rot, trans = walking.travel(joints, rot, trans, walk, RATE)
    return joints, rot, trans, ball, {"address": a, "club_length": fixed["club_length"]}


def idle(duration, rng):
    """Breathing and unrest of a standing person: slow, about a millimetre or two."""
    n = int(round(duration * RATE)) + 1
    t = np.arange(n) / RATE
    out = {}
    for name, size in (("neck_x", 0.0012), ("neck_z", 0.0015), ("pelvis_x", 0.0010), ("pelvis_y", 0.0005)):
        f, ph = rng.uniform(0.15, 0.45, 3), rng.uniform(0, 2 * np.pi, 3)
        out[name] = size * sum(np.sin(2 * np.pi * f[k] * t + ph[k]) for k in range(3)) / 1.7
    return out
