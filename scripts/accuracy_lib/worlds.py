"""Worlds: families of rendered clips that err together. Everything is fitted on some of them and stated on the one left out."""
import subprocess
from pathlib import Path

import pairs

# world: splits of scripts/make-clips, view and number of the clips taken of each
OWN = {"studio": [("develop", "face_on", 36)], "range": [("range", "face_on", 26), ("range_line", "down_the_line", 15)],
       "bay": [("bay", "face_on", 26), ("bay_line", "down_the_line", 15)]}
AFFORDABLE = 330  # frames: longer clips of a split are passed over, they take minutes each to render


def add_options(parser):
    parser.add_argument("--world", action="append", default=[], metavar="NAME=DIR",
                        help="another world: a folder of clips with their truth, also another renderer's; may be repeated")
    parser.add_argument("--clips", type=Path, default=pairs.ROOT / "out-accuracy" / "clips", help="where our own worlds are rendered to [default: %(default)s]")
    parser.add_argument("--out", type=Path, default=pairs.ROOT / "out-accuracy" / "runs", help="where the program's results go [default: %(default)s]")
    parser.add_argument("--model", default="accurate")
    parser.add_argument("--rejudge", action="store_true", help="judge again from the last runs' key points")
    parser.add_argument("--rendered", action="store_true", help="take the clips that are there, render none")


def render(split, view, count, folder):
    listed = subprocess.run([pairs.ROOT / "scripts" / "make-clips", "--out", folder, "--split", split, "--list"], capture_output=True, text=True, check=True).stdout
    fields = [line.split() for line in listed.splitlines()]
    wanted = [f[0] for f in fields if f[4] == view and float(f[2]) * float(f[5]) < AFFORDABLE][:count]
    only = [a for name in wanted for a in ("--only", name)]
    subprocess.run([pairs.ROOT / "scripts" / "make-clips", "--out", folder, "--split", split, *only], check=True)
    return wanted


def clips(a):
    """World -> folders of its clips."""
    found = {}
    for name, splits in OWN.items():
        found[name] = []
        for split, view, count in splits:
            folder = a.clips / split
            names = None if a.rendered else render(split, view, count, folder)
            found[name] += [p.parent for p in sorted(folder.glob("*/truth.json.gz")) if names is None or p.parent.name in names]
    for pair in a.world:
        name, folder = pair.split("=", 1)
        found[name] = [p.parent for p in sorted(Path(folder).glob("*/truth.json.gz"))]
    return {name: folders for name, folders in found.items() if folders}


def measure(a, worlds):
    """Runs the program over every world; nothing where the last runs' key points are to be used."""
    if not a.rejudge:
        for name, folders in worlds.items():
            pairs.run(folders, a.out / name, a.model)


def judged(a, name, folders, budget=None):
    """Rows of one world, judged with the program's budget or another one."""
    return pairs.pair(folders, pairs.run(folders, a.out / name, rejudge=True, budget=budget))
