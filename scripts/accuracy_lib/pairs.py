"""Runs the program over rendered clips and pairs its reports with their truth."""
import gzip
import hashlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import foreign

ROOT = Path(__file__).resolve().parent.parent.parent
PROGRAM = ROOT / "target" / "release" / "dawnsheet"
EVENTS = ("takeaway", "lead_arm_level_back", "top", "lead_arm_level_down", "impact", "half_follow_through",
          "chest_high_follow_through", "finish")


def read_truth(folder):
    with gzip.open(folder / "truth.json.gz", "rt") as f:
        truth = json.load(f)
    return truth if "schema" in truth else foreign.own_form(truth)


def make_inbox(clips, inbox):
    """One student a clip, with lead side and stature in the roster, as a coach would know them."""
    shutil.rmtree(inbox, ignore_errors=True)
    inbox.mkdir(parents=True)
    roster = []
    for folder in clips:
        truth = read_truth(folder)
        target = inbox / folder.name / f"{folder.name}.mp4"
        target.parent.mkdir()
        try:
            os.link(folder / "clip.mp4", target)
        except OSError:
            shutil.copyfile(folder / "clip.mp4", target)
        roster.append(f'[[student]]\nname = "{folder.name}"\nlead_side = "{truth["lead_side"]}"\nstature_cm = {truth["stature_cm"]:.1f}\n')
    (inbox / "roster.toml").write_text("\n".join(roster))


def run(clips, out, model="accurate", rejudge=False, budget=None):
    """Reports by the sha256 of their clip; with `rejudge` only the judging is done again, with the error budget of a file if one is named."""
    inbox = out / "inbox"
    if rejudge:
        environment = {**os.environ, **({"DAWNSHEET_BUDGET": str(budget)} if budget else {})}
        subprocess.run([PROGRAM, "rejudge", "--out", out / "out"], check=True, env=environment, stdout=subprocess.DEVNULL)
    else:
        make_inbox(clips, inbox)
        settings = out / "settings.toml"
        settings.write_text("[intake]\nsettle_seconds = 0\n")
        done = subprocess.run([PROGRAM, "run", inbox, "--out", out / "out", "--model", model, "--settings", settings],
                              stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        if done.returncode not in (0, 1):
            sys.exit(f"the run failed ({done.returncode}): {done.stderr[-500:]}")
    reports = {}
    for path in (out / "out" / "reports").glob("*/*.json"):
        report = json.loads(path.read_text())
        reports[report["clip"]["sha256"]] = report
    return reports


def pair(clips, reports):
    """A list of dicts: name, truth, main true swing, report, its main swing (or None). By the clip's bytes: a clip that was exchanged
    under the same name has no report, and is an error."""
    rows = []
    for folder in clips:
        truth = read_truth(folder)
        report = reports.get(hashlib.sha256((folder / "clip.mp4").read_bytes()).hexdigest())
        if report is None:
            sys.exit(f"{folder.name} was not measured, or is another clip since: run again without --rejudge")
        true_main = next(s for s in truth["swings"] if s["main"])
        ours = next((s for s in report["swings"] if s["main"]), None)
        rows.append({"name": folder.name, "truth": truth, "true": true_main, "report": report, "ours": ours})
    return rows


def metric(row, name):
    """(value, low, high, source) of the main swing, or None."""
    swing = row["ours"]
    found = swing and swing["metrics"].get(name)
    if not found or found.get("value") is None:
        return None
    return found["value"], found["low"], found["high"], found["from"]


def true_metric(row, name):
    value = row["true"]["metrics"].get(name)
    return None if value is None else float(value)


def face_on(row):
    return row["truth"]["view"] == "face_on" and abs(row["truth"].get("yaw_deg") or 0) <= 16.5


def good(row):
    return bool(row["truth"]["good_by_design"])
