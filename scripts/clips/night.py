"""A night of the program over rendered clips, for the checks beside (`balls.py`, `sound.py`)."""
import gzip
import json
import os
import subprocess
from pathlib import Path

import numpy as np


def truth_of(folder):
    with gzip.open(folder / "truth.json.gz") as f:
        return json.load(f)


def clips(worlds):
    """Folders of clips below these, in order."""
    return [(world, folder) for world in worlds for folder in sorted(p for p in world.iterdir() if (p / "clip.mp4").is_file())]


def run(inbox, out):
    """One night over `inbox` below `out`; (report, what was seen of it) by the student's folder. PROGRAM names another program."""
    settings = out / "settings.toml"
    settings.write_text("[intake]\nsettle_seconds = 0\n")
    program = os.environ.get("PROGRAM", str(Path(__file__).parents[2] / "target/release/dawnsheet"))
    workers = os.environ.get("WORKERS", "2")
    subprocess.run([program, "run", str(inbox), "--out", str(out / "out"), "--settings", str(settings), "--workers", workers], stdout=subprocess.DEVNULL)
    told = {}
    for path in sorted((out / "out/reports").glob("*/*.json")):
        report = json.loads(path.read_text())
        seen = out / "out/keypoints" / f"{report['clip']['id']}.npz"
        about = json.loads(bytes(np.load(seen)["about"])) if seen.is_file() else {}
        told[report["clip"]["file"].split("/")[0]] = (report, about)
    return told
