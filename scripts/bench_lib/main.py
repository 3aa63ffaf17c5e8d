"""scripts/bench: seconds for the same clips, side by side, order alternated; medians with the least and the most.

Seconds are those of whole commands, from start to end, with the file cache warm. CPU seconds are user and system time of all
processes of a row, the peak is resident memory of its largest single process. Clips of `lengths` hold one swing each,
however long they are; `counts` is one clip again and again, fitted from as many clips as cores. --memory instead runs each
clip once with one worker and tells the most memory of the larger process (the clip's, or the worker while it loads models)
and of both together.
"""
import argparse
import json
import math
import os
import platform
import re
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import footage
import plot
from rows import DECODING, PROGRAM, ROOT, inbox_of, memory, rows

ROW_GROUPS = ("ours", "mediapipe", "plain", "bare", "decoding")
GROWTH = {"lengths": ([6, 10, 20], "s of clip"), "counts": ([1, 2, 4, 8], "clips"), "swings": ([1, 2, 4], "swings")}
LINEAR = 1.05  # largest exponent that counts as linear
# set, group, ours, theirs, how many times as fast we want to be
TARGETS = [("sixty", "60 fps", "ours accurate", "mediapipe heavy, 2 processes", 4.5), ("sixty", "60 fps", "ours fast", "mediapipe full, 2 processes", 3.5),
           ("rates", "240 fps", "ours accurate", "mediapipe heavy, 2 processes", 9)]


def machine():
    names = [line.split(":")[1].strip() for line in open("/proc/cpuinfo") if line.startswith("model name")]
    return {"cpu": names[0] if names else platform.machine(), "cores": os.cpu_count()}


def spread(values):
    return {"median": statistics.median(values), "least": min(values), "most": max(values), "all": values}


def frames_of(clip):
    done = subprocess.run(["ffprobe", "-v", "error", "-select_streams", "v:0", "-count_packets", "-show_entries", "stream=nb_read_packets",
                           "-of", "csv=p=0", str(clip)], stdout=subprocess.PIPE, check=True, text=True)
    return int(done.stdout.strip().rstrip(","))


def row_of(runs, clips, frames):
    """One row of a table from its repeated runs."""
    seconds = [r["seconds"] for r in runs]
    out = {k: spread([r[k] for r in runs]) for k in ("seconds", "cpu_seconds", "peak_mb")}
    if "frames_per_second" in runs[0]:
        return out | {"frames_per_second": spread([r["frames_per_second"] for r in runs])}
    out["frames_per_second"] = spread([frames / s for s in seconds])
    out["seconds_per_clip"] = spread([s / len(clips) for s in seconds])
    out["clips_per_hour"] = spread([3600 * len(clips) / s for s in seconds])
    if "stages" in runs[0]:
        total = sum(sum(r["stages"].values()) for r in runs)
        out["stages"] = {stage: sum(r["stages"].get(stage, 0) for r in runs) / total for stage in runs[0]["stages"]}
        total = sum(sum(r["work"].values()) for r in runs)
        out["work"] = {work: sum(r["work"][work] for r in runs) / total for work in runs[0]["work"]}
        out["measuring_share"] = spread([r["measuring_share"] for r in runs])
        out["places"] = runs[0]["places"]
    for name in ("frames", "frames_with_a_person"):
        if name in runs[0]:
            out[name] = runs[0][name]
    return out


def measure_set(groups, chosen, repeats, tmp):
    """{group: {clips, frames, rows}}; all rows of all groups in turn, backwards every other time."""
    inboxes, frames = {}, {}
    for i, (group, clips) in enumerate(groups.items()):
        inboxes[group] = tmp / f"inbox{i}"
        inbox_of(clips, inboxes[group])
        frames[group] = sum(frames_of(c) for c in clips)
    jobs = [(group, row) for group in groups for row in chosen]
    runs = {job: [] for job in jobs}
    for repeat in range(repeats):
        for group, row in jobs if repeat % 2 == 0 else reversed(jobs):
            for clip in groups[group]:
                clip.read_bytes()  # a warm file cache for every row
            runs[group, row].append(chosen[row](groups[group], inboxes[group]))
            print(f"  {repeat + 1}/{repeats}  {group}  {row}: {runs[group, row][-1]['seconds']:.1f} s", file=sys.stderr, flush=True)
    return {group: {"clips": [c.name for c in clips], "frames": frames[group],
                    "rows": {row: row_of(runs[group, row], clips, frames[group]) for row in chosen}} for group, clips in groups.items()}


