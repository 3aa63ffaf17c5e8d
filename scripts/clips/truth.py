"""The truth of a clip, computed from 3-D joints and mesh alone (never from the dials that made the motion).

Canonical world: X toward the target, Y up, Z toward the face-on camera, metres. Lateral values are positive away
from the target (-X), vertical ones positive up; reported in centimetres and degrees. Only the lead arm after impact is read in the
picture as filmed. `Picture` series have x
toward the target and y up, in pixels, camera roll and shake removed.
"""
import numpy as np

from . import raster
from .body import BONE

EVENTS = ("address", "takeaway", "lead_arm_level_back", "top", "lead_arm_level_down", "impact", "half_follow_through", "chest_high_follow_through", "finish")
METRICS = (
    "stance_width_cm", "trail_hip_travel_cm", "trail_hip_move_at_furthest_cm", "hip_edge_travel_cm", "trail_hip_travel_pct_stance", "pelvis_travel_cm", "pelvis_shift_impact_cm", "trail_hip_inside_foot_cm",
    "hip_edge_inside_foot_cm", "head_lateral_top_cm", "head_lateral_impact_cm", "head_lateral_max_back_cm", "head_vertical_top_cm", "head_vertical_impact_cm",
    "lead_elbow_flexion_impact_deg", "lead_elbow_flexion_half_deg", "lead_elbow_flexion_max_deg", "lead_elbow_flexion_late_deg", "lead_elbow_bow_late_upper_arms",
    "lead_elbow_separation_impact_cm", "lead_elbow_separation_half_cm", "lead_elbow_separation_max_cm", "lead_elbow_separation_max_upper_arms", "lead_hand_above_elbow_half_cm",
    "lead_hand_above_elbow_chest_cm", "spine_tilt_address_deg", "spine_tilt_top_deg", "shoulder_tilt_address_deg", "hip_tilt_address_deg", "head_behind_centre_address_cm",
    "pelvis_toward_target_address_cm", "trail_knee_inside_address_cm", "backswing_s", "downswing_s", "tempo_ratio", "spine_bend_address_deg", "spine_bend_change_top_deg",
    "spine_bend_change_impact_deg", "pelvis_toward_ball_impact_cm", "head_toward_ball_top_cm", "head_toward_ball_impact_cm", "trail_knee_bend_address_deg",
    "trail_knee_bend_change_top_deg", "hands_height_address_cm", "ball_distance_toes_cm", "head_behind_ball_address_cm", "ball_in_stance_pct",
    "hands_ahead_of_ball_address_cm", "hands_ahead_of_ball_impact_cm",
)
GENERATOR = 4          # raised whenever the same seed would give another clip; older clips are rendered anew
TRUTH = 2              # raised whenever more or other truth is told of the same clip; older truth is told anew, the clip stays
STILL_WINDOW = 0.3     # seconds before the takeaway whose medians are the address values
ONSET_SPEED = 0.03     # metres a second: the hands count as moving above this
AWAY = 0.05            # metres: a move that carries the hands farther is a takeaway
FINISH_SPEED, FINISH_HOLD = 0.3, 0.2
BAND = 0.04            # metres: half height of the band around the hips in which the outline is taken


# -- geometry of points (…, 2) or (…, 3) -------------------------------------------------------------------------
def flexion(a, b, c):
    """180 degrees minus the angle a-b-c."""
    u, v = a - b, c - b
    cos = (u * v).sum(-1) / np.maximum(np.linalg.norm(u, axis=-1) * np.linalg.norm(v, axis=-1), 1e-12)
    return 180 - np.degrees(np.arccos(np.clip(cos, -1, 1)))


def signed_distance(point, start, end):
    """Distance of a point from the line start->end, positive on its left as seen with x right and y up."""
    u, e = end - start, point - start
    return (u[..., 0] * e[..., 1] - u[..., 1] * e[..., 0]) / np.maximum(np.linalg.norm(u, axis=-1), 1e-12)


def tilt_from_vertical(low, high):
    """Degrees of low->high from the vertical, positive away from the target (-x)."""
    d = high - low
    return np.degrees(np.arctan2(-d[..., 0], d[..., 1]))


def trail_lower(lead, trail):
    """Degrees by which the trail end of a line lies lower."""
    d = lead - trail
    return np.degrees(np.arctan2(d[..., 1], d[..., 0]))


