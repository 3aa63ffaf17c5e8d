"""What each clip contains: every choice is drawn from the clip's seed.

Distances in metres, angles in degrees, times in seconds of real time unless a name says otherwise.
"""
import numpy as np

from . import worlds

# `range` and `bay` are worlds of their own (`worlds.py`), `range_line` and `bay_line` the same filmed down the line; `again` films
# each of its golfers three times; the others are the `studio`.
# `calibrate` and `develop` may be looked at and fitted to; `check` is looked at by figures only, after the last choice. When a
# choice was made with its result in view, its clips join `develop` under their seeds and `check` gets new ones.
BASE_SEED = {"calibrate": 410_000, "develop": 720_000, "fixtures": 930_000, "check": 1_530_000, "range": 2_110_000, "bay": 2_340_000,
             "range_line": 2_570_000, "bay_line": 2_790_000, "again": 3_050_000, "balls": 3_310_000}
COUNTS = {"calibrate": 80, "develop": 120, "check": 120, "range": 40, "bay": 40, "range_line": 24, "bay_line": 24, "again": 24, "balls": 40}

SKINS = [(0.87, 0.68, 0.56), (0.80, 0.60, 0.47), (0.72, 0.52, 0.39), (0.58, 0.40, 0.29), (0.42, 0.28, 0.20), (0.30, 0.20, 0.15)]
HAIRS = [(0.10, 0.08, 0.07), (0.20, 0.13, 0.08), (0.36, 0.24, 0.14), (0.62, 0.50, 0.32), (0.55, 0.54, 0.53)]
CLOTHS = [(0.90, 0.90, 0.90), (0.10, 0.10, 0.12), (0.14, 0.22, 0.45), (0.70, 0.12, 0.14), (0.20, 0.45, 0.30), (0.55, 0.65, 0.80),
          (0.85, 0.70, 0.20), (0.45, 0.45, 0.47), (0.75, 0.45, 0.55), (0.30, 0.55, 0.65), (0.16, 0.30, 0.18)]
LEGWEAR = [(0.10, 0.10, 0.12), (0.62, 0.56, 0.44), (0.35, 0.35, 0.37), (0.85, 0.84, 0.80), (0.16, 0.20, 0.32), (0.40, 0.32, 0.24), (0.24, 0.30, 0.22)]
SHOES = [(0.92, 0.92, 0.92), (0.12, 0.12, 0.12), (0.55, 0.45, 0.35), (0.6, 0.62, 0.66)]


def pick(rng, items):
    return items[int(rng.integers(len(items)))]


def vary(rng, colour, amount=0.04):
    return tuple(float(x) for x in np.clip(np.asarray(colour) + rng.normal(0, amount, 3), 0.03, 0.97))


def look(rng, stature=None):
    """Body and clothes."""
    sex = "male" if rng.random() < 0.6 else "female"
    stature = stature or float(np.clip(rng.normal(1.77 if sex == "male" else 1.65, 0.075), 1.50, 1.95))
    mixes = rng.dirichlet([0.8, 0.8, 0.8])
    shorts, long_sleeve = rng.random() < 0.28, rng.random() < 0.15
    loose = rng.random() < 0.3
    cap = vary(rng, pick(rng, CLOTHS)) if rng.random() < 0.55 else None
    return {
        "sex": sex, "stature": round(stature, 3), "tallness": float(np.clip((stature - (1.75 if sex == "male" else 1.64)) / 0.35, -0.6, 0.6)),
        "age": float(rng.choice([0, 0, 0, 0.3, 0.7])), "muscle": float(rng.uniform(0.3, 0.85)), "weight": float(np.clip(rng.normal(0.5, 0.2), 0.15, 0.98)),
        "race": {k: float(v) for k, v in zip(("african", "asian", "caucasian"), mixes)},
        "skin": vary(rng, pick(rng, SKINS), 0.02), "hair": vary(rng, pick(rng, HAIRS), 0.02), "hairline": float(rng.uniform(0.8, 1.2)),
        "hair_offset": float(rng.uniform(0.006, 0.022)), "cap": cap, "shirt": vary(rng, pick(rng, CLOTHS)), "trousers": vary(rng, pick(rng, LEGWEAR)),
        "shoes": vary(rng, pick(rng, SHOES), 0.02), "stripe": vary(rng, pick(rng, CLOTHS)) if rng.random() < 0.15 else None,
        "belt": vary(rng, pick(rng, SHOES)) if rng.random() < 0.6 else None, "glove": bool(rng.random() < 0.7),
        "sleeve": 2.0 if long_sleeve else float(rng.uniform(0.45, 0.85)), "trouser_end": float(rng.uniform(0.86, 0.98)) if shorts else 2.0,
        "waist": float(rng.uniform(0.0, 0.02)), "shirt_offset": float(rng.uniform(0.006, 0.016)),
        "trouser_offset": float(rng.uniform(0.018, 0.032) if loose else rng.uniform(0.004, 0.011)), "loose": bool(loose),
    }


