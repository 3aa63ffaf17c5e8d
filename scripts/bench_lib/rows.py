"""What is run for each row of the tables, and what one run of it gives."""
import json
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
PROGRAM = ROOT / "target" / "release" / "dawnsheet"
BARE_SECONDS = 10
DECODING = "decoding alone, 2 processes"
# seconds by work, within the stages
IN = "in "
MEASURING = "landmark models, measuring"


def inbox_of(clips, folder):
    """An inbox with a student for each clip; a clip that comes again gets other bytes (an empty box at its end), or it would be done already."""
    for i, clip in enumerate(clips):
        target = folder / f"student{i}" / f"{i}{clip.suffix}"
        target.parent.mkdir(parents=True)
        target.write_bytes(clip.read_bytes() + (struct.pack(">I4sI", 12, b"free", i) if clip in clips[:i] else b""))


def shared_out(clips, processes):
    """The longest clip first to whichever process has less to do."""
    parts, load = [[] for _ in range(processes)], [0] * processes
    for clip in sorted(clips, key=lambda c: -c.stat().st_size):
        i = load.index(min(load))
        parts[i].append(str(clip))
        load[i] += clip.stat().st_size
    return [p for p in parts if p]


def measured(commands):
    done = subprocess.run([sys.executable, HERE / "measured.py", json.dumps([[str(x) for x in c] for c in commands])], stdout=subprocess.PIPE, check=True)
    return json.loads(done.stdout)


def ours(clips, inbox, model):
    """One night; its stages in seconds of all clips from the night's own log."""
    with tempfile.TemporaryDirectory() as out:
        settings = Path(out) / "settings.toml"
        settings.write_text("[intake]\nsettle_seconds = 0\n")
        got = measured([[PROGRAM, "run", inbox, "--out", Path(out) / "out", "--model", model, "--settings", settings, "--workers", 2]])
        lines = [json.loads(x) for log in (Path(out) / "out" / "logs").glob("*.jsonl") for x in log.read_text().splitlines()]
    ends = [x for x in lines if x["message"] == "ends"]
    if got["codes"][0] not in (0, 1) or len(ends) != len(clips):
        raise SystemExit(f"bench: the night ended with {got['codes'][0]} and {len(ends)} of {len(clips)} clips; is target/release built?")
    stages, work = {}, {}
    for x in ends:
        for name, seconds in json.loads(x["stages"]).items():
            part, name = (work, name.removeprefix(IN)) if name.startswith(IN) else (stages, name)
            part[name] = part.get(name, 0) + seconds
    total = sum(x["seconds"] for x in ends)
    stages["rest"] = total - sum(stages.values())
    measuring = work.pop(MEASURING)
    work["rest"] = total - sum(work.values())
    share = measuring / sum(stages[s] for s in ("measure", "outline", "key", "arms"))
    return got | {"stages": stages, "work": work, "measuring_share": share, "places": [x["place"] for x in ends]}


def processes_below(pid):
    """Process numbers of all descendants."""
    try:
        found = [int(p) for task in Path(f"/proc/{pid}/task").iterdir() for p in (task / "children").read_text().split()]
    except OSError:  # ended meanwhile
        return []
    return found + [p for child in found for p in processes_below(child)]


def of_process(pid, file, what):
    """A line of a process's own account, megabytes; 0 where it has ended or is another program."""
    try:
        lines = Path(f"/proc/{pid}/{file}").read_text().splitlines() if "dawnsheet-work" in Path(f"/proc/{pid}/comm").read_text() else []
    except OSError:
        return 0
    return next((int(x.split()[1]) / 1024 for x in lines if x.startswith(what)), 0)


def memory(clip, model):
    """Swings found; most resident memory of the larger of the clip's process and its worker; most of both together, shared pages counted once. Megabytes."""
    with tempfile.TemporaryDirectory() as tmp:
        inbox_of([clip], Path(tmp) / "inbox")
        settings = Path(tmp) / "settings.toml"
        settings.write_text("[intake]\nsettle_seconds = 0\n")
        night = subprocess.Popen([PROGRAM, "run", Path(tmp) / "inbox", "--out", Path(tmp) / "out", "--model", model, "--settings", settings, "--workers", "1"],
                                 stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        largest = both = 0
        while night.poll() is None:
            workers = processes_below(night.pid)
            largest = max([largest, *(of_process(p, "status", "VmHWM:") for p in workers)])
            both = max(both, sum(of_process(p, "smaps_rollup", "Pss:") for p in workers))
            time.sleep(0.02)
        reports = [json.loads(f.read_text()) for f in (Path(tmp) / "out" / "reports").rglob("*.json")]
    if len(reports) != 1:
        raise SystemExit(f"bench: the night ended with {night.returncode} and {len(reports)} reports; is target/release built?")
    return len(reports[0]["swings"]), largest, both


def loops(script, argument, clips, processes):
    """Every-frame loops of others."""
    got = measured([[sys.executable, HERE / script, argument, *part] for part in shared_out(clips, processes)])
    counts = [[int(n) for n in x.split()] for x in got["outputs"] if x]
    if any(got["codes"]) or not all(len(c) == 2 for c in counts):
        raise SystemExit(f"bench: {script} failed")
    return got | {"frames": sum(c[0] for c in counts), "frames_with_a_person": sum(c[1] for c in counts)}


def bare(model, clips):
    got = measured([[sys.executable, HERE / "bare.py", model, BARE_SECONDS, clips[0]]] * 2)
    if any(got["codes"]):
        raise SystemExit("bench: bare.py failed")
    return got | {"frames_per_second": sum(int(x.split()[0]) / float(x.split()[1]) for x in got["outputs"])}


def decoding(clips):
    """Every picture decoded by FFmpeg and dropped, one thread in each of two processes: what nobody who reads the clips whole can be faster than."""
    each = 'for clip; do ffmpeg -v error -threads 1 -i "$clip" -map 0:v:0 -fps_mode passthrough -f null - || exit 1; done'
    got = measured([["sh", "-c", each, "sh", *part] for part in shared_out(clips, 2)])
    if any(got["codes"]):
        raise SystemExit("bench: ffmpeg failed")
    return got


def rows(groups, every_pair):
    """Row name -> function of (clips, inbox); `every_pair`: also the rows that are of interest for one set only."""
    all_rows = {}
    if "decoding" in groups:
        all_rows[DECODING] = lambda clips, _: decoding(clips)
    if "ours" in groups:
        for model in ("accurate", "fast", "exhaustive"):
            all_rows[f"ours {model}"] = lambda clips, inbox, m=model: ours(clips, inbox, m)
    for complexity, model in ((2, "heavy"), (1, "full")):
        file = ROOT / "models" / f"pose_landmark_{model}.onnx"
        for n in (2, 1) if every_pair else (2,):
            if "mediapipe" in groups:
                all_rows[f"mediapipe {model}, {n} process{'es' * (n > 1)}"] = lambda clips, _, c=complexity, n=n: loops("loop.py", c, clips, n)
        if "plain" in groups and every_pair:
            all_rows[f"plain loop {model}, 2 processes"] = lambda clips, _, f=file: loops("plain.py", f, clips, 2)
        if "bare" in groups and every_pair:
            all_rows[f"bare model {model}, 2 processes"] = lambda clips, _, f=file: bare(f, clips)
    return all_rows