def print_table(name, group, g):
    print(f"\n{name}, {group}: {len(g['clips'])} clips, {g['frames']} frames")
    print(f"{'':30}{'frames/s':>22}{'s per clip':>22}{'clips/h':>9}{'CPU s':>8}{'peak MB':>9}")
    show = lambda s, digits: f"{s['median']:.{digits}f} ({s['least']:.{digits}f}-{s['most']:.{digits}f})"
    for row, r in g["rows"].items():
        clip, hour = (show(r["seconds_per_clip"], 2), f"{r['clips_per_hour']['median']:.0f}") if "seconds_per_clip" in r else ("-", "-")
        print(f"{row:30}{show(r['frames_per_second'], 1):>22}{clip:>22}{hour:>9}{r['cpu_seconds']['median']:>8.1f}{r['peak_mb']['median']:>9.0f}")
    for row, r in g["rows"].items():
        if "stages" in r:
            for words, shares in (("by stage", r["stages"]), ("by work", r["work"])):
                print(f"{row}, shares of the workers' time {words}: " + ", ".join(f"{name} {100 * share:.0f} %" for name, share in shares.items()))
            print(f"{row}, landmark models in the measuring pass: {r['measuring_share']['median']:.2f} of its time")


def fit(x, y):
    """Slope of a straight line by least squares."""
    mx, my = statistics.mean(x), statistics.mean(y)
    return sum((a - mx) * (b - my) for a, b in zip(x, y)) / sum((a - mx) ** 2 for a in x)


def growth(name, groups):
    """How seconds grow along a set of GROWTH: {row: {slope, exponent}}."""
    x, unit = GROWTH[name]
    found = {}
    for row in next(iter(groups.values()))["rows"]:
        y = [g["rows"][row]["seconds"]["median"] for g in groups.values()]
        busy = [(a, b) for a, b in zip(x, y) if name != "counts" or a >= os.cpu_count()]  # the first clips cost nothing while a core idles
        slope, exponent = fit(*zip(*busy)), fit(*zip(*((math.log(a), math.log(b)) for a, b in busy)))
        found[row] = {"x": x, "seconds": y, "unit": unit, "slope": slope, "exponent": exponent}
        verdict = "linear or better" if exponent <= LINEAR else "WORSE THAN LINEAR"
        print(f"{row}: {slope:.2f} s for each of the {unit}, exponent {exponent:.2f} (at most {LINEAR}): {verdict}")
    return found


def print_memory(sets, model):
    for group, clips in {group: clips for groups in sets.values() for group, clips in groups.items()}.items():
        for clip in dict.fromkeys(clips):
            swings, largest, both = memory(clip, model)
            print(f"{group}, {clip.name}, {model}: swings {swings}; largest process {largest:.0f} MB; clip's process and its worker together {both:.0f} MB", flush=True)


def print_ratios(results):
    for groups in results.values():
        for group, g in groups.items():
            if DECODING in g["rows"]:
                alone = g["rows"][DECODING]["seconds"]["median"]
                times = [f"{row} {r['seconds']['median'] / alone:.1f}" for row, r in g["rows"].items() if row.startswith("ours")]
                print(f"{group}, times {DECODING}: " + ", ".join(times))
    for name, group, us, them, target in TARGETS:
        table = results.get(name, {}).get(group, {}).get("rows", {})
        if us in table and them in table:
            each = [b / a for a, b in zip(table[us]["seconds"]["all"], table[them]["seconds"]["all"])]
            ratio = table[them]["seconds"]["median"] / table[us]["seconds"]["median"]
            print(f"{group}: {us} against {them}: {ratio:.2f} times as fast ({min(each):.2f} to {max(each):.2f}), target {target}: {'reached' if ratio >= target else 'MISSED'}")


