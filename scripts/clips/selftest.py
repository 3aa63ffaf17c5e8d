"""Checks of the truth module against closed-form cases, and of the renderer against itself."""
import hashlib

import numpy as np

from . import motion, plan as plans, truth

WIDTH = 0.33  # metres between the hip joints of the rigid pelvis


def hand_made(turn_deg=45.0, slide=0.0):
    """Series of a stick figure whose pelvis turns about its centre, sliding `slide` metres away from the target."""
    t = np.arange(0, 2.5, 1 / motion.RATE)
    ease = lambda a, b: (lambda x: x * x * (3 - 2 * x))(np.clip((t - a) / (b - a), 0, 1))
    back, down = ease(0.5, 1.3), ease(1.3, 1.6)
    theta = np.radians(turn_deg) * (back - down)
    point = lambda x, y, z: np.stack([np.broadcast_to(q, t.shape) for q in (x, y, z)], 1)
    w = {}
    centre = -slide * (back - down)
    for s, sign in (("L", 1), ("R", -1)):
        w[f"hip.{s}"] = point(centre + sign * WIDTH / 2 * np.cos(theta), 0.95, sign * WIDTH / 2 * np.sin(theta))
        w[f"ankle.{s}"], w[f"knee.{s}"] = point(sign * 0.22, 0.09, 0.0), point(sign * 0.19, 0.5, 0.05)
        w[f"shoulder.{s}"] = point(sign * 0.18, 1.4, 0.1)
    arm = np.radians(135) * back - np.radians(135 + 120) * down
    for s in "LR":
        w[f"elbow.{s}"] = w["shoulder.L"] + 0.30 * np.stack([-np.sin(arm), -np.cos(arm), 0 * arm], 1)
        w[f"wrist.{s}"] = w["shoulder.L"] + 0.56 * np.stack([-np.sin(arm), -np.cos(arm), 0 * arm], 1)
    for s, sign in (("left", 1), ("right", -1)):
        w[f"{s}_ear"], w[f"{s}_heel"], w[f"{s}_big_toe"] = point(sign * 0.07, 1.62, 0.12), point(sign * 0.22, 0.02, -0.05), point(sign * 0.25, 0.02, 0.17)
    picture = {k: v[:, :2] * 100 for k, v in w.items()}
    return truth.Series(t, w, picture, 1.0, -np.sin(arm), np.zeros(3))


def measured(turn_deg, slide):
    s = hand_made(turn_deg, slide)
    ev = truth.find_events(s, (0.1, 1.3, 2.4), 2.4)
    n = int(0.9 * motion.RATE)
    flat = lambda a, b: (s.t[:n], np.full(n, 0.2), np.full(n, 0.25))
    return ev, truth.measure(s, ev, flat, True)


def near(name, got, want, tolerance, bad):
    ok = got is not None and abs(got - want) <= tolerance
    print(f"{'ok  ' if ok else 'FAIL'} {name}: {got if got is None else round(got, 4)} (expected {want:.4f} ± {tolerance})")
    if not ok:
        bad.append(name)


def run():
    """Prints one line per check; returns the number of failures."""
    bad = []
    ev, m = measured(45, 0.0)
    toward = 100 * WIDTH / 2 * (1 - np.cos(np.radians(45)))
    s = hand_made(45, 0.0)
    moved = 100 * (s.at(s.world["hip.R"], 1.3)[0] - s.still(s.world["hip.R"], 0.5)[0])
    near("pure turn of 45 degrees carries the trail hip toward the target, cm", moved, toward, 1e-3, bad)
    near("and its travel away from the target, cm", m["trail_hip_travel_cm"], 0.0, 1e-6, bad)
    near("pelvis midpoint of a pure turn, cm", m["pelvis_travel_cm"], 0.0, 1e-6, bad)
    _, m = measured(45, 0.08)
    near("slide of 8 cm with the turn: pelvis, cm", m["pelvis_travel_cm"], 8.0, 0.01, bad)
    near("slide of 8 cm with the turn: trail hip, cm", m["trail_hip_travel_cm"], 8.0 - toward, 0.6, bad)
    near("stance, cm", m["stance_width_cm"], 44.0, 1e-6, bad)
    near("edge of the hips inside the shoe, cm", m["hip_edge_inside_foot_cm"], 5.0, 1e-6, bad)
    near("time of the top, s", ev["top"], 1.3, 0.003, bad)
    near("straight arm: largest flexion, degrees", m["lead_elbow_flexion_max_deg"], 0.0, 0.01, bad)
    arm = lambda when: np.interp(when, s.t, np.degrees(np.arctan2(-(s.picture["wrist.L"] - s.picture["shoulder.L"])[:, 0], -(s.picture["wrist.L"] - s.picture["shoulder.L"])[:, 1])))
    near("arm angle at half follow-through, degrees", arm(ev["half_follow_through"]), -45.0, 0.05, bad)
    near("arm angle at arm level, degrees", arm(ev["lead_arm_level_back"]), 90.0, 0.05, bad)
    a, b, c = np.array([[0.0, 0.0]]), np.array([[3.0, 0.0]]), np.array([[3.0, 4.0]])
    near("elbow of a 3-4-5 triangle, flexion in degrees", float(truth.flexion(a, b, c)[0]), 90.0, 1e-9, bad)
    near("flexion of an equilateral triangle", float(truth.flexion(a, np.array([[1.0, 0.0]]), np.array([[0.5, 0.75**0.5]]))[0]), 120.0, 1e-6, bad)
    near("elbow 3 above a level arm counts as out", float(truth.signed_distance(np.array([2.0, 3.0]), np.zeros(2), np.array([5.0, 0.0]))), 3.0, 1e-9, bad)
    near("trunk leaning away from the target", float(truth.tilt_from_vertical(np.zeros(2), np.array([-1.0, 1.0]))), 45.0, 1e-9, bad)
    near("trail shoulder lower", float(truth.trail_lower(np.array([1.0, 1.0]), np.array([0.0, 0.0]))), 45.0, 1e-9, bad)
    digests = []
    for _ in range(2):
        from .render import Shoot
        shoot = Shoot(plans.fixture(5))
        h = hashlib.sha256()
        for k in range(0, shoot.stage.frames, 24):
            h.update(shoot.frame(k).tobytes())
        digests.append(h.hexdigest())
    near("two renders of one seed differ in so many digests", float(digests[0] != digests[1]), 0.0, 0.0, bad)
    st = shoot.stage
    drift = max(float(np.linalg.norm(st.joints[k] - st.joints[k][0], axis=1)[: int(st.plan["swing"]["top"] * motion.RATE)].max()) for k in ("ankle.L", "ankle.R"))
    near("feet stay planted in the backswing, metres moved", drift, 0.0, 0.03, bad)
    together = float(np.linalg.norm(st.joints["wrist.L"] - st.joints["wrist.R"], axis=1).max())
    near("both hands stay on the club: widest gap of the wrists, metres", together, 0.12, 0.05, bad)
    print(f"{len(bad)} of the checks failed" if bad else "all checks passed")
    return len(bad)