def dials(rng, stature, level_setup=False):
    """Set-up and swing dials of a clean swing; the faults are put on top by the caller."""
    u = rng.uniform
    d = {
        "stature": stature, "stance": u(0.23, 0.30), "leg_extension": u(0.955, 0.972), "bend": u(27, 36), "flare_lead": u(10, 25), "flare_trail": u(0, 12),
        "open_hips": u(-4, 2), "open_chest": u(-4, 3), "head_pitch": u(29, 41), "pelvis_share": u(0.35, 0.55), "arm_out": u(14, 22), "lead_flex_address": u(10, 20),
        "hands_x": u(-0.02, 0.07), "ball_x": u(-0.01, 0.13), "club_length": u(0.80, 1.02), "arm_top": u(122, 150), "arm_out_top": u(-22, -6), "club_top": u(225, 268),
        "chest_top": u(80, 96), "pelvis_top": u(38, 50), "chest_impact": u(15, 30), "pelvis_impact": u(30, 44), "shift_impact": u(0.06, 0.11), "drift_clean": u(-0.022, 0.010),
        "rise_top": u(-0.012, 0.008), "rise_impact": u(-0.01, 0.015), "thrust": u(0.0, 0.03), "head_drift": u(-0.005, 0.025), "head_follows": u(0.3, 0.9), "reverse": 0.0,
        "head_lift": u(-0.015, 0.015), "head_turn_top": u(6, 20), "trail_knee_slack": u(-4, 4), "lead_heel_top": 0.0 if u() < 0.7 else u(4, 16), "flying": u(0, 0.5), "hands_ahead": u(-0.005, 0.03),
        "wing_depth": u(-8, 72), "elbow_side": u(-50, 32), "finish_place": [u(0.12, 0.20), u(0.05, 0.14), u(-0.02, 0.06)],
    }
    if level_setup:
        d.update(pelvis_ahead=u(-0.012, 0.006), head_behind=u(-0.012, 0.012), shoulder_roll=u(-10.5, -6.5), head_roll=u(-2, 1), trail_knee_in=u(-12, 0))
    else:
        d.update(pelvis_ahead=u(0.012, 0.035), head_behind=u(0.035, 0.075), shoulder_roll=u(-3.0, 1.0), head_roll=u(2, 8), trail_knee_in=u(16, 34))
    return {k: (float(v) if not isinstance(v, list) else [float(x) for x in v]) for k, v in d.items()}


def one_swing(rng, kind, amount, start):
    """Timing and elbow dials of one swing."""
    back = float(np.clip(rng.lognormal(np.log(0.87), 0.17), 0.62, 1.35))
    ratio = float(np.clip(rng.normal(3.45, 0.55), 2.45, 5.2))
    down = float(np.clip(back / ratio, 0.20, 0.34))
    if kind != "full":
        back, down = back * 1.1, down * 1.25
    after = float(rng.uniform(1.15, 1.4)) * (1.0 if kind == "full" else 1.2)
    settle = float(rng.uniform(0.66, 0.84)) * (1.0 if kind == "full" else 1.1)
    return {
        "kind": kind, "amount": amount, "start": start, "top": start + back, "impact": start + back + down, "settle": start + back + down + settle,
        "hold": float(rng.uniform(0.45, 0.7)), "after": after, "sway": 0.0, "wing": 0.0, "fold": 0.0, "flex_back": float(rng.uniform(5, 14)),
        "flex_top": float(rng.uniform(8, 32)), "flex_impact": float(rng.uniform(4, 12)), "flex_half": float(rng.uniform(2, 9)), "flex_chest": float(rng.uniform(4, 16)),
    }


