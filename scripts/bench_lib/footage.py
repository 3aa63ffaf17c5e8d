"""The clips of scripts/bench: rendered golfers as a phone would upload them, made on demand.

A clip holds one swing of two to three seconds; before it the golfer walks in, stands and waggles, after it walks away.
Walking, waggling and swinging are rendered at the full rate (walking and waggling at 60 pictures a second at most); while
the golfer only stands and breathes, a picture is rendered ten times a second and repeated, each time with fresh sensor
noise. One golfer's clips of several rates and sizes are one rendering, thinned and scaled. A clip of several swings is such
a clip without the walks, again and again.

H.264 as phones write it: yuv420p, no B-frames, closed groups of one second, 0.15 bit a pixel.
usage (interpreter of scripts/make-clips): footage.py FOLDER NAME...
"""
import os
import subprocess
import sys
from pathlib import Path

GOLFERS = 4
SIZES = {540: (540, 960), 720: (720, 1280), 1080: (1080, 1920)}
STILL_RATE, MOVING_RATE = 10, 60  # pictures rendered a second
NOISE = 2.0
BITS_A_PIXEL = 0.15


def name(golfer, seconds=10, rate=60, lines=720):
    return f"golfer{golfer}-{seconds}s-{rate}fps-{lines}.mp4"


SETS = {
    "sixty": {"60 fps": [name(g) for g in range(GOLFERS)]},
    "rates": {f"{r} fps": [name(g, rate=r) for g in (0, 1)] for r in (30, 60, 120, 240)},
    "lengths": {f"{s} s": [name(0, seconds=s)] for s in (6, 10, 20)},
    "counts": {f"{n} clips": [name(0)] * n for n in (1, 2, 4, 8)},
    "swings": {f"{n} swing{'s' * (n > 1)}": [f"golfer0-{n}swings-60fps-1080.mp4"] for n in (1, 2, 4)},
    "sizes": {f"{SIZES[n][0]}x{SIZES[n][1]}": [name(0, lines=n)] for n in SIZES},
}


# without the walks, seconds of a clip of ten; each a key picture
STAYS = (2, 8)


def parsed(clip):
    golfer, seconds, rate, lines = clip.removesuffix(".mp4").split("-")
    return int(golfer[6:]), int(seconds[:-1]), int(rate[:-3]), int(lines)


def encoder(path, lines, rate):
    w, h = SIZES[lines]
    bits = int(BITS_A_PIXEL * w * h * rate)
    return subprocess.Popen(
        ["ffmpeg", "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "rgb24", "-s", f"{w}x{h}", "-r", str(rate), "-i", "-", "-an",
         "-c:v", "libx264", "-preset", "veryfast", "-threads", "1", "-bf", "0", "-g", str(rate), "-flags", "+cgop", "-b:v", str(bits),
         "-pix_fmt", "yuv420p", "-movflags", "+faststart", "-f", "mp4", str(path)], stdin=subprocess.PIPE)


def plan(golfer, seconds, rate, lines):
    """A fixture golfer's swing, face-on, with more time about it; and (from, to, pictures a second) of what moves."""
    from clips import plan as plans
    p = plans.fixture([0, 1, 2, 5][golfer])
    s, spare = p["swing"], seconds - 6
    arrive = 1.3 if spare == 0 else 1.8
    waggles = [arrive + 0.1 * spare + 0.65 * k for k in range(1 if spare == 0 else 2)]
    move = waggles[-1] + 0.7 + 0.15 * spare - s["start"]
    for k in ("start", "top", "impact", "settle"):
        s[k] += move
    home = s["settle"] + s["hold"]
    leave = max(home + 0.3, seconds - 1.6)
    p.update(fps=rate, size=SIZES[lines], noise=0.0, duration=float(seconds), cut_at_top=False, waggles=waggles,
             walk={"arrive": arrive, "home": home, "leave": leave})
    moving = [(s["start"] - 0.1, s["settle"] + 0.1, rate)]
    moving += [(a, b, min(rate, MOVING_RATE)) for a, b in ((0, arrive + 0.1), (waggles[0], waggles[-1] + 0.7), (home, home + 0.9), (leave, seconds))]
    return p, moving


def make(golfer, seconds, clips):
    """Renders one golfer once and writes `clips` = [(file, rate, lines)] from it."""
    import cv2
    import numpy as np
    from clips.render import Shoot
    rate, largest = max(r for _, r, _ in clips), max(n for _, _, n in clips)
    p, moving = plan(golfer, seconds, rate, largest)
    shoot = Shoot(p)
    rng = np.random.default_rng(p["seed"])
    grain = {n: (NOISE * rng.normal(0, 1, (SIZES[n][1] + 64, SIZES[n][0] + 64, 3))).astype(np.int16) for _, _, n in clips}
    writing = []
    for file, r, n in clips:
        part = file.with_name(f".{os.getpid()}.{file.name}")
        writing.append((file, part, rate // r, n, encoder(part, n, r)))
    last = None
    for k in range(seconds * rate):
        step = rate // next((d for a, b, d in moving if a <= k / rate <= b), STILL_RATE)
        if k // step * step != last:
            last = k // step * step
            picture = shoot.frame(last)
            scaled = {n: picture if n == largest else cv2.resize(picture, SIZES[n], interpolation=cv2.INTER_AREA) for n in grain}
        for _, _, each, n, pipe in writing:
            if k % each == 0:
                y, x = rng.integers(0, 64, 2)
                w, h = SIZES[n]
                pipe.stdin.write(cv2.add(scaled[n], grain[n][y:y + h, x:x + w], dtype=cv2.CV_8U).data)
    for file, part, _, _, pipe in writing:
        pipe.stdin.close()
        if pipe.wait():
            raise SystemExit(f"bench: ffmpeg failed on {file.name}")
        part.replace(file)


def repeat(file, source, times):
    """Writes `file`: what lies between the walks of `source`, `times` times, not coded anew."""
    part, stay = (file.with_name(f".{os.getpid()}.{what}.mp4") for what in ("part", "stay"))
    copy = lambda given, out: subprocess.run(["ffmpeg", "-v", "error", "-y", *map(str, given), "-c", "copy", str(out)], check=True)
    copy(["-ss", STAYS[0], "-i", source, "-t", STAYS[1] - STAYS[0]], stay)
    copy(["-stream_loop", times - 1, "-i", stay], part)
    stay.unlink()
    part.replace(file)


def main():
    folder, names = Path(sys.argv[1]), sys.argv[2:]
    folder.mkdir(parents=True, exist_ok=True)
    jobs, several = {}, [n for n in names if "swings" in n]
    source = name(0, lines=1080)
    for clip in dict.fromkeys([n for n in names if n not in several] + [source] * bool(several)):
        if not (folder / clip).exists():
            golfer, seconds, rate, lines = parsed(clip)
            jobs.setdefault((golfer, seconds), []).append((folder / clip, rate, lines))
    for (golfer, seconds), clips in jobs.items():
        print(f"rendering {', '.join(file.name for file, _, _ in clips)}", file=sys.stderr, flush=True)
        make(golfer, seconds, clips)
    for clip in several:
        if not (folder / clip).exists():
            repeat(folder / clip, folder / source, int(clip.split("-")[1].removesuffix("swings")))


if __name__ == "__main__":
    main()