def clips_of(sets, work):
    """The sets' clips as paths, made where they are missing."""
    names = sorted({c for groups in sets.values() for clips in groups.values() for c in clips})
    if missing := [n for n in names if not (work / n).exists()]:
        python = ROOT / ".venv-clips" / "bin" / "python"
        if not python.exists():
            sys.exit("bench: no Python environment for the clips; run scripts/setup --clips")
        single = {f"{n}_NUM_THREADS": "1" for n in ("OMP", "OPENBLAS", "NUMBA")}
        subprocess.run([python, Path(footage.__file__), work, *missing], env=os.environ | single | {"PYTHONPATH": str(ROOT / "scripts")}, check=True)
    return {name: {group: [work / c for c in clips] for group, clips in groups.items()} for name, groups in sets.items()}


def main():
    a = argparse.ArgumentParser(prog="scripts/bench", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    a.add_argument("--repeats", type=int, default=7)
    a.add_argument("--clips", default=",".join(footage.SETS), help="sets, with commas: %(default)s; the rows of others run on sixty and rates alone")
    a.add_argument("--group", action="append", help="only this group of the sets, such as '240 fps'; may be repeated")
    a.add_argument("--rows", default=",".join(ROW_GROUPS), help="groups of rows, with commas: %(default)s")
    a.add_argument("--only", default="", help="only rows whose name matches this regular expression")
    a.add_argument("--work", type=Path, default=ROOT / "out" / "bench-clips", help="folder of the clips; made there where missing")
    a.add_argument("--out", type=Path, default=ROOT / "out", help="folder for bench.json and bench.png; groups that are not run again stay in them")
    a.add_argument("--memory", metavar="MODEL", choices=("accurate", "fast", "exhaustive"), help="measure memory in place of time")
    a.add_argument("--make-only", action="store_true", help="make the clips and stop")
    a.add_argument("given", nargs="*", type=Path, metavar="CLIP", help="these clips instead of the sets")
    a = a.parse_args()
    names, wanted = a.clips.split(","), a.rows.split(",")
    if unknown := [n for n in names if n not in footage.SETS] + [r for r in wanted if r not in ROW_GROUPS]:
        sys.exit(f"bench: no such set or row group: {', '.join(unknown)}")
    if a.given:
        sets = {"given": {"clips": [c.resolve() for c in a.given]}}
    else:
        sets = {n: {g: c for g, c in footage.SETS[n].items() if not a.group or g in a.group} for n in names}
        sets = clips_of({n: groups for n, groups in sets.items() if groups}, a.work)
    if a.make_only:
        return
    if a.memory:
        return print_memory(sets, a.memory)
    file = a.out / "bench.json"
    kept = json.loads(file.read_text()) if file.exists() else {"results": {}, "growth": {}}
    about = machine() | {"when": time.strftime("%Y-%m-%d %H:%M"), "repeats": a.repeats, "program": subprocess.run(
        [PROGRAM, "--version"], stdout=subprocess.PIPE, check=True, text=True).stdout.strip()}
    now = {}
    for name, groups in sets.items():
        others = name in ("sixty", "rates", "given")
        chosen = rows(wanted if others else [r for r in wanted if r == "ours"], name in ("sixty", "given"))
        chosen = {row: run for row, run in chosen.items() if re.search(a.only, row)}
        if not chosen:
            continue
        with tempfile.TemporaryDirectory() as tmp:
            now[name] = measure_set(groups, chosen, a.repeats, Path(tmp))
        for group, g in now[name].items():
            print_table(name, group, g)
            kept["results"].setdefault(name, {})[group] = g | about
        if name in GROWTH and len(groups) == len(GROWTH[name][0]):
            kept["growth"][name] = growth(name, now[name])
        a.out.mkdir(parents=True, exist_ok=True)
        file.write_text(json.dumps(kept, indent=1))
        plot.draw(kept, a.out / "bench.png")
    print(f"\n{about['cpu']}, {about['cores']} cores, {about['program']}, {a.repeats} repeats")
    print_ratios(now)


main()
