"""scripts/bench: seconds for the same clips, side by side, order alternated; medians and spread; peak memory."""
import argparse
import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
PROGRAM = ROOT / "target" / "release" / "dawnsheet"
LOOP = Path(__file__).with_name("loop.py")


def inbox_of(clips, folder):
    for i, clip in enumerate(clips):
        target = folder / f"student{i}" / f"{i}{clip.suffix}"
        target.parent.mkdir(parents=True)
        shutil.copyfile(clip, target)


def ours(model, inbox, tmp):
    out = Path(tempfile.mkdtemp(dir=tmp))
    settings = out / "settings.toml"
    settings.write_text("[intake]\nsettle_seconds = 0\n")
    done = subprocess.run([PROGRAM, "run", inbox, "--out", out / "out", "--model", model, "--settings", settings, "--workers", "2"],
                          stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    if done.returncode not in (0, 1):
        sys.exit(done.stderr.decode()[-500:])


def theirs(complexity, clips):
    # the longest clip first to whichever process has less to do
    halves, load = ([], []), [0, 0]
    for clip in sorted(clips, key=lambda c: -c.stat().st_size):
        i = load.index(min(load))
        halves[i].append(str(clip))
        load[i] += clip.stat().st_size
    running = [subprocess.Popen([sys.executable, LOOP, str(complexity), *h], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) for h in halves if h]
    return sum(int(p.communicate()[0].split()[-1]) for p in running)


def main():
    a = argparse.ArgumentParser(prog="scripts/bench")
    a.add_argument("--repeats", type=int, default=7)
    a.add_argument("clips", nargs="*", type=Path)
    a = a.parse_args()
    clips = a.clips or sorted((ROOT / "fixtures" / "inbox").glob("*/*.mp4"))
    with tempfile.TemporaryDirectory() as tmp:
        tmp = Path(tmp)
        inbox_of(clips, tmp / "inbox")
        runs = {"ours accurate": lambda: ours("accurate", tmp / "inbox", tmp), "mediapipe heavy, 2 processes": lambda: theirs(2, clips),
                "ours fast": lambda: ours("fast", tmp / "inbox", tmp), "mediapipe full, 2 processes": lambda: theirs(1, clips)}
        frames = theirs(1, clips)  # also warms the file cache
        seconds = {name: [] for name in runs}
        for repeat in range(a.repeats):
            for name in list(runs) if repeat % 2 == 0 else reversed(list(runs)):
                start = time.perf_counter()
                runs[name]()
                seconds[name].append(time.perf_counter() - start)
    rows = {name: {"seconds": statistics.median(s), "least": min(s), "most": max(s), "frames_per_second": frames / statistics.median(s)} for name, s in seconds.items()}
    print(f"{len(clips)} clips, {frames} frames, {a.repeats} repeats, {os.cpu_count()} cores")
    for name, r in rows.items():
        print(f"{name:30} {r['seconds']:6.2f} s ({r['least']:.2f} to {r['most']:.2f})  {r['frames_per_second']:6.1f} frames/s")
    for us, them in (("ours accurate", "mediapipe heavy, 2 processes"), ("ours fast", "mediapipe full, 2 processes")):
        print(f"{us} against {them}: {rows[them]['seconds'] / rows[us]['seconds']:.2f} times as many clips an hour")
    # the largest of all children: workers of ours are children of children and counted by the same call
    print(f"largest process: {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024:.0f} MB (ours and theirs together)")
    (ROOT / "out").mkdir(exist_ok=True)
    (ROOT / "out" / "bench.json").write_text(json.dumps({"clips": [c.name for c in clips], "frames": frames, "rows": rows}, indent=1))


main()
