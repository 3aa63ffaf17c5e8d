"""Truth written by another renderer, in the form of ours.

Its folder holds `clip.mp4` and `truth.json.gz`: events as frame numbers, `frames[]` with key points in 3-D (`p3`, metres: X toward
the target of a right-hander, Y up, Z toward the face-on camera) and in the picture (`p2`, pixels), joints ending in `_j`.
"""
import numpy as np

STILL = 0.3  # seconds of real time before the takeaway whose medians are the address values
FINISH_SPEED, FINISH_HOLD = 0.3, 0.2  # metres a second, seconds of real time


def crossing(t, v, start, stop):
    """First time in start..stop at which v rises through zero; None if it does not."""
    for k in np.nonzero((t[:-1] >= start) & (t[1:] <= stop))[0]:
        if v[k] < 0 <= v[k + 1]:
            return float(t[k] - v[k] * (t[k + 1] - t[k]) / (v[k + 1] - v[k]))
    return None


def flexion(a, b, c):
    u, v = a - b, c - b
    cos = (u * v).sum(-1) / (np.linalg.norm(u, axis=-1) * np.linalg.norm(v, axis=-1))
    return 180 - np.degrees(np.arccos(np.clip(cos, -1, 1)))


def apart(p, a, b):
    """Distance of p from the line a->b, positive outward, x toward the target and y up."""
    u, e = b - a, p - a
    return (u[:, 0] * e[:, 1] - u[:, 1] * e[:, 0]) / np.linalg.norm(u, axis=1)


