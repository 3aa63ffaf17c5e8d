"""Renders a plan to a folder: clip.mp4 and truth.json.gz."""
import gzip
import json
import os
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np

from . import motion, plan as plans, scene, truth, worlds
from .camera import shake_track
from .figure import Figure, Light, Painter, blob, club_parts, tube
from .skeleton import Skeleton
from .stage import Stage

CLUBS = [
    {"grip": (0.08, 0.08, 0.08), "shaft": (0.72, 0.72, 0.74), "head": (0.62, 0.62, 0.65), "head_size": (0.040, 0.022, 0.020)},
    {"grip": (0.10, 0.10, 0.10), "shaft": (0.15, 0.15, 0.16), "head": (0.12, 0.12, 0.13), "head_size": (0.055, 0.030, 0.045)},
    {"grip": (0.20, 0.08, 0.08), "shaft": (0.60, 0.60, 0.62), "head": (0.30, 0.30, 0.33), "head_size": (0.050, 0.026, 0.036)},
]


class Shoot:
    """Renders the frames of one plan, one after the other."""

    def __init__(self, plan):
        cv2.setNumThreads(1)
        self.plan, self.stage = plan, Stage(plan)
        st = self.stage
        self.rng = shoot_rng(plan)
        self.shakes = shakes_of(plan, st, self.rng)
        self.figure, self.light = Figure(st.body), Light(plan["light"])
        self.painter = Painter(st.camera, self.light)
        self.ball = plan.get("ball") or {"fate": "struck", "colour": "white", "lie": "as it is", "tee": 0.0}
        if "ball" in plan:
            self._lies()
        self.ground, self.margin = scene.background(st.camera, plan["scenery"])
        if plan["bystander"]:
            self._bystander()
        self.club = plans.pick(self.rng, CLUBS)
        w, h = plan["size"]
        luma = self.rng.normal(0, 1, (h + 64, w + 64, 1)).astype(np.float32)
        self.grain = cv2.GaussianBlur(luma, (0, 0), 0.6)[..., None] * 1.6 + self.rng.normal(0, 0.55, (h + 64, w + 64, 3)).astype(np.float32)
        self.gain = np.float32(plan["level"])
        self.fixed_back = None
        self.impact = plan["swings"][-1]["impact"]

    def _lies(self):
        """What lies under and beside the ball, into the scenery."""
        place, b = self.stage.shown(self.stage.ball), self.ball
        things = self.plan["scenery"]["things"]
        things["balls"] = things["balls"] + [{"x": place[0] + x, "z": place[2] + z} for x, z in b["beside"]]
        if b["lie"] != "as it is":
            things["lie"] = {"place": [place[0], place[2]], "size": b["lie_size"], "colour": worlds.LIES.get(b["lie"])}

    def _bystander(self):
        """Somebody else standing in the picture, drawn into the background."""
        from .body import Body
        rng, cam = np.random.default_rng([self.plan["seed"], 13]), self.stage.camera
        body = Body(plans.look(rng), rng)
        sk = Skeleton(body.joints)
        d = plans.dials(rng, body.joints["head_top"][1] / 0.98)
        d.update(bend=5.0, leg_extension=0.99, head_pitch=4.0, stance=0.14, arm_out=24.0, lead_flex_address=32.0)
        a = motion.address(sk, d)
        fixed = {"stance": 0.14 * d["stature"], "flare_lead": 0.2, "flare_trail": 0.2, "ankle_z": -0.06, "pelvis_share": 0.4, "club_length": 0.9, "strikes": []}
        _, rot, trans = sk.pose({**motion.constant(a), **fixed}, motion.RATE)
        fig = Figure(body)
        v, n = fig.place(rot[4], trans[4], False)
        turn = rng.uniform(-1.0, 1.0)
        r = np.array([[np.cos(turn), 0, np.sin(turn)], [0, 1, 0], [-np.sin(turn), 0, np.cos(turn)]])
        back = cam.axes[2] * [1, 0, 1]
        back /= np.linalg.norm(back)
        behind = rng.uniform(0.5, 1.3)
        depth = -cam.place @ back + behind
        column = rng.choice([rng.uniform(0.05, 0.16), rng.uniform(0.84, 0.95)]) * cam.w
        side = (column - cam.centre[0]) / cam.focal * depth
        spot = (cam.place + back * depth + cam.axes[0] * side) * [1, 0, 1]
        v, n = v @ r.T + spot, n @ r.T
        mx, my = self.margin
        shift = np.array([[1.0, 0, mx], [0, 1.0, my]])
        total, alpha = np.zeros_like(self.ground), np.zeros(self.ground.shape[:2], np.float32)
        items = [(v, n, body.faces, body.colours)]
        self.ground *= self.painter.shadow(items, shift, alpha.shape)[..., None]
        self.painter.draw(items, shift, total, alpha, 1.0)
        self.ground = self.ground * (1 - alpha[..., None]) + total

    def _items(self, i):
        st = self.stage
        v, n = self.figure.place(st.rot[i], st.trans[i], st.flip)
        items = [(v, n, st.body.faces, st.body.colours)] + club_parts(st.joints, i, self.club, st.flip)
        fate, tee = self.ball["fate"], self.ball["tee"]
        place = st.shown(st.ball - [0, 0.009, 0])
        shade = 0.45 if self.ball["lie"] == "shade" else 1.0
        if tee:
            foot = place * [1, 0, 1]
            items.append(tube(foot, foot + [0, tee, 0], 0.003, 0.004) + (tuple(shade * c for c in (0.84, 0.78, 0.60)),))
        if fate == "missed" or (fate == "struck" and i / motion.RATE < self.impact):
            colour = tuple(shade * c for c in worlds.BALLS[self.ball["colour"]])
            items.append(blob(place + [0, tee, 0], np.eye(3) * 0.0214) + (colour,))
        return items

    def _instants(self, k):
        """Grid instants of the sub-frames of frame k, spread over its exposure."""
        st = self.stage
        middle = k * st.step
        span = min(self.plan["exposure_time"] * motion.RATE, st.step)
        last = len(st.rot) - 1
        a, b = max(0, middle - int(span // 2)), min(last, middle + int(span // 2))
        speed = np.linalg.norm(st.joints["grip"][b] - st.joints["grip"][a]) * st.camera.focal / self.plan["distance"]
        n = int(np.clip(np.ceil(speed / 2.2), 1, 10))
        if n == 1:
            return [min(middle, last)]
        return sorted({int(round(x)) for x in np.linspace(a, b, n)})

    def frame(self, k):
        """Frame k as uint8 RGB, upright, as encoded."""
        st, (w, h), (mx, my) = self.stage, self.plan["size"], self.margin
        affine = st.camera.affine(self.shakes[k])
        if self.fixed_back is None or self.shakes.any():
            m = affine.copy()
            m[:, 2] -= affine[:, :2] @ np.array([mx, my])
            self.fixed_back = cv2.warpAffine(self.ground, m, (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        total, alpha = np.zeros((h, w, 3), np.float32), np.zeros((h, w), np.float32)
        instants = self._instants(k)
        for n, i in enumerate(instants):
            items = self._items(i)
            self.painter.draw(items, affine, total, alpha, 1.0 / len(instants), 1 if st.flip else -1)
            if n == len(instants) // 2:
                shade = self.painter.shadow(items, affine, (h, w))
        out = self.fixed_back * (shade * (1 - alpha))[..., None] + total
        out *= 255.0 * self.gain
        noise = self.plan["noise"]
        if noise > 0:
            y, x = self.rng.integers(0, 64, 2)
            out += noise * self.grain[y:y + h, x:x + w]
        out = np.clip(out, 0, 255).astype(np.uint8)
        return np.ascontiguousarray(out[:, ::-1]) if self.plan["mirrored"] else out


def encoder(path, size, fps, crf):
    """ffmpeg process that takes raw RGB frames and writes H.264 with one tick-exact time per frame."""
    return subprocess.Popen(
        ["ffmpeg", "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "rgb24", "-s", f"{size[0]}x{size[1]}", "-r", str(fps), "-i", "-", "-an",
         "-c:v", "libx264", "-preset", "veryfast", "-threads", "1", "-bf", "0", "-crf", str(crf), "-pix_fmt", "yuv420p", "-color_range", "tv", "-colorspace", "bt709",
         "-vf", "scale=out_color_matrix=bt709:out_range=tv", "-color_primaries", "bt709", "-color_trc", "bt709", "-r", str(fps), "-video_track_timescale", str(fps * 256),
         "-movflags", "+faststart", str(path)], stdin=subprocess.PIPE)


def told(folder):
    """The truth of a whole clip made by this version of the generator; None if there is none."""
    try:
        with gzip.open(folder / "truth.json.gz", "rt") as f:
            record = json.load(f)
        return record if (folder / "clip.mp4").exists() and record.get("generator") == truth.GENERATOR else None
    except (OSError, EOFError, ValueError):
        return None


def write_truth(folder, record):
    text = json.dumps(record, separators=(",", ":"), default=float).encode()
    part = folder / f".truth.{os.getpid()}.part"
    with open(part, "wb") as f:
        with gzip.GzipFile(fileobj=f, mode="wb", mtime=0, filename="") as g:
            g.write(text)
    os.replace(part, folder / "truth.json.gz")


def shakes_of(plan, stage, rng):
    return shake_track(stage.frames, plan["fps"] * plan["playback"], plan["shake"] * plan["size"][1] / 960, rng)


def shoot_rng(plan):
    return np.random.default_rng([plan["seed"], 11])


def render(plan, out):
    """Renders one plan into out/<name>; returns the number of frames, or 0 if it is there already (older truth is told anew)."""
    final = Path(out) / plan["name"]
    there = told(final)
    if there:
        if there.get("truth") != truth.TRUTH:
            stage = Stage(plan)
            write_truth(final, truth.clip_truth(stage, shakes_of(plan, stage, shoot_rng(plan)), motion.RATE))
        return 0
    part = Path(out) / f".{plan['name']}.{os.getpid()}.part"
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(parents=True)
    shoot = Shoot(plan)
    record = truth.clip_truth(shoot.stage, shoot.shakes, motion.RATE)
    pipe = encoder(part / "clip.mp4", plan["size"], plan["fps"], plan["crf"])
    for k in range(shoot.stage.frames):
        pipe.stdin.write(shoot.frame(k).tobytes())
    pipe.stdin.close()
    if pipe.wait():
        raise SystemExit(f"make-clips: ffmpeg failed on {plan['name']}")
    write_truth(part, record)
    shutil.rmtree(final, ignore_errors=True)
    os.replace(part, final)
    return shoot.stage.frames