def crossing(t, v, start, stop, rising):
    """First time in start..stop at which v passes zero in the wanted direction; None if it does not."""
    i = np.nonzero((t[:-1] >= start) & (t[1:] <= stop))[0]
    a, b = v[i], v[i + 1]
    hit = np.nonzero((a < 0) & (b >= 0) if rising else (a > 0) & (b <= 0))[0]
    if not len(hit):
        return None
    k = i[hit[0]]
    return float(t[k] + (t[k + 1] - t[k]) * (0 - v[k]) / (v[k + 1] - v[k]))


def peak(t, v, start, stop):
    """Time of the largest v in start..stop, refined by a parabola."""
    i = np.nonzero((t >= start) & (t <= stop))[0]
    k = i[np.argmax(v[i])]
    if k in (0, len(v) - 1):
        return float(t[k])
    a, b, c = v[k - 1], v[k], v[k + 1]
    bend = a - 2 * b + c
    return float(t[k] + (0.5 * (a - c) / bend if abs(bend) > 1e-15 else 0) * (t[1] - t[0]))


# -- series ------------------------------------------------------------------------------------------------------
SURFACE = ("nose", "left_eye", "right_eye", "left_ear", "right_ear", "left_heel", "right_heel", "left_big_toe", "right_big_toe")
LIMB_POINTS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle")


def surface_points(body, rot, trans):
    """Named surface key points (t, 3) of the skinned body, canonical side names."""
    out = {}
    for name in SURFACE:
        k = body.keypoint_names.index(name)
        out[name] = np.einsum("tbij,bj->ti", rot, body.kp_moment[k]) + trans.transpose(0, 2, 1) @ body.kp_weight[k]
    return out


def limb_middle(body, rot, trans, upper, lower):
    """Middle of a limb's flesh where two bones meet (t, 3): what anybody takes for the joint. The rig's own pivot lies beside it, at the
    elbow by 2.3 cm, which is .08 upper arms."""
    share = np.minimum(body.weights[:, BONE[upper]], body.weights[:, BONE[lower]])
    share = share / share.sum()
    moment = np.einsum("v,vb,vj->bj", share, body.weights, body.vertices)
    weight = share @ body.weights
    return np.einsum("tbij,bj->ti", rot, moment) + trans.transpose(0, 2, 1) @ weight


def seen_joints(stage, instants):
    """Elbows and knees where they are seen."""
    rot, trans = stage.rot[instants], stage.trans[instants]
    between = {"elbow": ("uarm2", "farm1"), "knee": ("thigh2", "shank1")}
    return {f"{name}.{s}": limb_middle(stage.body, rot, trans, f"{upper}.{s}", f"{lower}.{s}") for name, (upper, lower) in between.items() for s in "LR"}


class Series:
    """All points of a clip on the fine grid, in the world and in the upright picture."""

    def __init__(self, t, world, picture, scale, club_x, ball):
        self.t, self.world, self.picture = t, world, picture
        self.scale = scale  # pixels per centimetre at the golfer
        self.club_x, self.ball = club_x, ball
        self.hands = (world["wrist.L"] + world["wrist.R"]) / 2
        step = t[1] - t[0]
        self.speed = np.linalg.norm(np.gradient(self.hands, step, axis=0), axis=1)

    def at(self, v, when):
        """Value of a series (t,) or (t, k) at an instant, interpolated."""
        if v.ndim == 1:
            return float(np.interp(when, self.t, v))
        return np.array([np.interp(when, self.t, v[:, k]) for k in range(v.shape[1])])

    def still(self, v, address):
        """Median over the still window before address."""
        m = (self.t >= address - STILL_WINDOW) & (self.t <= address + 1e-9)
        return np.median(v[m], axis=0)