def own_form(theirs):
    frames, slow = theirs["frames"], theirs["slow_motion_factor"]
    to = theirs["target_direction_x"]
    lead, trail = ("left", "right") if theirs["handed"] == "right" else ("right", "left")
    t = np.array([f["t"] for f in frames])
    body = lambda name: np.array([f["p3"][name] for f in frames]) * [to, 1, 1]
    seen = lambda name: np.array([f["p2"][name] for f in frames]) * [to, -1]
    joint = lambda of, part: {s: of(f"{n}_{part}_j") for s, n in (("lead", lead), ("trail", trail))}
    main = [s for s in theirs["swings"] if s["kind"] == "real"][-1]
    times = main["event_times_video_s"]
    m, ev = dict(theirs["metrics"]), {
        "address": times["address"], "takeaway": times["address"], "lead_arm_level_back": times["midback"], "top": times["top"],
        "lead_arm_level_down": times["middown"], "impact": times["impact"], "half_follow_through": None, "chest_high_follow_through": None, "finish": None}
    address, top, impact = ev["address"], ev["top"], ev["impact"]
    at = lambda v, when: float(np.interp(when, t, v))
    rest = (t >= address - STILL * slow) & (t <= address + 1e-6)
    still = lambda v: np.median(v[rest], axis=0)
    back = (t >= address) & (t <= top)
    hip, shoulder, ankle, knee = (joint(body, k) for k in ("hip", "shoulder", "ankle", "knee"))
    mid = lambda pair: (pair["lead"] + pair["trail"]) / 2
    lateral = lambda v: -100 * v[..., 0]
    head = (body("left_ear") + body("right_ear")) / 2
    trunk = mid(shoulder) - mid(hip)
    tilt = np.degrees(np.arctan2(-trunk[:, 0], trunk[:, 1]))
    lower = lambda pair: np.degrees(np.arctan2(pair["lead"][:, 1] - pair["trail"][:, 1], np.abs(pair["lead"][:, 0] - pair["trail"][:, 0])))
    centre = still(mid(ankle))[0]
    outer = max(float(still(lateral(body(f"{trail}_{k}")))) for k in ("ankle_j", "heel", "big_toe"))
    own_knee, own_hip, own_ankle = (still(p["trail"]) for p in (knee, hip, ankle))
    on_line = own_ankle[0] + (own_hip[0] - own_ankle[0]) * (own_knee[1] - own_ankle[1]) / (own_hip[1] - own_ankle[1])
    move = lambda v, axis, sign: 100 * sign * (v[:, axis] - still(v)[axis])
    side, up, pelvis = move(head, 0, -1), move(head, 1, 1), move(mid(hip), 0, -1)
    past = min(ev["lead_arm_level_back"] or top, address + 0.6 * (top - address))
    own_move = move(hip["trail"], 0, -1)
    # its ball lies 6 cm toward the target from the club's head at address
    ball = still(body("clubhead"))[0] + 0.06
    heels = {s: float(still(body(f"{n}_heel"))[0]) for s, n in (("lead", lead), ("trail", trail))}
    grip = (body(f"{lead}_wrist") + body(f"{trail}_wrist")) / 2
    # in the plane square to the target line, Z toward the ball: what is seen down the line
    bent = np.degrees(np.arctan2(trunk[:, 2], trunk[:, 1]))
    own_knee_bend = flexion(*(joint(body, k)["trail"][:, [2, 1]] for k in ("hip", "knee", "ankle")))
    toes = (body("left_big_toe") + body("right_big_toe")) / 2
    toward_ball = lambda v, when: 100 * (at(v[:, 2], when) - still(v)[2])
    out = {
        "spine_bend_change_top_deg": at(bent, top) - float(still(bent)), "spine_bend_change_impact_deg": at(bent, impact) - float(still(bent)),
        "pelvis_toward_ball_impact_cm": toward_ball(mid(hip), impact), "head_toward_ball_top_cm": toward_ball(head, top),
        "head_toward_ball_impact_cm": toward_ball(head, impact), "trail_knee_bend_address_deg": float(still(own_knee_bend)),
        "trail_knee_bend_change_top_deg": at(own_knee_bend, top) - float(still(own_knee_bend)),
        "hands_height_address_cm": 100 * float(still(grip[:, 1] - toes[:, 1])), "ball_distance_toes_cm": 100 * float(still(body("clubhead"))[2] - still(toes)[2]),
        "head_behind_ball_address_cm": 100 * (ball - still(head)[0]), "ball_in_stance_pct": 100 * (ball - heels["trail"]) / (heels["lead"] - heels["trail"]),
        "hands_ahead_of_ball_address_cm": 100 * (still(grip)[0] - ball), "hands_ahead_of_ball_impact_cm": 100 * (at(grip[:, 0], impact) - ball),
        "trail_hip_move_at_furthest_cm": float(own_move[(t >= past) & (t <= top)].max()),
        "stance_width_cm": m["stance_ankles_cm"], "trail_hip_travel_cm": m["trail_hip_travel_max_cm"], "pelvis_travel_cm": m["pelvis_travel_max_cm"],
        "trail_hip_travel_pct_stance": m["trail_hip_travel_max_pct_stance"], "pelvis_shift_impact_cm": at(pelvis, impact),
        "trail_hip_inside_foot_cm": float((outer - lateral(hip["trail"]))[back].min()), "hip_edge_inside_foot_cm": m.get("hip_edge_inside_foot_min_cm"),
        "head_lateral_top_cm": at(side, top), "head_lateral_impact_cm": at(side, impact), "head_lateral_max_back_cm": float(side[back].max()),
        "head_vertical_top_cm": at(up, top), "head_vertical_impact_cm": at(up, impact), "spine_tilt_address_deg": float(still(tilt)),
        "spine_tilt_top_deg": at(tilt, top), "shoulder_tilt_address_deg": float(still(lower(shoulder))), "hip_tilt_address_deg": float(still(lower(hip))),
        "head_behind_centre_address_cm": 100 * (centre - still(head)[0]), "pelvis_toward_target_address_cm": 100 * (still(mid(hip))[0] - centre),
        "trail_knee_inside_address_cm": 100 * (own_knee[0] - on_line), "backswing_s": m["backswing_s"], "downswing_s": m["downswing_s"],
        "tempo_ratio": m["tempo_ratio"], "spine_bend_address_deg": float(still(bent)),
    }
    face_on = theirs["view"] == "face-on"
    if face_on:
        elbow(out, ev, t, seen, joint, lead, trail, m, slow)
    hands = (body(f"{lead}_wrist_j") + body(f"{trail}_wrist_j")) / 2
    speed = np.linalg.norm(np.gradient(hands, t / slow, axis=0), axis=1)
    hold = FINISH_HOLD * slow
    for i in np.nonzero((t > (ev["chest_high_follow_through"] or impact + 0.15 * slow)) & (speed < FINISH_SPEED))[0]:
        if t[i] + hold <= t[-1] and (speed[(t >= t[i]) & (t <= t[i] + hold)] < FINISH_SPEED).all():
            ev["finish"] = float(t[i])
            break
    yaw = theirs["camera"]["yaw_deg"]
    return {
        "name": theirs["name"], "view": "face_on" if face_on else "down_the_line", "fps": theirs["fps"], "size": theirs["size"], "lead_side": lead,
        "stature_cm": 100 * theirs["body"]["height_m"], "playback_factor": slow, "yaw_deg": yaw if face_on else 0.0, "yaw_to_lead_deg": yaw if face_on else None,
        "roll_deg": float(np.median([f["roll"] for f in frames])), "mirrored": False, "good_by_design": face_on and abs(yaw) <= 10, "tags": [],
        "dials": {"sex": "", "weight": 0.5}, "camera": {"shake_px_deg": theirs["camera"]["shake_px"] or None},
        "swings": [{"kind": "full", "main": True, "events": ev, "metrics": {k: v for k, v in out.items() if v is not None}}],
    }


