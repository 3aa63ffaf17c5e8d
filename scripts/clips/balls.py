"""How well the ball is found, and its leaving told, in rendered clips whose truth says where it lay and what became of it.

Found: within three quarters of its width of its place, of the clips in which it was struck, lies whole in the picture and is eight
pixels wide or more. False: whatever else was found, a ball that stayed and a shoe alike.
"""
import json
import sys
from pathlib import Path

import numpy as np

import night


def main():
    out, inbox = Path(sys.argv[1]), Path(sys.argv[1]) / "inbox"
    truths = {}
    for world, folder in night.clips([Path(p) for p in sys.argv[2:]]):
        name = f"{world.name}-{folder.name}"
        truths[name] = night.truth_of(folder)
        link = inbox / name / "clip.mp4"
        link.parent.mkdir(parents=True, exist_ok=True)
        if not link.exists():
            link.hardlink_to(folder / "clip.mp4")
    told, groups, swings = night.run(inbox, out), {}, {}
    apart, late, missed, wrong = [], [], [], []
    for name, truth in truths.items():
        ball, tags = truth["ball"], truth["tags"]
        report, about = told[name]
        (w, h), r = truth["size"], ball["width"] / 2
        whole = r <= ball["x"] <= w - r and r <= ball["y"] <= h - r and 2 * r >= 8
        off = [float(np.hypot(b["x"] - ball["x"], b["y"] - ball["y"])) / (2 * r) for b in about.get("balls", [])]
        near = [d for d in off if d < 0.75]
        struck = ball["fate"] == "struck"
        if len(near) < len(off) or (near and not struck):
            wrong.append(name)
        if struck and whole:
            apart += near[:1]
            missed += [] if near else [name]
            for tag in [t for t in tags if t.startswith(("ball_", "lie_")) or t == "tee"] + ["all"]:
                hits = groups.setdefault(tag, [0, 0])
                hits[0] += bool(near)
                hits[1] += 1
        for swing in report["swings"]:
            seen = swing["events"]["impact"]
            of = [t for t in truth["swings"] if seen and t["events"].get("impact") and abs(t["events"]["impact"] - seen["time_s"]) < 0.3]
            if not of:
                continue
            true = struck and of[0]["kind"] == "full"
            key = "struck" if true else f"rehearsal, {ball['fate']}" if of[0]["kind"] != "full" else ball["fate"]
            row = swings.setdefault(key, {"yes": 0, "no": 0, "unknown": 0})
            row[swing["strike"]["value"]] += 1
            if seen["from"] == "ball" and true:
                late.append((seen["time_s"] - of[0]["events"]["impact"]) * truth["fps"])
    for tag, (hits, of) in sorted(groups.items()):
        print(f"found, {tag}: {hits} of {of}")
    print(f"middle off by {np.median(apart):.2f} diameters (median); impact by the ball off by {np.median(np.abs(late)):.2f} frames (median), {np.mean(np.abs(late) <= 1):.0%} within one")
    for key, row in sorted(swings.items()):
        print(f"swings, {key}: told as a strike {row['yes']}, as none {row['no']}, left open {row['unknown']}")
    print(f"missed: {' '.join(missed) or 'none'}; false: {' '.join(wrong) or 'none'}")
    (out / "balls.json").write_text(json.dumps({"found": groups, "swings": swings, "missed": missed, "false": wrong}))


if __name__ == "__main__":
    main()