def find_events(s, window, end_of_clip):
    """Event times (seconds on the grid's clock) of the swing inside window = (from, about top, until)."""
    t, pic = s.t, s.picture
    begin, about_top, until = window
    ev = dict.fromkeys(EVENTS)
    arm = pic["wrist.L"] - pic["shoulder.L"]
    angle = np.unwrap(np.arctan2(-arm[:, 0], -arm[:, 1]))
    home = np.median(s.hands[(t >= begin) & (t <= begin + 0.1)], axis=0)
    away = np.linalg.norm(s.hands - home, axis=1)
    inside = np.nonzero((t >= begin) & (t <= about_top) & (away <= AWAY))[0]
    k = inside[-1]
    slow = np.nonzero((t >= begin) & (np.arange(len(t)) <= k) & (s.speed <= ONSET_SPEED))[0]
    k = slow[-1] if len(slow) else inside[0]
    ev["takeaway"] = ev["address"] = float(t[k])
    impact = crossing(t, s.club_x - s.ball[0], about_top, until, True)
    top = peak(t, angle, ev["takeaway"], impact if impact else about_top + 0.25)
    ev["top"] = top
    level = arm[:, 1]
    ev["lead_arm_level_back"] = crossing(t, level, ev["takeaway"], top, True)
    if impact:
        ev["lead_arm_level_down"] = crossing(t, level, top, impact, False) if ev["lead_arm_level_back"] else None
        ev["impact"] = impact
        grip = (pic["wrist.L"] + pic["wrist.R"]) / 2
        line = grip - pic["shoulder.L"]
        past = np.degrees(np.unwrap(np.arctan2(line[:, 0], -line[:, 1])))
        past -= 360 * np.round(np.interp(impact, t, past) / 360)
        ev["half_follow_through"] = crossing(t, past - 45, impact, until, True)
        hip = (pic["hip.L"] + pic["hip.R"])[:, 1] / 2
        shoulder = (pic["shoulder.L"] + pic["shoulder.R"])[:, 1] / 2
        ev["chest_high_follow_through"] = crossing(t, grip[:, 1] - hip - 0.75 * (shoulder - hip), impact, until, True)
        after = ev["chest_high_follow_through"] or impact + 0.15
        fast = s.speed >= FINISH_SPEED
        n = int(round(FINISH_HOLD / (t[1] - t[0])))
        for i in np.nonzero((t > after) & (t <= until) & ~fast)[0]:
            if i + n < len(t) and not fast[i:i + n + 1].any() and t[i + n] <= end_of_clip + 1e-9:
                ev["finish"] = float(t[i])
                break
    for name, when in ev.items():
        if when is not None and when > end_of_clip + 1e-9:
            ev[name] = None
    return ev


