"""Named worlds: families of clips that differ in kind, not in seed.

`studio` is the first one (`plan.clip` as it is): walls square to the camera, small bends of one sort. `range` and `bay` change
how golfers stand and swing, what they wear, where the camera stands and what lies about. Angles in degrees, lengths in metres.
"""
import numpy as np


def golfer(rng, p, stiff):
    """Set-up and swing dials over what golfers do; `stiff` ones turn little and stand bent in the knees."""
    u, d, look = rng.uniform, p["dials"], p["look"]
    trunk = 0.29 * look["stature"]
    tilt = u(-3, 11)  # of the trunk away from the target, at address
    d.update(
        stance=u(0.30, 0.54) / look["stature"], flare_lead=u(0, 28), flare_trail=u(0, 28), bend=u(24, 46), pelvis_ahead=u(-0.015, 0.04),
        head_behind=trunk * np.tan(np.radians(tilt)), shoulder_roll=u(-9, 2) - 0.3 * tilt, head_roll=u(-4, 9), trail_knee_in=u(-14, 36),
        arm_out=u(10, 26), arm_out_top=u(-32, 0), arm_top=u(110, 152), hands_x=u(-0.05, 0.09), ball_x=u(-0.02, 0.16), club_top=u(205, 275), wing_depth=u(-35, 80),
        elbow_side=u(-75, 40), flying=u(0, 0.9), head_turn_top=u(2, 26), hands_ahead=u(-0.02, 0.05), trail_knee_slack=u(-6, 12),
    )
    if stiff:
        d.update(chest_top=u(62, 84), pelvis_top=u(24, 40), leg_extension=u(0.935, 0.965), open_hips=u(-8, 6), open_chest=u(-8, 6), chest_impact=u(5, 22), pelvis_impact=u(15, 34))
    else:
        d.update(chest_top=u(78, 106), pelvis_top=u(36, 60), leg_extension=u(0.95, 0.98), chest_impact=u(15, 38), pelvis_impact=u(28, 52))
    p["dials"] = {k: (float(v) if np.isscalar(v) else [float(x) for x in v]) for k, v in d.items()}


def clothes(rng, look, loose):
    """Cloth off the body by up to 4 cm, long sleeves more often."""
    look["shirt_offset"] = float(rng.uniform(0.010, 0.036) if loose else rng.uniform(0.004, 0.016))
    look["trouser_offset"] = float(rng.uniform(0.018, 0.040) if loose else rng.uniform(0.003, 0.014))
    look["loose"] = bool(look["trouser_offset"] > 0.018)
    if rng.random() < (0.5 if loose else 0.1):
        look["sleeve"] = 2.0


def things(rng, indoor):
    """What stands and lies about, in the golfer's world: posts (some lean), rails at an angle, other balls, dark bags, benches."""
    turn = float(rng.uniform(-40, 40))
    posts = [{"x": float(rng.uniform(-3.5, 3.5)), "z": float(rng.uniform(-6, -1.2)), "height": float(rng.uniform(1.0, 3.2)), "width": float(rng.uniform(0.03, 0.12)),
              "lean": float(rng.normal(0, 2.5) if rng.random() < 0.35 else rng.normal(0, 0.3)), "grey": float(rng.uniform(0.1, 0.85))} for _ in range(int(rng.integers(0, 7)))]
    rails = [{"z": float(rng.uniform(-5, -1.5)), "turn": turn + float(rng.normal(0, 2)), "height": float(rng.uniform(0.3, 1.6)), "width": float(rng.uniform(0.02, 0.08)),
              "grey": float(rng.uniform(0.1, 0.9))} for _ in range(int(rng.integers(0, 4)))]
    balls = [{"x": float(rng.uniform(-1.6, 1.6)), "z": float(rng.uniform(-0.8, 2.0))} for _ in range(int(rng.integers(0, 9)))]
    boxes = [{"x": float(rng.choice([-1, 1]) * rng.uniform(0.9, 2.2)), "z": float(rng.uniform(-2.0, 0.4)), "width": float(rng.uniform(0.25, 1.2)), "height": float(rng.uniform(0.3, 1.1)),
              "colour": [float(x) for x in rng.uniform(0.05, 0.7, 3)]} for _ in range(int(rng.integers(0, 4 if indoor else 3)))]
    return {"posts": posts, "rails": rails, "balls": balls, "boxes": boxes}


