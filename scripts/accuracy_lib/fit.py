"""scripts/calibrate: the error budget, with worlds as groups.

reading = true + bias of the world - depth * sin(yaw) + error. The depth is common to all worlds, the bias taken off is the mean of
theirs, each world weighing the same. What is left in a new world is the error within a world and the spread between them:
variance = within^2 + between^2 * (1 + 1 / worlds), with Satterthwaite's degrees of freedom (1946) and Student's quantile; `sd` is
written so that 1.96 of it is that. A gain is fitted only where it is about the same in all worlds: the pelvis's move toward the ball
(.87, .73, .71); of nothing else it was.
"""
import argparse
import tomllib

import numpy as np

import pairs
import worlds as w

BUDGET = pairs.ROOT / "pipeline" / "measure" / "budget.toml"
SHIFT = 100.0  # keeps readings that are cut at 0 away from it while they are fitted
# read from the outline (alone or with the key points) where it is safe; the key points alone have an entry of their own
OUTLINED = {"trail_hip_travel_cm": "both", "pelvis_travel_cm": "both", "head_lateral_top_cm": "outline",
            "head_lateral_max_back_cm": "outline", "head_vertical_top_cm": "outline"}
# nothing is taken off: what would be had another sign in another world
AS_READ = {"tempo_ratio", "backswing_s", "downswing_s", "lead_elbow_bow_late_upper_arms", "lead_elbow_flexion_late_deg"}
GAINED = {"pelvis_toward_ball_impact_cm"}
LEAST = 5  # readings of a world that count
# 97.5th percentiles of Student's t (published tables)
STUDENT = {1: 12.706, 2: 4.303, 3: 3.182, 4: 2.776, 5: 2.571, 6: 2.447, 8: 2.306, 10: 2.228, 15: 2.131, 20: 2.086, 30: 2.042, 60: 2.000, 1000: 1.960}


def student(dof):
    return float(np.interp(1 / dof, sorted(1 / k for k in STUDENT), [v for _, v in sorted((1 / k, v) for k, v in STUDENT.items())]))


def cut_at_zero(name):
    return "travel_cm" in name or name == "head_lateral_max_back_cm"


def identity(use_outline, names):
    lines = ['version = "identity"', f"use_outline = {str(use_outline).lower()}", "[metric]"]
    lines += [f"{n} = {{ bias = {-SHIFT if cut_at_zero(n) else 0.0}, sd = 0.000001 }}" for n in names]
    return "\n".join(lines) + "\n"


def readings(rows, name, source=None):
    """[reading, truth, other standard error, factor by which landmark errors are widened, sine of the true yaw] of each clip."""
    got = []
    for row in rows:
        ours, true = pairs.metric(row, name), pairs.true_metric(row, name)
        if not ours or true is None or (source and ours[3] != source):
            continue
        step = next(s for s in row["report"]["provenance"] if s["step"] == "error budget")["parameters"]
        if step["version"] != "identity":
            raise SystemExit("calibrate: the program did not read the identity budget")
        spread, value = (ours[2] - ours[0]) / 1.96, ours[0]
        if cut_at_zero(name):  # the scale's share of the shifted value comes off, that of the value itself goes on
            scale, value = row["ours"]["scale"]["relative_uncertainty"], value - SHIFT
            spread = np.hypot(max(spread**2 - (ours[0] * scale) ** 2, 0.0) ** 0.5, value * scale)
        # down the line the program does not know where the camera stands: what that does is part of the error
        yaw = row["truth"].get("yaw_to_lead_deg") if pairs.face_on(row) else None
        got.append((value, true, spread, step["widened_by"], np.sin(np.radians(yaw or 0.0))))
    return np.array(got)


def robust(values):
    """Mean without what lies beyond three scaled medians."""
    middle = np.median(values)
    return float(values[abs(values - middle) <= 3 * max(1.4826 * np.median(abs(values - middle)), 1e-9)].mean())


def common_depth(groups):
    """Change of the error with the sine of the yaw that all worlds share, each weighing the same; gross errors left out."""
    x, y, weight = [], [], []
    for g in groups:
        error = g[:, 0] - g[:, 1]
        kept = abs(error - np.median(error)) <= 4 * max(1.4826 * np.median(abs(error - np.median(error))), 1e-9)
        sine = g[kept, 4]
        x += list(sine - sine.mean())
        y += list(error[kept] - error[kept].mean())
        weight += [1 / max(kept.sum(), 1)] * int(kept.sum())
    x, y, weight = map(np.array, (x, y, weight))
    return -float((weight * x * y).sum() / max((weight * x * x).sum(), 1e-12))


def common_gain(groups):
    """Slope of reading on truth that all worlds share, each weighing the same."""
    x, y, weight = [], [], []
    for g in groups:
        x += list(g[:, 1] - g[:, 1].mean())
        y += list(g[:, 0] - g[:, 0].mean())
        weight += [1 / len(g)] * len(g)
    x, y, weight = map(np.array, (x, y, weight))
    return float((weight * x * y).sum() / (weight * x * x).sum())