def measure(s, ev, edge, face_on):
    """Every metric of one swing; None where an event is missing or the view has no such value.

    edge: function (from, to) -> (times, lateral places in metres of the hips' trail edge, of the trail shoe).
    """
    m = dict.fromkeys(METRICS)
    w, t = s.world, s.t
    a, top, impact = ev["address"], ev["top"], ev["impact"]
    if a is None:
        return m
    still = lambda v: s.still(v, a)
    lat = lambda v: -100 * v[:, 0]
    mid_hip, head = (w["hip.L"] + w["hip.R"]) / 2, (w["left_ear"] + w["right_ear"]) / 2
    mid_sh = (w["shoulder.L"] + w["shoulder.R"]) / 2
    lead, trail = still(w["ankle.L"]), still(w["ankle.R"])
    m["stance_width_cm"] = 100 * abs(lead[0] - trail[0])
    centre = (lead[0] + trail[0]) / 2
    m["head_behind_centre_address_cm"] = 100 * (centre - still(head)[0])
    m["pelvis_toward_target_address_cm"] = 100 * (still(mid_hip)[0] - centre)
    hip, knee = still(w["hip.R"]), still(w["knee.R"])
    on_line = trail[0] + (hip[0] - trail[0]) * (knee[1] - trail[1]) / (hip[1] - trail[1])
    m["trail_knee_inside_address_cm"] = 100 * (knee[0] - on_line)
    # along the target line and plumb, wherever the camera stands
    tilt = tilt_from_vertical(mid_hip[:, :2], mid_sh[:, :2])
    m["spine_tilt_address_deg"] = float(still(tilt))
    m["shoulder_tilt_address_deg"] = float(still(trail_lower(w["shoulder.L"], w["shoulder.R"])))
    m["hip_tilt_address_deg"] = float(still(trail_lower(w["hip.L"], w["hip.R"])))
    trunk = mid_sh - mid_hip
    bend = np.degrees(np.arctan2(trunk[:, 2], trunk[:, 1]))
    m["spine_bend_address_deg"] = float(still(bend))
    # in the plane square to the target line: what is seen down the line
    knee_bend = flexion(w["hip.R"][:, [2, 1]], w["knee.R"][:, [2, 1]], w["ankle.R"][:, [2, 1]])
    m["trail_knee_bend_address_deg"] = float(still(knee_bend))
    toes, heels = (w["left_big_toe"] + w["right_big_toe"]) / 2, {k: still(w[f"{k}_heel"]) for k in ("left", "right")}
    m["hands_height_address_cm"] = 100 * float(still(s.hands[:, 1] - toes[:, 1]))
    m["ball_distance_toes_cm"] = 100 * float(s.ball[2] - still(toes)[2])
    m["head_behind_ball_address_cm"] = 100 * float(s.ball[0] - still(head)[0])
    m["ball_in_stance_pct"] = 100 * float((s.ball[0] - heels["right"][0]) / (heels["left"][0] - heels["right"][0]))
    m["hands_ahead_of_ball_address_cm"] = 100 * float(still(s.hands)[0] - s.ball[0])
    if top is None:
        return rounded(m)
    back = (t >= a) & (t <= top)
    m["trail_hip_travel_cm"] = max(0.0, float((lat(w["hip.R"]) - still(lat(w["hip.R"])))[back].max()))
    # where the hip is furthest out once the hands are past it: lead arm level, but no later than 60 % of the backswing
    past = min(ev["lead_arm_level_back"] or top, a + 0.6 * (top - a))
    m["trail_hip_move_at_furthest_cm"] = float((lat(w["hip.R"]) - still(lat(w["hip.R"])))[(t >= past) & (t <= top)].max())
    m["pelvis_travel_cm"] = max(0.0, float((lat(mid_hip) - still(lat(mid_hip)))[back].max()))
    m["trail_hip_travel_pct_stance"] = 100 * m["trail_hip_travel_cm"] / m["stance_width_cm"]
    outer = max(float(still(lat(w[k]))) for k in ("ankle.R", "right_heel", "right_big_toe"))
    m["trail_hip_inside_foot_cm"] = float((outer - lat(w["hip.R"]))[back].min())
    times, hip_edge, shoe_edge = edge(a - STILL_WINDOW, top)
    first = np.median(hip_edge[times <= a + 1e-9])
    m["hip_edge_travel_cm"] = max(0.0, 100 * float((hip_edge[times >= a] - first).max()))
    m["hip_edge_inside_foot_cm"] = 100 * float((np.median(shoe_edge[times <= a + 1e-9]) - hip_edge[times >= a]).min())
    side, up = lat(head) - still(lat(head)), 100 * (head[:, 1] - still(head[:, 1]))
    m["head_lateral_top_cm"], m["head_vertical_top_cm"] = s.at(side, top), s.at(up, top)
    m["head_lateral_max_back_cm"] = float(side[back].max())
    m["spine_tilt_top_deg"] = s.at(tilt, top)
    m["spine_bend_change_top_deg"] = s.at(bend, top) - m["spine_bend_address_deg"]
    m["trail_knee_bend_change_top_deg"] = s.at(knee_bend, top) - m["trail_knee_bend_address_deg"]
    toward_ball = lambda v: 100 * (v[:, 2] - still(v)[2])
    m["head_toward_ball_top_cm"] = s.at(toward_ball(head), top)
    m["backswing_s"] = top - ev["takeaway"]
    if impact is None:
        return rounded(m)
    m["downswing_s"] = impact - top
    m["tempo_ratio"] = m["backswing_s"] / m["downswing_s"]
    m["head_lateral_impact_cm"], m["head_vertical_impact_cm"] = s.at(side, impact), s.at(up, impact)
    m["pelvis_shift_impact_cm"] = s.at(lat(mid_hip) - still(lat(mid_hip)), impact)
    m["spine_bend_change_impact_deg"] = s.at(bend, impact) - m["spine_bend_address_deg"]
    m["pelvis_toward_ball_impact_cm"], m["head_toward_ball_impact_cm"] = s.at(toward_ball(mid_hip), impact), s.at(toward_ball(head), impact)
    m["hands_ahead_of_ball_impact_cm"] = 100 * (s.at(s.hands[:, 0], impact) - float(s.ball[0]))
    if face_on:
        elbow_metrics(m, s, ev)
    return rounded(m)


