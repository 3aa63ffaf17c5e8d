"""Sound tracks for rendered clips, and what the program hears of them.

A strike: a burst of noise that sets in within half a millisecond and falls by a factor of e in 3 to 8 ms, with an echo 18 to 26 dB
below that falls in 60 to 150 ms. Around it wind (noise falling by 6 dB an octave), a voice (buzz through formants, in syllables),
strikes of neighbours, steps. Levels, offsets between sound and picture, and the shape of a strike are assumptions: no recording was at
hand. What is right here is right of this sound alone.
"""

import re
import subprocess
import sys
from pathlib import Path

import numpy as np

import night

RATE = 48_000


def burst(rng, seconds=0.5):
    """A strike's sound, largest value about 1."""
    t = np.arange(int(seconds * RATE)) / RATE
    noise = rng.standard_normal(len(t))
    direct = np.minimum(t / 0.0005, 1.0) * np.exp(-t / rng.uniform(0.003, 0.008))
    echo = 10 ** (-rng.uniform(18, 26) / 20) * np.exp(-t / rng.uniform(0.06, 0.15)) * (t > 0.008)
    return noise * (direct + echo) / 2.5


def wind(rng, n):
    """Noise falling by 6 dB an octave, in gusts; root mean square 1."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    spectrum /= np.maximum(np.fft.rfftfreq(n, 1 / RATE), 30)
    gusts = 0.5 + 0.5 * np.sin(2 * np.pi * rng.uniform(0.2, 0.6) * np.arange(n) / RATE + rng.uniform(0, 6))
    noise = np.fft.irfft(spectrum, n) * gusts
    return noise / np.sqrt(np.mean(noise**2))


def voice(rng, n):
    """Syllables of a buzz and of breath through three formants; largest root mean square of a syllable 1."""
    t = np.arange(n) / RATE
    out = np.zeros(n)
    at = rng.uniform(0, 0.3)
    while at < n / RATE:
        long = rng.uniform(0.08, 0.3)
        inside = (t >= at) & (t < at + long)
        k = int(inside.sum())
        if k > 100:
            pitch = rng.uniform(90, 220)
            source = np.sign(np.sin(2 * np.pi * pitch * t[:k])) * 0.5 + rng.uniform(0, 1) * rng.standard_normal(k)
            f = np.fft.rfftfreq(k, 1 / RATE)
            shape = sum(np.exp(-(((f - c) / w) ** 2)) for c, w in [(500, 200), (1500, 400), (rng.uniform(2500, 6000), 900)])
            piece = np.fft.irfft(np.fft.rfft(source) * shape, k)
            rise = np.minimum(1, np.minimum(np.arange(k), np.arange(k)[::-1]) / (rng.uniform(0.005, 0.03) * RATE))
            out[inside] = piece * rise / (np.sqrt(np.mean(piece**2)) + 1e-9)
        at += long + rng.uniform(0.03, 0.5)
    return out


def put(track, sound, at, loud):
    i = int(at * RATE)
    if 0 <= i < len(track):
        k = min(len(sound), len(track) - i)
        track[i : i + k] += loud * sound[:k]


def track(rng, seconds, impacts):
    """A clip's sound with strikes at these moments (seconds); and how much later than the picture it comes."""
    n = int(seconds * RATE)
    late = rng.normal(0, 0.025) + 0.003 * rng.uniform(3, 9)
    out = 10 ** (-rng.uniform(34, 60) / 20) * wind(rng, n)
    if rng.random() < 0.5:
        out += 10 ** (-rng.uniform(24, 44) / 20) * voice(rng, n)
    own = 10 ** (-rng.uniform(2, 18) / 20)
    for _ in range(rng.poisson(seconds / 6)):
        put(out, burst(rng), rng.uniform(0, seconds), own * 10 ** (-rng.uniform(4, 24) / 20))
    for at in impacts:
        put(out, burst(rng), at + late, own)
    return np.clip(out, -1, 1), late


def impacts_of(truth):
    swings = truth.get("swings") or [truth]
    found = [s["events"]["impact"] for s in swings if isinstance(s, dict) and s.get("kind", "full") == "full" and s.get("events", {}).get("impact") is not None]
    return [i["time_s"] if isinstance(i, dict) else i for i in found]


def mux(clip, sound, to, rng):
    raw = (sound * 32767).astype("<i2").tobytes()
    rate = str(rng.choice([16, 24, 48, 96]) * 1000)
    command = ["ffmpeg", "-v", "error", "-y", "-i", str(clip), "-f", "s16le", "-ar", str(RATE), "-ac", "1", "-i", "-", "-map", "0:v", "-map", "1:a"]
    command += ["-c:v", "copy", "-c:a", "aac", "-b:a", rate, str(to)]
    subprocess.run(command, input=raw, check=True)


def main():
    out, worlds = Path(sys.argv[1]), [Path(p) for p in sys.argv[2:]]
    inbox, told = out / "inbox", {}
    for world, folder in night.clips(worlds):
        impacts = impacts_of(night.truth_of(folder))
        command = ["ffprobe", "-v", "error", "-show_entries", "format=duration", "-of", "csv=p=0", str(folder / "clip.mp4")]
        seconds = float(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
        for kind in ["strike", "other"]:
            rng = np.random.default_rng([len(told), 20261128])
            sound, late = track(rng, seconds, impacts if kind == "strike" else [])
            place = inbox / f"{world.name}-{folder.name}-{kind}" / "clip.mp4"
            place.parent.mkdir(parents=True, exist_ok=True)
            mux(folder / "clip.mp4", sound, place, rng)
            told[place.parent.name] = (world.name, kind, impacts, late)
    counts = {}
    for name, (report, _) in night.run(inbox, out).items():
        world, kind, impacts, late = told[name]
        for swing in report["swings"]:
            impact = swing["events"]["impact"]
            if impact is None:
                continue
            near = [i for i in impacts if abs(i - impact["time_s"]) < 0.3]
            heard = re.search(r"strike is heard at ([0-9.]+) s", swing["strike"]["because"])
            c = counts.setdefault((world, kind), dict(swings=0, right=0, wrong=0, errors=[]))
            c["swings"] += 1
            if heard and kind == "strike" and near:
                error = float(heard[1]) - near[0] - late
                c["right" if abs(error) < 0.012 else "wrong"] += 1
                c["errors"].append(error)
            elif heard:
                c["wrong"] += 1
    for (world, kind), c in sorted(counts.items()):
        off = f", median off {np.median(np.abs(c['errors'])) * 1000:.1f} ms" if c["errors"] else ""
        print(f"{world} {kind}: {c['swings']} swings, right {c['right']}, wrong {c['wrong']}{off}")


if __name__ == "__main__":
    main()