def camera(rng, p):
    p["distance"], p["cam_height"] = float(rng.uniform(2.9, 6.5)), float(rng.uniform(0.5, 1.6))
    if p["view"] == "face_on":
        p["yaw"] = float(np.clip(rng.normal(0, 7), -16, 16))
    p["crf"] = int(rng.integers(20, 34))


def settle(p, rng):
    """Turns a plan of the studio into one of its own world. Rates are the usual phones'."""
    world = p["world"]
    camera(rng, p)
    if p["fps"] > 60 and p["playback"] == 1 and rng.random() < 0.7:
        p["fps"] = 60
    if world == "range":
        golfer(rng, p, stiff=False)
        clothes(rng, p["look"], loose=rng.random() < 0.35)
        p["scenery"].update(kind="range", wall="planks" if rng.random() < 0.3 else None, wall_turn=float(rng.uniform(-40, 40)), wall_distance=float(rng.uniform(3, 8)),
                            ground=str(rng.choice(["stripes", "stripes", "grass"])), stripe_turn=float(rng.uniform(-80, 80)), stripe_width=float(rng.uniform(0.5, 2.2)),
                            slope=float(rng.normal(0, 2.0)), things=things(rng, False))
    else:
        golfer(rng, p, stiff=True)
        clothes(rng, p["look"], loose=rng.random() < 0.6)
        p["scenery"].update(kind="bay", wall=str(rng.choice(["net", "panels", "brick", "planks", "plaster"])), wall_turn=float(rng.uniform(-35, 35)),
                            wall_distance=float(rng.uniform(1.5, 4)), ground=str(rng.choice(["mat", "wood", "concrete"])), mat_turn=float(rng.uniform(-20, 20)),
                            things=things(rng, True))
    return p


BALLS = {"white": (0.96, 0.96, 0.94), "yellow": (0.90, 0.86, 0.18), "orange": (0.95, 0.45, 0.10), "pink": (0.94, 0.45, 0.62), "worn": (0.66, 0.65, 0.60)}
LIES = {"sand": (0.78, 0.70, 0.54), "mat": (0.16, 0.36, 0.20), "earth": (0.34, 0.27, 0.19), "light mat": (0.62, 0.64, 0.60)}


def ball(p, rng):
    """What is struck, what it lies on, what lies beside it, and what becomes of it: struck, missed (it stays), or none there at all.
    `beside`: other balls by their place from it, golfer's world, metres."""
    colour = str(rng.choice(list(BALLS), p=[0.4, 0.2, 0.15, 0.1, 0.15]))
    lie = str(rng.choice(["as it is", *LIES, "shade"], p=[0.3, 0.15, 0.15, 0.1, 0.1, 0.2]))
    beside = []
    for _ in range(int(rng.integers(0, 4))):
        turn, far = rng.uniform(0, 2 * np.pi), rng.uniform(0.12, 0.7)
        beside.append([float(far * np.cos(turn)), float(far * np.sin(turn))])
    p["ball"] = {"fate": str(rng.choice(["struck", "missed", "none"], p=[0.72, 0.14, 0.14])), "colour": colour, "lie": lie,
                 "tee": float(rng.uniform(0.02, 0.06)) if lie not in ("sand", "earth") and rng.random() < 0.4 else 0.0,
                 "lie_size": [float(rng.uniform(0.15, 0.7)), float(rng.uniform(0.12, 0.4))], "beside": beside}
    p["tags"] += [f"ball_{p['ball']['fate']}", f"ball_{colour}", "lie_" + lie.replace(" ", "_")] + (["tee"] if p["ball"]["tee"] else [])


def line(p, rng):
    """Filmed down the line: the camera anywhere between the foot line and the ball line and a little beyond, half of the golfers
    with the pelvis coming toward the ball and the trunk rising before impact."""
    p["yaw"], p["cam_height"] = float(rng.uniform(-9, 9)), float(rng.uniform(0.6, 1.5))
    p["left_handed"] = bool(rng.random() < 0.25)
    if rng.random() < 0.5:
        p["dials"].update(thrust=float(rng.uniform(0.04, 0.12)), rise_impact=float(rng.uniform(0.0, 0.045)))
        p["tags"].append("early_extension")
    else:
        p["dials"].update(thrust=float(rng.uniform(-0.02, 0.02)))