def light(rng, indoor):
    mood = rng.random()
    tint = np.array([1.0, 1.0, 1.0]) + rng.normal(0, 0.025, 3)
    sun = [float(rng.uniform(-0.9, 0.9)), float(rng.uniform(0.7, 1.3)), float(rng.uniform(-0.35, 0.9))]
    if indoor or mood < 0.4:
        spec = {"sun": [sun[0] * 0.5, 1.4, abs(sun[2])], "sun_strength": tint * 0.26, "sky_light": tint * 0.74, "bounce": tint * 0.42, "shadow": 0.18, "softness": 9.0}
    else:
        spec = {"sun": sun, "sun_strength": tint * [0.58, 0.55, 0.49], "sky_light": tint * [0.52, 0.55, 0.60], "bounce": tint * 0.34, "shadow": float(rng.uniform(0.32, 0.5)), "softness": float(rng.uniform(1.5, 4))}
    return {k: (v.tolist() if isinstance(v, np.ndarray) else v) for k, v in spec.items()}


def scenery(rng, trousers, similar):
    kind = pick(rng, ["range", "range", "brick", "planks", "hedge", "net", "net", "plaster", "panels"])
    grounds = {"range": ["grass", "mat"], "hedge": ["grass", "concrete"], "net": ["mat", "grass"], "plaster": ["wood", "concrete", "mat"], "panels": ["wood", "mat"]}
    colour = vary(rng, pick(rng, [(0.62, 0.33, 0.26), (0.75, 0.70, 0.62), (0.55, 0.56, 0.58), (0.40, 0.30, 0.22), (0.80, 0.80, 0.78), (0.35, 0.42, 0.48)]))
    if similar:
        kind = pick(rng, ["plaster", "planks", "panels"])
        colour = vary(rng, trousers, 0.03)
    return {
        "kind": kind, "wall": None if kind == "range" else kind, "far": "range", "wall_distance": float(rng.uniform(1.6, 4.5)), "wall_colour": colour,
        "ground": pick(rng, grounds.get(kind, ["grass", "concrete", "mat"])), "ground_tint": [float(x) for x in 1 + rng.normal(0, 0.06, 3)],
        "sky": [float(x) for x in np.array([0.62, 0.75, 0.92]) + rng.normal(0, 0.04, 3)], "level": 1.0, "defocus": float(rng.choice([0, 0.5, 0.9])),
        "seed": int(rng.integers(1 << 30)),
    }


def choose_faults(rng, d, swing, tags):
    """Puts faults on a clean swing; returns nothing, changes dials, swing and tags."""
    draw = rng.random()
    sway = wing = False
    if draw < 0.45:
        pass
    elif draw < 0.64:
        sway = True
    elif draw < 0.83:
        wing = True
    elif draw < 0.90:
        sway = wing = True
    if draw >= 0.90:
        tags.append("head_drift")
        d["head_drift"] = float(rng.uniform(0.06, 0.13))
        if rng.random() < 0.5:
            d["head_lift"] = float(rng.choice([-1, 1]) * rng.uniform(0.05, 0.11))
            d["rise_top"] = float(np.sign(-d["head_lift"]) * -0.01)
    if sway:
        swing["sway"] = float(rng.uniform(0.045, 0.09) if rng.random() < 0.34 else rng.uniform(0.09, 0.14))
        d["pelvis_top"] -= float(rng.uniform(0, 14))
        tags.append("sway")
    if wing:
        swing["wing"] = float(rng.uniform(30, 50) if rng.random() < 0.34 else rng.uniform(50, 75))
        swing["after"] = float(rng.uniform(1.3, 1.5))
        tags.append("wing")
    if not (sway or wing) and draw < 0.45:
        tags.append("clean")
    extra = rng.random()
    if extra < 0.08:
        d["reverse"] = float(rng.uniform(0.03, 0.07))
        tags.append("reverse_tilt")
    elif extra < 0.16 and not wing:
        swing["fold"] = float(rng.uniform(30, 50))
        tags.append("fold_down")
    elif extra < 0.23 and not sway:
        d["pelvis_top"] = float(rng.uniform(52, 62))
        tags.append("big_hip_turn")
    elif extra < 0.30:
        d["trail_knee_slack"] = float(rng.uniform(8, 16))
        d["rise_top"] += 0.012
        tags.append("trail_knee_straightens")


