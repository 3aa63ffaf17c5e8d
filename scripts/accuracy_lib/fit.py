"""scripts/calibrate: bias, gain and remaining error of every metric, from readings without any correction."""
import argparse
import os
import subprocess
import tomllib
from pathlib import Path

import numpy as np

import pairs

BUDGET = pairs.ROOT / "pipeline" / "measure" / "budget.toml"
SHIFT = 100.0  # keeps readings that are cut at 0 away from it while they are fitted
# may have a gain as well as a bias; gains of others were dropped after golfers
# of another renderer (the five committed clips) fell outside their intervals: a choice of form, no number is fitted to those clips
GAINED = {"trail_hip_travel_cm", "pelvis_travel_cm", "lead_elbow_bow_late_upper_arms", "lead_elbow_flexion_half_deg",
          "lead_elbow_flexion_late_deg", "lead_elbow_flexion_max_deg", "lead_elbow_separation_max_cm"}
SPLITS = ("calibrate", "develop")
WORTH = 0.96  # a gain or a yaw share is used where clips left out of the fit are read better with it: errors at most this share
FOLDS = 20
GAINS = (2 / 3, 3 / 2)  # a gain beyond these would put what rendered golfers usually do in the reading's place
# read from the outline (alone or with the key points) where it is safe; the key points alone have an entry of their own
OUTLINED = {"trail_hip_travel_cm": "both", "pelvis_travel_cm": "both", "head_lateral_top_cm": "outline",
            "head_lateral_max_back_cm": "outline", "head_vertical_top_cm": "outline"}
AS_READ = {"tempo_ratio", "backswing_s", "downswing_s"}  # no correction
BETWEEN_RENDERERS = {"trail_hip_travel_cm": 0.5, "pelvis_travel_cm": 0.5}  # cm: bodies of another renderer differ by about this


def cut_at_zero(name):
    return "travel_cm" in name or name == "head_lateral_max_back_cm"


def identity(use_outline, names):
    lines = ['version = "identity"', f"use_outline = {str(use_outline).lower()}", "[metric]"]
    lines += [f"{n} = {{ bias = {-SHIFT if cut_at_zero(n) else 0.0}, sd = 0.000001 }}" for n in names]
    return "\n".join(lines) + "\n"


def judge(out, clips, text):
    path = out / "identity.toml"
    path.write_text(text)
    os.environ["DAWNSHEET_BUDGET"] = str(path)
    return [r for r in pairs.pair(clips, pairs.run(clips, out, rejudge=True)) if pairs.face_on(r) or r["truth"]["view"] == "down_the_line"]


def readings(rows, name, source=None):
    """Raw reading, truth, other standard error, factor by which landmark errors are widened."""
    got = []
    for row in rows:
        ours, true = pairs.metric(row, name), pairs.true_metric(row, name)
        if not ours or true is None or (source and ours[3] != source):
            continue
        step = next(s for s in row["report"]["provenance"] if s["step"] == "error budget")
        spread, scale = (ours[2] - ours[0]) / 1.96, 0.0
        if cut_at_zero(name):  # the scale's share of the shifted value comes off; that of the value itself goes on below
            scale = row["ours"]["scale"]["relative_uncertainty"]
            spread = max(spread**2 - (ours[0] * scale) ** 2, 0.0) ** 0.5
        if step["parameters"]["version"] != "identity":
            raise SystemExit("calibrate: the program did not read the identity budget")
        yaw = float(np.clip(step["parameters"]["yaw_to_lead_deg"] or 0.0, -15, 15)) if row["report"]["view"]["kind"] == "face_on" else 0.0
        got.append((ours[0] - (SHIFT if cut_at_zero(name) else 0), true, spread, step["parameters"]["widened_by"], scale, yaw))
    return np.array(got)


def line(reading, true, yaw, straight, by_yaw):
    """slope, offset, yaw share: true = slope * reading + offset - share * yaw, robustly (a few gross errors do not steer it)."""
    keep = np.ones(len(reading), bool)
    for _ in range(4):
        columns = [np.ones(len(reading))] + ([reading] if straight else []) + ([-yaw] if by_yaw else [])
        target = true if straight else true - reading
        if not straight and not by_yaw:
            c = [float(np.median(target[keep]))]
        else:
            c = list(np.linalg.lstsq(np.array(columns).T[keep], target[keep], rcond=None)[0])
        offset = c.pop(0)
        slope = c.pop(0) if straight else 1.0
        share = c.pop(0) if by_yaw else 0.0
        error = slope * reading + offset - share * yaw - true
        keep = abs(error) <= 3 * max(1.4826 * np.median(abs(error)), 1e-9)
    return slope, offset, share


def left_out(reading, true, yaw, straight, by_yaw, floor):
    """Mean size of the errors of clips that were left out of the fit, a fold at a time; single gross errors count no more than
    three times the scaled median."""
    errors = np.empty(len(reading))
    for fold in range(FOLDS):
        out = np.arange(len(reading)) % FOLDS == fold
        if not out.any():
            continue
        slope, offset, share = line(reading[~out], true[~out], yaw[~out], straight, by_yaw)
        corrected = slope * reading[out] + offset - share * yaw[out]
        errors[out] = abs((np.maximum(corrected, 0) if floor else corrected) - true[out])
    return np.minimum(errors, 3 * 1.4826 * np.median(errors)).mean()


