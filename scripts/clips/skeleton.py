"""Poses the skeleton for a whole series of instants at once (right-handed golfer: lead side L, trail side R).

All places in metres in the world axes of the package; all angles in radians; arrays have time as first axis.
"""
import numpy as np

from .body import BONE, BONES, rotation_about

X, Y, Z = np.eye(3)


def unit(v):
    return v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-12)


def about(axis, angle):
    """Rotations about one fixed axis by angles (t,)."""
    return rotation_about(np.broadcast_to(axis, np.shape(angle) + (3,)), angle)


def between(a, b):
    """Smallest rotations (t, 3, 3) that turn unit vectors a into unit vectors b."""
    a, b = np.broadcast_arrays(a, b)
    c = (a * b).sum(-1)[..., None, None]
    v = np.cross(a, b)
    o = np.zeros(v.shape[:-1])
    k = np.stack([o, -v[..., 2], v[..., 1], v[..., 2], o, -v[..., 0], -v[..., 1], v[..., 0], o], -1).reshape(v.shape[:-1] + (3, 3))
    return np.eye(3) + k + k @ k / np.maximum(1 + c, 1e-6)


def frame(primary, secondary):
    """Right-handed frames with columns: primary, secondary made square to it, their cross product."""
    p = unit(primary)
    s = unit(secondary - (secondary * p).sum(-1, keepdims=True) * p)
    return np.stack([p, s, np.cross(p, s)], -1)


def turn(r, v):
    """Applies rotations (t, 3, 3) to one vector or to a series."""
    return np.einsum("tij,tj->ti", r, np.broadcast_to(v, (len(r), 3)))


def square_to(v, axis):
    return unit(v - (v * axis).sum(-1, keepdims=True) * axis)


def two_bones(a, b, first, second, pole):
    """Middle joint of a two-bone limb from a to b; pole says to which side it bends."""
    d = b - a
    length = np.linalg.norm(d, axis=-1)
    reach = np.clip(length, abs(first - second) + 1e-4, (first + second) * 0.99995)
    axis = d / np.maximum(length, 1e-9)[:, None]
    cos = np.clip((first**2 + reach**2 - second**2) / (2 * first * reach), -1, 1)
    side = square_to(pole, axis)
    return a + first * (cos[:, None] * axis + np.sqrt(1 - cos**2)[:, None] * side), side


def gauss(v, sigma, rate):
    """Gaussian smoothing along time with a sigma in seconds."""
    n = int(np.ceil(4 * sigma * rate))
    if n < 1:
        return v
    k = np.exp(-0.5 * (np.arange(-n, n + 1) / (sigma * rate)) ** 2)
    k /= k.sum()
    flat = v.reshape(len(v), -1)
    padded = np.concatenate([np.repeat(flat[:1], n, 0), flat, np.repeat(flat[-1:], n, 0)])
    out = np.stack([np.convolve(padded[:, i], k, "valid") for i in range(flat.shape[1])], 1)
    return out.reshape(v.shape)