def clip(split, index):
    """The whole plan of clip number `index` of a split."""
    name, seed = f"{split}-{index:03d}", BASE_SEED[split] + index
    rng = np.random.default_rng(seed)
    tags = []
    # whose swing it is; how and where it is filmed is the clip's own
    golfer = BASE_SEED[split] + index - index % 3 if split == "again" else seed
    if split == "again":
        rng = np.random.default_rng([golfer, 5])
    person = look(rng)
    faults = np.random.default_rng([golfer, 1])
    # a level set-up goes with sway more often than not
    swing = one_swing(rng, "full", 1.0, 0.0)
    d = dials(rng, person["stature"])
    choose_faults(faults, d, swing, tags)
    level = faults.random() < (0.7 if swing["sway"] else 0.2)
    if level:
        probe = dials(rng, person["stature"], True)
        for k in ("pelvis_ahead", "head_behind", "shoulder_roll", "head_roll", "trail_knee_in"):
            d[k] = probe[k]
        tags.append("level_setup")
    if split == "again":
        rng = np.random.default_rng(seed)
    fps, playback = int(rng.choice([30, 60, 120, 240], p=[0.35, 0.40, 0.15, 0.10])), 1
    if rng.random() < 0.06:
        playback, fps = (8, 30) if rng.random() < 0.5 else (4, 60)
    practice = rng.random() < 0.15 and fps <= 60 and playback == 1
    waggle = rng.random() < 0.45
    if fps * playback >= 240:
        waggle = False  # such clips hold four times the frames
    sizes = [(540, 960)] * 7 + [(720, 1280)] * 2 + [(960, 540)] * 2
    size = pick(rng, sizes)
    if fps >= 120 or playback > 1:
        size = (540, 960)
    view_draw = rng.random()
    view = "down_the_line" if view_draw < 0.08 else "other" if view_draw < 0.12 else "face_on"
    similar = rng.random() < 0.15
    if similar:
        tags.append("trousers_like_background")
    share = float(rng.uniform(0.45, 0.80))
    if size[0] > size[1]:
        share = float(rng.uniform(0.58, 0.82))
    cropped = rng.random() < 0.05
    dark = rng.random() < 0.08
    out = {
        "name": name, "seed": seed, "split": split, "look": person, "dials": d, "swing": swing, "tags": tags, "fps": fps, "playback": playback, "size": size, "view": view,
        "practice": pick(rng, ["practice", "practice", "partial"]) if practice else None, "waggle": bool(waggle), "left_handed": bool(rng.random() < 0.15), "mirrored": bool(rng.random() < 0.05),
        "share": share, "cropped": bool(cropped), "dark": bool(dark), "distance": float(rng.uniform(3, 6)), "cam_height": float(rng.uniform(0.5, 1.6)), "yaw": float(np.clip(rng.normal(0, 5), -10, 10)),
        "roll": float(np.clip(rng.normal(0, 1.3), -3, 3)), "shake": float(rng.choice([0, 0, 0.6, 1.2, 2.2])), "light": light(rng, False), "scenery": scenery(rng, person["trousers"], similar),
        "bystander": bool(rng.random() < 0.10), "shutter": float(1 / rng.choice([60, 100, 160, 250, 500])) if fps == 30 else float(1 / rng.choice([250, 500, 1000])),
        "noise": float(rng.uniform(1.0, 3.5)), "crf": int(rng.integers(20, 28)), "cut_at_top": False, "lead_still": float(rng.uniform(0.52, 0.80)), "shift": float(rng.uniform(-0.06, 0.06)),
    }
    world, _, line = split.partition("_")
    out["world"] = world if world in ("range", "bay") else "studio"
    if split == "balls":
        out["world"], out["view"] = ("range", "bay")[index % 2], "face_on"
        view = out["view"]
        if not out["practice"] and fps <= 60 and playback == 1 and np.random.default_rng([seed, 8]).random() < 0.3:
            out["practice"] = "practice"
    if split == "again":
        out["view"] = view = "face_on"
        worlds.golfer(np.random.default_rng([golfer, 6]), out, stiff=False)
        worlds.clothes(np.random.default_rng([golfer, 7]), out["look"], loose=False)
        worlds.camera(rng, out)
    if line:
        out["view"] = view = "down_the_line"
    if out["world"] != "studio":
        worlds.settle(out, np.random.default_rng([seed, 3]))
    if line:
        worlds.line(out, np.random.default_rng([seed, 4]))
    if split == "balls":
        worlds.ball(out, np.random.default_rng([seed, 9]))
    if view == "other":
        out["yaw"] = float(rng.choice([-1, 1]) * rng.uniform(30, 45))
    if dark:
        out["noise"] = float(rng.uniform(7, 12))
        out["level"] = float(rng.uniform(0.32, 0.5))
    return finish_plan(out, rng)