def form(reading, true, yaw, floor, gained):
    """Whether a gain and a yaw share are worth it, (straight, by_yaw): the simplest that no other beats by enough."""
    chosen, error = (False, False), left_out(reading, true, yaw, False, False, floor)
    for other in ((False, True), (True, False), (True, True)):
        if other[0] and not gained or other[0] and not GAINS[0] <= 1 / line(reading, true, yaw, *other)[0] <= GAINS[1]:
            continue
        more = sum(other) - sum(chosen)
        e = left_out(reading, true, yaw, *other, floor)
        if e < error * WORTH ** max(more, 0):
            chosen, error = other, e
    return chosen


def fit(got, floor, gained, correct=True):
    """bias, gain, yaw share, sd: reading = gain * true + bias + yaw share * yaw; sd so that 95 % of the corrected readings lie
    within 1.96 of it."""
    reading, true, jitter, widened, scale, yaw = got.T
    slope, offset, share = 1.0, 0.0, 0.0
    if correct:
        slope, offset, share = line(reading, true, yaw, *form(reading, true, yaw, floor, gained))
    corrected = slope * reading + offset - share * yaw
    if floor:  # what is cut at 0 pulls the mean up: the offset takes that off again
        for _ in range(20):
            error = np.maximum(corrected, 0) - true
            size = 3 * 1.4826 * np.median(abs(error))
            step = np.clip(error, -size, size).mean()
            offset, corrected = offset - step, corrected - step
        corrected = np.maximum(corrected, 0)
    error = corrected - true
    other = np.hypot(jitter, scale * corrected)
    low, high = 1e-6, 1000.0
    # the scale's and jitter's share is already in `other`; it shrinks and grows with the value like the reading does
    for _ in range(60):
        middle = (low + high) / 2
        inside = np.mean(abs(error) <= 1.96 * np.sqrt((middle * widened) ** 2 + other**2))
        low, high = (middle, high) if inside < 0.95 else (low, middle)
    return -offset / slope, 1 / slope, share / slope, high


def main():
    a = argparse.ArgumentParser(prog="scripts/calibrate")
    a.add_argument("--clips", type=Path, help="folder with a folder of rendered clips for each split [default: out/clips]")
    a.add_argument("--out", type=Path, default=pairs.ROOT / "out" / "accuracy", help="[default: out/accuracy]")
    a.add_argument("--rejudge", action="store_true", help="use the key points of the last run")
    a = a.parse_args()
    current = tomllib.loads(BUDGET.read_text())
    names = [n for n in current["metric"] if not n.endswith(".key_point")]
    with_outline, without = [], []
    for split in SPLITS:
        folder, out = (a.clips or pairs.ROOT / "out" / "clips") / split, a.out / split
        out.mkdir(parents=True, exist_ok=True)
        if not a.clips:
            subprocess.run([pairs.ROOT / "scripts" / "make-clips", "--out", folder, "--split", split], check=True)
        clips = sorted(p.parent for p in folder.glob("*/truth.json.gz"))
        if not a.rejudge:
            pairs.run(clips, out)
        with_outline += judge(out, clips, identity(True, names))
        without += judge(out, clips, identity(False, names))
    lines, used = [], 0
    for name in names:
        for source in ((OUTLINED[name], "key_point") if name in OUTLINED else (None,)):
            got = readings(without if source == "key_point" else with_outline, name, source)
            key = f'"{name}.key_point"' if source == "key_point" else name
            if len(got) < 8 or name == "trail_hip_travel_pct_stance":  # a share of two others: its error follows from theirs
                old = current["metric"][key.strip('"')]
                lines.append(f"{key} = {{ bias = {old.get('bias', 0.0)}, gain = {old.get('gain', 1.0)}, yaw = {old.get('yaw', 0.0)}, sd = {old['sd']} }} # {len(got)} readings: not fitted")
                continue
            bias, gain, yaw, sd = fit(got, cut_at_zero(name), name in GAINED, name not in AS_READ)
            sd = float(np.hypot(sd, BETWEEN_RENDERERS.get(name, 0.0)))
            lines.append(f"{key} = {{ bias = {bias:.4f}, gain = {gain:.4f}, yaw = {yaw:.4f}, sd = {max(sd, 1e-4):.4f} }} # {len(got)} readings")
            used = max(used, len(got))
    head = ("# Error budget: reading = gain * true + bias + yaw * (camera's yaw toward the lead side, degrees), standard deviation sd\n"
            "# left; units of the metric. Written by\n"
            "# scripts/calibrate from rendered `calibrate` and `develop` clips.\n"
            "# Hip and pelvis carry another 0.5 cm for bodies unlike the rendered ones.\n")
    BUDGET.write_text(f'{head}version = "6-rendered-{len(with_outline)}"\n\n[metric]\n' + "\n".join(lines) + "\n")
    print(BUDGET.read_text())


main()