class Skeleton:
    """Rest measures of one body and the posing itself."""

    def __init__(self, joints):
        self.j = j = joints
        dist = lambda a, b: float(np.linalg.norm(j[a] - j[b]))
        self.mid_hip = (j["hip.L"] + j["hip.R"]) / 2
        self.upper_arm = (dist("shoulder.L", "elbow.L") + dist("shoulder.R", "elbow.R")) / 2
        self.fore_arm = (dist("elbow.L", "wrist.L") + dist("elbow.R", "wrist.R")) / 2
        self.thigh, self.shank = dist("hip.L", "knee.L"), dist("knee.L", "ankle.L")
        self.leg, self.arm = self.thigh + self.shank, self.upper_arm + self.fore_arm
        self.hand = 0.72 * dist("wrist.L", "middle.L")
        self.trunk = float(np.linalg.norm(j["neck"] - self.mid_hip))
        self.hip_width = dist("hip.L", "hip.R")

    # -- trunk ---------------------------------------------------------------------------------------------
    def _trunk(self, p, lean):
        """Bone rotations and joint places from the pelvis up, for a trunk axis with horizontal parts `lean`."""
        j = self.j
        axis = np.stack([lean[:, 0], np.sqrt(np.maximum(1 - (lean**2).sum(1), 0.05)), lean[:, 1]], 1)
        low = unit(np.stack([axis[:, 0] * 0.35, axis[:, 1], axis[:, 2] * p["pelvis_share"]], 1))
        rot = {}
        for bone, share in (("pelvis", 0.0), ("spine_lo", 0.33), ("spine_mid", 0.66), ("chest", 1.0)):
            a = unit(low * (1 - share) + axis * share)
            angle = p["pelvis_turn"] * (1 - share) + p["chest_turn"] * share
            rot[bone] = about(Z, p["chest_roll"] * share) @ between(Y, a) @ about(Y, -angle)
        place = {"pelvis": p["pelvis"]}
        place["spine_lo"] = p["pelvis"] + turn(rot["pelvis"], j["spine_lo"] - self.mid_hip)
        place["spine_mid"] = place["spine_lo"] + turn(rot["spine_lo"], j["spine_mid"] - j["spine_lo"])
        place["chest"] = place["spine_mid"] + turn(rot["spine_mid"], j["chest"] - j["spine_mid"])
        place["neck"] = place["chest"] + turn(rot["chest"], j["neck"] - j["chest"])
        return rot, place

    # -- legs ----------------------------------------------------------------------------------------------
    def _feet(self, p):
        """Foot rotations and ankle places; the ball of each foot stays where it stands, unless it steps (walk.py)."""
        out = {}
        for s, sign in (("L", 1), ("R", -1)):
            ankle0 = np.array([sign * p["stance"] / 2, self.j[f"ankle.{s}"][1], p["ankle_z"]])
            reach = self.j[f"ball.{s}"] - self.j[f"ankle.{s}"]
            flare = p["flare_lead"] if s == "L" else p["flare_trail"]
            ball = ankle0 + turn(about(Y, np.array([sign * flare])), reach)[0]
            yaw = sign * flare + p[f"foot_yaw.{s}"]
            r = about(Y, yaw) @ about(X, p[f"heel_lift.{s}"])
            r_toe = about(Y, yaw) @ about(X, 0.12 * p[f"heel_lift.{s}"])
            ball = np.broadcast_to(ball, (len(yaw), 3)) + p.get(f"step.{s}", 0.0)
            out[s] = (r, r_toe, ball - turn(r, reach), ball, yaw)
        return out

    def pelvis_height(self, p, feet):
        """Desired height of the hips, lowered softly where a leg would be stretched too far."""
        y = p["pelvis"][:, 1].copy()
        limit = np.full(len(y), 9.0)
        rot = about(Y, -p["pelvis_turn"])
        for s in "LR":
            hip = p["pelvis"] + turn(rot, self.j[f"hip.{s}"] - self.mid_hip)
            d = hip - feet[s][2]
            flat = np.minimum(d[:, 0] ** 2 + d[:, 2] ** 2, (0.98 * self.leg) ** 2 * 0.95)
            limit = np.minimum(limit, feet[s][2][:, 1] + np.sqrt((0.990 * self.leg) ** 2 - flat) - (hip[:, 1] - p["pelvis"][:, 1]))
        k = 0.006
        over = (y - limit) / k
        return y - k * np.where(over > 30, over, np.log1p(np.exp(np.minimum(over, 30))))

    # -- everything ----------------------------------------------------------------------------------------
    def pose(self, p, rate):
        """Joint places, bone rotations and translations for parameters p (see motion.py) at `rate` per second."""
        j, n = self.j, len(p["pelvis_turn"])
        p = dict(p)
        feet = self._feet(p)
        p["pelvis"] = np.stack([p["pelvis_x"], p["pelvis_y"], p["pelvis_z"]], 1)
        p["pelvis"][:, 1] = self.pelvis_height(p, feet)
        want = np.stack([p["neck_x"], p["neck_z"]], 1)
        lean = (want - p["pelvis"][:, [0, 2]]) / self.trunk
        for _ in range(4):
            rot, place = self._trunk(p, lean)
            lean = lean + (want - place["neck"][:, [0, 2]]) / self.trunk
        rot, place = self._trunk(p, lean)
        joints = {"pelvis": place["pelvis"], "neck": place["neck"]}
        rot["head"] = (about(Y, p["head_yaw"]) @ about(X, p["head_pitch"]) @ about(Z, p["head_roll"]))
        ahead = unit(turn(rot["chest"], Y) + turn(rot["head"], Y))
        rot["neck"] = between(Y, ahead) @ about(Y, 0.5 * (p["head_yaw"] - p["chest_turn"]))
        place["head"] = place["neck"] + turn(rot["neck"], j["head"] - j["neck"])
        joints["head"] = place["head"]
        rest = {"pelvis": self.mid_hip, **{b: j[b] for b in ("spine_lo", "spine_mid", "chest", "neck", "head")}}
        self._legs(p, feet, rot, place, rest, joints)
        self._arms(p, rot, place, rest, joints, rate)
        r = np.zeros((n, len(BONES), 3, 3))
        t = np.zeros((n, len(BONES), 3))
        for name, b in BONE.items():
            r[:, b] = rot[name]
            t[:, b] = place[name] - turn(rot[name], rest[name])
        return joints, r, t

    def _legs(self, p, feet, rot, place, rest, joints):
        j = self.j
        for s, sign in (("L", 1), ("R", -1)):
            r_foot, r_toe, ankle, ball, yaw = feet[s]
            hip = p["pelvis"] + turn(rot["pelvis"], j[f"hip.{s}"] - self.mid_hip)
            forward = unit(0.55 * turn(about(Y, yaw), Z) + 0.45 * turn(about(Y, -p["pelvis_turn"]), Z))
            pole = turn(about(Y, -sign * p[f"knee_in.{s}"]), forward) if np.ndim(p[f"knee_in.{s}"]) else forward
            knee, side = two_bones(hip, ankle, self.thigh, self.shank, pole)
            axis = unit(ankle - hip)
            hinge = np.cross(side, axis)
            rest_axis = unit(j[f"ankle.{s}"] - j[f"hip.{s}"])
            rest_side = square_to(Z, rest_axis)
            rest_hinge = np.cross(rest_side, rest_axis)
            for names, a, b, ra, rb in ((("thigh1", "thigh2"), hip, knee, "hip", "knee"), (("shank1", "shank2"), knee, ankle, "knee", "ankle")):
                rest_dir = unit(j[f"{rb}.{s}"] - j[f"{ra}.{s}"])
                full = frame(b - a, hinge) @ frame(rest_dir, rest_hinge).T
                if names[0] == "thigh1":
                    carried = turn(rot["pelvis"], rest_dir)
                    swing = between(carried, unit(b - a)) @ rot["pelvis"]
                    twist = twist_about(unit(b - a), swing, full)
                    rot[f"thigh1.{s}"] = about_each(unit(b - a), 0.45 * twist) @ swing
                else:
                    rot[f"{names[0]}.{s}"] = full
                rot[f"{names[1]}.{s}"] = full
                for name in names:
                    place[f"{name}.{s}"], rest[f"{name}.{s}"] = a, j[f"{ra}.{s}"]
            rot[f"foot.{s}"], place[f"foot.{s}"], rest[f"foot.{s}"] = r_foot, ankle, j[f"ankle.{s}"]
            rot[f"toe.{s}"], place[f"toe.{s}"], rest[f"toe.{s}"] = r_toe, ball, j[f"ball.{s}"]
            joints.update({f"hip.{s}": hip, f"knee.{s}": knee, f"ankle.{s}": ankle, f"ball.{s}": ball})

    def _arms(self, p, rot, place, rest, joints, rate):
        """Hands on the club: the lead hand on its circle about the lead shoulder, the trail hand below it."""
        j, gap = self.j, 0.078
        shoulder, clav = {}, {}
        for s, sign in (("L", 1), ("R", -1)):
            clav[s] = place["chest"] + turn(rot["chest"], j[f"clav.{s}"] - j["chest"])
            forward = rot["chest"] @ about(Y, -sign * p[f"protract.{s}"])
            shoulder[s] = clav[s] + turn(forward, j[f"shoulder.{s}"] - j[f"clav.{s}"])
        ca, dc = p["club_angle"], p["club_lie"]
        shaft = np.stack([-np.sin(ca), -np.cos(ca) * np.cos(dc), np.cos(ca) * np.sin(dc)], 1)
        a = p["arm_angle"]
        e = np.stack([-np.sin(a), -np.cos(a), 0 * a], 1)
        r = np.sqrt(self.upper_arm**2 + self.fore_arm**2 + 2 * self.upper_arm * self.fore_arm * np.cos(p["lead_flex"]))
        d = shoulder["L"] - shoulder["R"] + gap * shaft
        psi = self._out_of_plane(p["arm_out"], d, e, r)
        psi = gauss(psi, 0.016, rate)
        wrist = shoulder["L"] + r[:, None] * (np.cos(psi)[:, None] * e + np.sin(psi)[:, None] * Z)
        w = p["finish"][:, None]
        end = place["neck"] + turn(rot["chest"], p["finish_place"])
        middle = (wrist - shoulder["L"]) * (1 - w) + (end - shoulder["L"]) * w
        wrist = shoulder["L"] + middle
        way = wrist + gap * shaft - shoulder["R"]
        far = np.linalg.norm(way, axis=1)
        wrist = wrist - unit(way) * soft_plus(far - 0.990 * self.arm - 0.055, 0.005)[:, None]
        self._reach("L", wrist, shoulder)
        hand_l = unit(0.8 * unit(wrist - shoulder["L"]) + 0.62 * shaft)
        grip = wrist + self.hand * hand_l
        shaft = self._aim(p, grip, shaft, rate)
        low = grip + gap * shaft
        wrist_t = low.copy()
        for _ in range(3):
            hand_t = unit(0.8 * unit(wrist_t - shoulder["R"]) + 0.62 * shaft)
            wrist_t = low - self.hand * hand_t
        self._reach("R", wrist_t, shoulder)
        joints.update(grip=grip, grip_low=low, head_of_club=grip + shaft * p["club_length"], butt=grip - 0.10 * shaft)
        outward = np.stack([0 * dc, np.sin(dc), np.cos(dc)], 1)  # square to the club's plane, away from the golfer
        for s, end_, pole, fwd in (("L", wrist, p["lead_pole"], hand_l), ("R", wrist_t, p["trail_pole"], hand_t)):
            self._arm(s, clav[s], shoulder[s], end_, pole, fwd, shaft, outward, rot, place, rest, joints)

    def _out_of_plane(self, wanted, d, e, r):
        """Angle of the lead arm out of the plane of X and Y: as wanted, but giving way to the trail arm's reach.

        d: lead shoulder (plus the way along the grip) seen from the trail shoulder; e: in-plane arm direction.
        """
        psi = wanted.copy()
        for _ in range(14):
            c = d + r[:, None] * (np.cos(psi)[:, None] * e + np.sin(psi)[:, None] * Z)
            length = np.linalg.norm(c, axis=1)
            slope = r * (-np.sin(psi) * (c * e).sum(1) + np.cos(psi) * c[:, 2]) / length
            excess = soft_plus(length - 0.985 * self.arm - 0.02, 0.008)
            step = ((psi - wanted) + 500 * excess * slope) / (1 + 500 * slope**2)
            psi = np.clip(psi - np.clip(step, -0.25, 0.25), wanted - 0.10, wanted + 1.7)
        return psi

    def _reach(self, s, wrist, shoulder):
        """Draws a shoulder after the hand when the arm is too short (at most 6 cm), then shortens the way."""
        d = wrist - shoulder[s]
        length = np.linalg.norm(d, axis=1)
        lack = np.clip(length - (0.998 if s == "L" else 0.994) * self.arm, 0, 0.06)
        shoulder[s] = shoulder[s] + unit(d) * lack[:, None]

    def _aim(self, p, grip, shaft, rate):
        """Bends the shaft's way a little so that the club head meets the ball at impact."""
        if not p["strikes"]:
            return shaft
        head = grip + shaft * p["club_length"]
        out = head.copy()
        t = np.arange(len(head)) / rate
        for instant, ball in p["strikes"]:
            i = min(int(round(instant * rate)), len(head) - 1)
            out += (ball - head[i]) * np.exp(-0.5 * ((t - instant) / 0.04) ** 2)[:, None]
        return unit(out - grip)

    def _arm(self, s, clav, shoulder, wrist, pole, fwd, shaft, outward, rot, place, rest, joints):
        j = self.j
        elbow, side = two_bones(shoulder, wrist, self.upper_arm, self.fore_arm, pole)
        axis = unit(wrist - shoulder)
        hinge = np.cross(side, axis)
        u0, f0 = unit(j[f"elbow.{s}"] - j[f"shoulder.{s}"]), unit(j[f"wrist.{s}"] - j[f"elbow.{s}"])
        hinge0 = unit(np.cross(u0, f0))
        u, f = unit(elbow - shoulder), unit(wrist - elbow)
        collar0 = unit(j[f"shoulder.{s}"] - j[f"clav.{s}"])
        rot[f"clav.{s}"] = between(turn(rot["chest"], collar0), unit(shoulder - clav)) @ rot["chest"]
        swing = between(turn(rot[f"clav.{s}"], u0), u) @ rot[f"clav.{s}"]
        full = frame(u, hinge) @ frame(u0, hinge0).T
        twist = twist_about(u, swing, full)
        rot[f"uarm1.{s}"] = about_each(u, 0.25 * twist) @ swing
        rot[f"uarm2.{s}"] = about_each(u, 0.8 * twist) @ swing
        fore = frame(f, hinge) @ frame(f0, hinge0).T
        fwd0 = unit(j[f"middle.{s}"] - j[f"wrist.{s}"])
        thumb0 = unit(j[f"index.{s}"] - j[f"pinky.{s}"])
        hand = frame(fwd, shaft + 0.4 * outward) @ frame(fwd0, thumb0).T
        carried = square_to(turn(hand, thumb0), f)
        neutral = square_to(turn(fore, thumb0), f)
        roll = np.unwrap(np.arctan2((np.cross(neutral, carried) * f).sum(1), (neutral * carried).sum(1)))
        roll -= 2 * np.pi * np.round(roll[0] / (2 * np.pi))
        rot[f"farm1.{s}"] = about_each(f, 0.25 * roll) @ fore
        rot[f"farm2.{s}"] = about_each(f, 0.75 * roll) @ fore
        rot[f"hand.{s}"] = hand
        for name, where, joint in (("clav", clav, "clav"), ("uarm1", shoulder, "shoulder"), ("uarm2", shoulder, "shoulder"),
                                   ("farm1", elbow, "elbow"), ("farm2", elbow, "elbow"), ("hand", wrist, "wrist")):
            place[f"{name}.{s}"], rest[f"{name}.{s}"] = where, j[f"{joint}.{s}"]
        joints.update({f"shoulder.{s}": shoulder, f"elbow.{s}": elbow, f"wrist.{s}": elbow + f * self.fore_arm})


def soft_plus(x, k):
    """Smooth max(x, 0)."""
    return k * np.logaddexp(0, x / k)


def about_each(axis, angle):
    return rotation_about(axis, angle)


def twist_about(axis, a, b):
    """Angles about `axis` by which rotation b goes beyond a (both carry the same rest vector onto axis)."""
    r = b @ np.swapaxes(a, -1, -2)
    v = np.stack([r[:, 2, 1] - r[:, 1, 2], r[:, 0, 2] - r[:, 2, 0], r[:, 1, 0] - r[:, 0, 1]], 1)
    angle = np.arctan2((v * axis).sum(1), np.trace(r, axis1=1, axis2=2) - 1)
    angle = np.unwrap(angle)
    return angle - 2 * np.pi * np.round(angle[0] / (2 * np.pi))