def finish_plan(p, rng):
    """Lays the swings out in time and settles what follows from the other choices."""
    p.setdefault("level", float(rng.uniform(0.88, 1.06)))
    d, s = p["dials"], p["swing"]
    d["waggle_seed"] = int(rng.integers(1 << 30))
    t, swings, waggles, ready = p["lead_still"], [], [], 0.0
    if p["practice"]:
        kind = p["practice"]
        first = one_swing(rng, kind, 1.0 if kind == "practice" else float(rng.uniform(0.45, 0.7)), t)
        first["hold"] = float(rng.uniform(0.45, 0.6))
        if kind == "practice":
            first["amount"] = 0.96
        swings.append(first)
        ready = first["settle"] + first["hold"] + float(rng.uniform(1.1, 1.5))
        t = ready + p["lead_still"]
        p["tags"].append("practice_swing" if kind == "practice" else "partial_swing")
    if p["waggle"]:
        start = t - p["lead_still"] + 0.1
        count = int(rng.integers(1, 3))
        waggles = [start + 0.65 * k for k in range(count)]
        t = start + 0.65 * count + float(rng.uniform(0.55, 0.75))
        p["tags"].append("waggle")
    move = t - s["start"]
    for k in ("start", "top", "impact", "settle"):
        s[k] += move
    s["ready"] = ready
    swings.append(s)
    p["swings"], p["waggles"] = swings, waggles
    p["duration"] = s["settle"] + s["hold"]
    if p["cut_at_top"]:
        p["duration"] = s["top"] + 0.04
        p["tags"].append("cut_at_top")
    for key in ("cropped", "dark", "bystander", "left_handed", "mirrored"):
        if p[key]:
            p["tags"].append({"cropped": "cropped_feet", "dark": "dark_noisy"}.get(key, key))
    if p["playback"] > 1:
        p["tags"].append("slow_motion")
    if p["look"]["loose"]:
        p["tags"].append("loose_trousers")
    p["exposure_time"] = p["shutter"]
    return p


def fixture(index):
    """Seven small clips with explicit dials; the last is the second one's golfer, earlier."""
    names = ["face-on-clean", "sway-level-setup", "chicken-wing", "left-handed-practice", "down-the-line", "cut-at-top", "sway-earlier"]
    name, earlier = names[index], index == 6
    index = 1 if earlier else index
    seed = BASE_SEED["fixtures"] + index
    rng = np.random.default_rng(seed)
    person = look(rng, [1.80, 1.72, 1.68, 1.78, 1.75, 1.83][index])
    person.update(loose=False, trouser_offset=0.007, stripe=None)
    if earlier:
        # the committed clip of this golfer was rendered by an earlier generator: dressed as there
        person.update(sex="male", race={"african": 0.05, "asian": 0.05, "caucasian": 0.9}, skin=(0.80, 0.63, 0.50), hair=(0.25, 0.16, 0.09), cap=None,
                      shirt=(0.86, 0.87, 0.88), trousers=(0.20, 0.23, 0.36), shoes=(0.93, 0.93, 0.92), belt=None, glove=True, trouser_end=2.0, sleeve=0.6,
                      muscle=0.75, weight=0.55)
    d = dials(rng, person["stature"], level_setup=index == 1)
    s = one_swing(rng, "full", 1.0, 0.0)
    tags = ["clean"]
    if index == 1:
        s["sway"], d["pelvis_top"], tags = 0.19 if earlier else 0.125, 36.0, ["sway", "level_setup"]
    if index == 2:
        s["wing"], s["after"], d["wing_depth"], tags = 66.0, 1.4, 12.0, ["wing"]
    p = {
        "name": name, "seed": seed, "split": "fixtures", "look": person, "dials": d, "swing": s, "tags": tags, "fps": 30 if index == 3 or earlier else 60, "playback": 1,
        "size": (540, 960), "view": "down_the_line" if index == 4 else "face_on", "practice": "practice" if index == 3 else None, "waggle": index == 3, "left_handed": index == 3,
        "mirrored": False, "share": 0.62, "cropped": False, "dark": False, "distance": 4.5, "cam_height": 1.0, "yaw": [2.0, -1.5, 3.0, -2.0, 0.0, 1.0][index], "roll": 0.4, "shake": 0.0,
        "light": light(rng, False), "scenery": scenery(rng, person["trousers"], False), "bystander": False, "shutter": 1 / 160 if index == 3 else 1 / 500, "noise": 1.2, "crf": 26,
        "cut_at_top": index == 5, "world": "studio", "lead_still": 0.9 if earlier else 0.6, "shift": 0.0, "level": 1.0,
    }
    return finish_plan(p, rng)


def plans(split, count=None):
    """All plans of a split, in order."""
    if split == "fixtures":
        return [fixture(i) for i in range(min(7, count or 7))]
    return [clip(split, i) for i in range(count or COUNTS[split])]