def elbow_metrics(m, s, ev):
    """Lead-elbow values in the picture as filmed."""
    pic, t = s.picture, s.t
    sh, el, wr, hip = (pic[k] for k in ("shoulder.L", "elbow.L", "wrist.L", "hip.L"))
    grip = (wr + pic["wrist.R"]) / 2
    upper_cm = 100 * float(np.median(np.linalg.norm(s.world["elbow.L"] - s.world["shoulder.L"], axis=1)))
    flex, above = flexion(sh, el, wr), (wr - el)[:, 1] / s.scale
    apart = signed_distance(el, sh, hip) / s.scale
    bow = signed_distance(el, sh, grip) / s.scale / upper_cm
    impact, half, chest = ev["impact"], ev["half_follow_through"], ev["chest_high_follow_through"]
    m["lead_elbow_flexion_impact_deg"], m["lead_elbow_separation_impact_cm"] = s.at(flex, impact), s.at(apart, impact)
    if half is not None:
        m["lead_elbow_flexion_half_deg"], m["lead_elbow_separation_half_cm"] = s.at(flex, half), s.at(apart, half)
        m["lead_hand_above_elbow_half_cm"] = s.at(above, half)
    if chest is not None:
        m["lead_hand_above_elbow_chest_cm"] = s.at(above, chest)
        span = (t >= impact) & (t <= chest)
        late = (t >= (impact + chest) / 2) & (t <= chest)
        m["lead_elbow_flexion_max_deg"], m["lead_elbow_flexion_late_deg"] = float(flex[span].max()), float(np.median(flex[late]))
        m["lead_elbow_bow_late_upper_arms"] = float(np.median(bow[late]))
        m["lead_elbow_separation_max_cm"] = float(apart[span].max())
        m["lead_elbow_separation_max_upper_arms"] = m["lead_elbow_separation_max_cm"] / upper_cm


def rounded(m):
    return {k: None if v is None else round(float(v), 4) for k, v in m.items()}


# -- from a stage ------------------------------------------------------------------------------------------------
def series_of(stage, rate):
    """Points of a stage on its grid."""
    world = {k: stage.joints[k] for k in (f"{n}.{s}" for n in LIMB_POINTS for s in "LR")}
    world.update(surface_points(stage.body, stage.rot, stage.trans))
    world.update(seen_joints(stage, slice(None)))
    t = np.arange(len(stage.rot)) / rate
    face_on = stage.plan["view"] != "down_the_line"
    picture = {}
    for name, p in world.items():
        if face_on:
            q, _ = stage.camera.project(stage.shown(p))
            x = q[:, 0] - stage.camera.centre[0]
            picture[name] = np.stack([-x if stage.flip else x, -(q[:, 1] - stage.camera.centre[1])], 1)
        else:
            picture[name] = p[:, :2] * 100
    scale = 1.0
    if face_on:
        mid_hip = (world["hip.L"][0] + world["hip.R"][0]) / 2
        _, depth = stage.camera.project(stage.shown(mid_hip))
        scale = stage.camera.focal / float(depth) / 100
    return Series(t, world, picture, scale, stage.joints["head_of_club"][:, 0], stage.ball)


def edge_function(stage, rate):
    """Lateral places (m, positive away from the target) of the hips' trail edge and the trail shoe's edge."""
    b = stage.body
    rest_hip = stage.skeleton.mid_hip[1]
    hips = np.nonzero(b.solid & (np.abs(b.vertices[:, 1] - rest_hip) < 0.30))[0]
    shoe = np.nonzero(b.weights[:, BONE["foot.R"]] + b.weights[:, BONE["toe.R"]] > 0.5)[0]

    def place(index, i):
        v = np.ascontiguousarray(b.vertices[index])
        out, out_n = np.zeros_like(v), np.zeros_like(v)
        raster.skin(v, v, np.ascontiguousarray(b.index4[index]), np.ascontiguousarray(b.weight4[index]), stage.rot[i], stage.trans[i], out, out_n)
        return out

    def edge(start, stop):
        first, last = max(0, int(np.ceil(start * rate))), min(len(stage.rot) - 1, int(np.floor(stop * rate)))
        index = np.unique(np.append(np.arange(first, last + 1, 4), last))
        hip_edge, shoe_edge = [], []
        for i in index:
            v = place(hips, i)
            height = (stage.joints["hip.L"][i, 1] + stage.joints["hip.R"][i, 1]) / 2
            hip_edge.append(-v[np.abs(v[:, 1] - height) <= BAND, 0].min())
            shoe_edge.append(-place(shoe, i)[:, 0].min())
        return index / rate, np.array(hip_edge), np.array(shoe_edge)

    return edge