def entry(groups, correct=True, by_yaw=True):
    """(bias, depth, sd, within, between) from the readings of several worlds."""
    depth = common_depth(groups) if correct and by_yaw else 0.0
    errors = [g[:, 0] - g[:, 1] + depth * g[:, 4] for g in groups]
    biases = np.array([robust(e) for e in errors])
    bias = float(biases.mean()) if correct else 0.0
    rest, other, widened = (np.concatenate(v) for v in ([e - b for e, b in zip(errors, biases)], [g[:, 2] for g in groups], [g[:, 3] for g in groups]))
    share = np.concatenate([np.full(len(e), 1 / len(e)) for e in errors])
    low, high = 1e-6, 1000.0
    for _ in range(60):
        middle = (low + high) / 2
        inside = abs(rest) <= 1.96 * np.sqrt((middle * widened) ** 2 + other**2)
        low, high = (middle, high) if (share * inside).sum() / share.sum() < 0.95 else (low, middle)
    within, count = high, len(groups)
    if count < 2:
        return bias, depth, within, within, 0.0
    sampling = np.mean([max(within, 1e-6) ** 2 / len(e) for e in errors])
    # about what is taken off, be it nothing
    spread = ((biases - bias) ** 2).sum() / (count - 1 if correct else count)
    between = float(max(spread - sampling, 0.0)) ** 0.5
    wide, narrow = between**2 * (1 + 1 / count), within**2
    dof = (wide + narrow) ** 2 / max(wide**2 / (count - 1) + narrow**2 / max(len(rest) - count, 1), 1e-12)
    return bias, depth, student(max(dof, 1.0)) * (wide + narrow) ** 0.5 / 1.96, within, between


# of these the camera's yaw is no part
NOT_ACROSS = ("backswing_s", "downswing_s", "_ratio", "bow", "flexion", "vertical", "pct_stance", "hand_above", "upper_arms")


def budget(identified, current, version):
    """Text of a budget from rows by world, judged with the identity: {"with": {world: rows}, "without": {world: rows}}."""
    lines = []
    for name in (n for n in current["metric"] if not n.endswith(".key_point")):
        for source in ((OUTLINED[name], "key_point") if name in OUTLINED else (None,)):
            rows = identified["without" if source == "key_point" else "with"]
            groups = [g for g in (readings(r, name, source) for r in rows.values()) if len(g) >= LEAST]
            key = f'"{name}.key_point"' if source == "key_point" else name
            if not groups or name == "trail_hip_travel_pct_stance":  # a share of two others: its error follows from theirs
                old = current["metric"][key.strip('"')]
                lines.append(f"{key} = {{ bias = {old.get('bias', 0.0)}, depth = {old.get('depth', 0.0)}, sd = {old['sd']} }} # not fitted")
                continue
            aside = not any(part in name for part in NOT_ACROSS)
            aside = aside and any(g[:, 4].any() for g in groups)
            gain = common_gain(groups) if name in GAINED else 1.0
            groups = [np.column_stack([g[:, 0] / gain, g[:, 1:]]) for g in groups]
            bias, depth, sd, within, between = entry(groups, name not in AS_READ, aside)
            told = f", gain = {gain:.3f}" if name in GAINED else ""
            lines.append(f"{key} = {{ bias = {bias * gain:.4f}{told}, depth = {depth * gain:.2f}, sd = {max(sd, 1e-4):.4f}, between = {between:.3f} }} # within {within:.3f}, "
                         f"{len(groups)} worlds, {sum(map(len, groups))} readings")
    head = ("# Error budget: reading = true + bias - depth * sin(camera's yaw toward the lead side), standard deviation sd in a world that\n"
            "# nothing was fitted in, between the spread of the worlds' own biases; units of the metric, depth a radian. Written by\n"
            "# scripts/calibrate (scripts/accuracy_lib/fit.py has the model).\n")
    return f'{head}version = "{version}"\n\n[metric]\n' + "\n".join(lines) + "\n"


def identify(a, worlds):
    """Every world judged with nothing taken off, with and without the outline."""
    current = tomllib.loads(BUDGET.read_text())
    names = [n for n in current["metric"] if not n.endswith(".key_point")]
    found = {}
    for key, use in (("with", True), ("without", False)):
        text = a.out / f"identity-{key}.toml"
        text.write_text(identity(use, names))
        found[key] = {world: [r for r in w.judged(a, world, folders, text) if pairs.face_on(r) or r["truth"]["view"] == "down_the_line"]
                      for world, folders in worlds.items()}
    return current, found


def without(identified, world):
    return {key: {name: rows for name, rows in by.items() if name != world} for key, by in identified.items()}


def main():
    p = argparse.ArgumentParser(prog="scripts/calibrate", description="Fits pipeline/measure/budget.toml on all worlds. Build again afterwards.")
    w.add_options(p)
    a = p.parse_args()
    a.out.mkdir(parents=True, exist_ok=True)
    worlds = w.clips(a)
    w.measure(a, worlds)
    current, identified = identify(a, worlds)
    BUDGET.write_text(budget(identified, current, f"9-worlds-{'-'.join(f'{n}-{len(f)}' for n, f in worlds.items())}"))
    print(BUDGET.read_text())


if __name__ == "__main__":
    main()