def elbow(out, ev, t, seen, joint, lead, trail, theirs, slow):
    """Lead-elbow values in the picture as filmed, and the moments that the arm tells."""
    arm = {k: seen(f"{lead}_{k}_j") for k in ("shoulder", "elbow", "wrist", "hip")}
    grip = (arm["wrist"] + seen(f"{trail}_wrist_j")) / 2
    impact, top = ev["impact"], ev["top"]
    line = grip - arm["shoulder"]
    past = np.degrees(np.unwrap(np.arctan2(line[:, 0], -line[:, 1])))
    past -= 360 * np.round(np.interp(impact, t, past) / 360)
    half = ev["half_follow_through"] = crossing(t, past - 45, impact, t[-1])
    hips, shoulders = (sum(joint(seen, k).values())[:, 1] / 2 for k in ("hip", "shoulder"))
    chest = ev["chest_high_follow_through"] = crossing(t, grip[:, 1] - hips - 0.75 * (shoulders - hips), impact, t[-1])
    upper_cm = theirs["upper_arm_cm"]
    rest = (t >= ev["address"] - STILL * slow) & (t <= ev["address"] + 1e-6)
    # pixels for a centimetre by the stance, whose length in 3-D is known
    ankles = joint(seen, "ankle")
    per_cm = float(np.median(np.abs(ankles["lead"][rest, 0] - ankles["trail"][rest, 0]))) / theirs["stance_ankles_cm"]
    bend, bow = flexion(arm["shoulder"], arm["elbow"], arm["wrist"]), apart(arm["elbow"], arm["shoulder"], grip) / per_cm / upper_cm
    separate, above = apart(arm["elbow"], arm["shoulder"], arm["hip"]) / per_cm, (arm["wrist"] - arm["elbow"])[:, 1] / per_cm
    at = lambda v, when: float(np.interp(when, t, v))
    out["lead_elbow_flexion_impact_deg"], out["lead_elbow_separation_impact_cm"] = at(bend, impact), at(separate, impact)
    if half is not None:
        out["lead_elbow_flexion_half_deg"], out["lead_elbow_separation_half_cm"], out["lead_hand_above_elbow_half_cm"] = at(bend, half), at(separate, half), at(above, half)
    if chest is not None:
        fine = np.linspace(impact, chest, 60)
        late = fine[fine >= (impact + chest) / 2]
        of = lambda v, when: np.interp(when, t, v)
        out["lead_elbow_flexion_max_deg"], out["lead_elbow_flexion_late_deg"] = float(of(bend, fine).max()), float(np.median(of(bend, late)))
        out["lead_elbow_bow_late_upper_arms"] = float(np.median(of(bow, late)))
        out["lead_elbow_separation_max_cm"] = float(of(separate, fine).max())
        out["lead_elbow_separation_max_upper_arms"] = out["lead_elbow_separation_max_cm"] / upper_cm
        out["lead_hand_above_elbow_chest_cm"] = at(above, chest)
