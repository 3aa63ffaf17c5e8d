"""Command line of scripts/make-clips."""
import argparse
import sys
from multiprocessing import get_context

from . import plan as plans
from .work import work


def main():
    ap = argparse.ArgumentParser(prog="scripts/make-clips", description="Renders synthetic golf-swing clips with exact truth. Each clip is a folder "
                                 "with clip.mp4 and truth.json.gz; the same seed gives the same clip; finished clips of this version are left alone.")
    ap.add_argument("--out", metavar="DIR", help="folder for the clips")
    ap.add_argument("--split", choices=["calibrate", "develop", "check", "range", "bay", "range_line", "bay_line", "again", "balls", "fixtures"], default="calibrate", help="disjoint seeds; range and bay are worlds of their own, the others one; ..._line: filmed down the line; again: each golfer three times; balls: of other colours, on tees, sand and mats, in shade, with others beside, missed or not there; fixtures: seven small fixed ones")
    ap.add_argument("--count", type=int, help="number of clips (default: calibrate 80, develop 120, check 120, range and bay 40, ..._line and again 24, balls 40, fixtures 7)")
    ap.add_argument("--only", metavar="NAME", action="append", help="only the clip of this name; may be repeated")
    ap.add_argument("--list", action="store_true", help="print names and what they hold, render nothing")
    ap.add_argument("--jobs", type=int, default=1, help="clips rendered at the same time (default 1)")
    ap.add_argument("--selftest", action="store_true", help="check the truth against closed-form cases and the renderer against itself")
    a = ap.parse_args()
    if a.selftest:
        from .selftest import run
        return run()
    todo = [p for p in plans.plans(a.split, a.count) if not a.only or p["name"] in a.only]
    if not todo:
        ap.error("no clip of that name")
    if a.list:
        for p in todo:
            print(f"{p['name']}  {p['size'][0]}x{p['size'][1]}  {p['fps']} fps  {p['view']}  {p['duration'] * p['playback']:.2f} s  {' '.join(p['tags'])}")
        return 0
    if not a.out:
        ap.error("--out is needed")
    jobs = [(p, a.out) for p in todo]
    if a.jobs <= 1:
        for job in jobs:
            print(work(job), flush=True)
    else:
        with get_context("spawn").Pool(a.jobs) as pool:
            for line in pool.imap_unordered(work, jobs):
                print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