def keypoints(stage, shakes):
    """Names and picture places (frames, k, 2) in the finished picture, sides as the picture shows them."""
    index = np.arange(stage.frames) * stage.step
    world = {f"{n}.{s}": stage.joints[f"{n}.{s}"][index] for n in LIMB_POINTS for s in "LR"}
    world.update(seen_joints(stage, index))
    surface = surface_points(stage.body, stage.rot[index], stage.trans[index])
    swap = stage.toward < 0
    names, places = [], []

    def add(name, p):
        q, _ = stage.camera.project(stage.shown(p))
        out = np.empty_like(q)
        for k in range(stage.frames):
            a = stage.camera.affine(shakes[k])
            out[k] = a[:, :2] @ q[k] + a[:, 2]
        if stage.picture_flip:
            out[:, 0] = stage.camera.w - 1 - out[:, 0]
        names.append(name)
        places.append(out)

    for name in SURFACE:
        side, _, rest = name.partition("_")
        source = name
        if swap and rest:
            source = ("right_" if side == "left" else "left_") + rest
        add(name.replace("big_toe", "foot_index"), surface[source])
    for n in LIMB_POINTS:
        for side, letter in (("left", "R" if swap else "L"), ("right", "L" if swap else "R")):
            add(f"{side}_{n}", world[f"{n}.{letter}"])
    return names, np.stack(places, 1)


def ball_truth(stage, shakes):
    """The ball of a plan that says what becomes of it: its middle in the first picture and its width, pixels."""
    b, c = stage.plan["ball"], stage.camera
    q, depth = c.project(stage.shown(stage.ball) + [0, b["tee"] - 0.009, 0])
    a = c.affine(shakes[0])
    q = a[:, :2] @ q + a[:, 2]
    if stage.picture_flip:
        q[0] = c.w - 1 - q[0]
    return {"fate": b["fate"], "x": float(q[0]), "y": float(q[1]), "width": float(0.0428 * c.focal / depth)}


def clip_truth(stage, shakes, rate):
    """The whole truth record of one clip."""
    p = stage.plan
    s = series_of(stage, rate)
    edge = edge_function(stage, rate)
    face_on = p["view"] != "down_the_line"
    slow = p["playback"]
    swings = []
    for i, swing in enumerate(p["swings"]):
        until = p["swings"][i + 1]["start"] - 1.0 if i + 1 < len(p["swings"]) else s.t[-1]
        begin = max(0.0, swing["start"] - 0.45)
        ev = find_events(s, (begin, swing["top"], until), (stage.frames - 1) * stage.step / rate)
        swings.append({
            "kind": swing["kind"], "main": i + 1 == len(p["swings"]),
            "events": {k: None if v is None else round(v * slow, 6) for k, v in ev.items()},
            "metrics": measure(s, ev, edge, face_on),
        })
    names, p2 = keypoints(stage, shakes)
    w, h = p["size"]
    inside = (p2 > 1).all() and (p2[..., 0] < w - 2).all() and (p2[..., 1] < h - 4).all()
    good = (p["view"] == "face_on" and abs(p["yaw"]) <= 10 and inside and not p["cropped"] and not p["dark"] and p["fps"] >= 30
            and p["share"] * h >= 300 and not p["cut_at_top"])
    c = stage.camera
    return {
        "schema": "dawnsheet.truth/1", "generator": GENERATOR, "truth": TRUTH, "name": p["name"], "seed": p["seed"], "split": p["split"], "good_by_design": bool(good), "fps": p["fps"], "size": [w, h],
        "frames": stage.frames, "view": p["view"], "world": p["world"], "yaw_deg": round(p["yaw"], 3), "yaw_to_lead_deg": round(-p["yaw"] if not stage.flip else p["yaw"], 3), "lead_side": "left" if stage.toward > 0 else "right", "mirrored": p["mirrored"],
        "playback_factor": slow, "stature_cm": round(100 * p["look"]["stature"], 1),
        "dials": {**p["dials"], **{k: p["swing"][k] for k in ("sway", "wing", "fold")}, "sex": p["look"]["sex"], "weight": p["look"]["weight"]},
        "tags": p["tags"], **({"ball": ball_truth(stage, shakes)} if "ball" in p else {}),
        "camera": {"place_m": c.place.round(5).tolist(), "axes": c.axes.round(7).tolist(), "focal_px": c.focal, "centre_px": c.centre.tolist(), "roll_deg": c.roll,
                   "px_per_cm": round(s.scale, 5) if face_on else None, "shake_px_deg": shakes.round(4).tolist() if shakes.any() else None},
        "swings": swings,
        "keypoints": {"names": names, "times": [round(k / p["fps"], 6) for k in range(stage.frames)], "p2": p2.round(2).tolist()},
    }
