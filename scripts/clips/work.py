"""One clip as a job. In a module of its own: a spawned process imports no package's __main__."""
import time


def work(job):
    from .render import render
    plan, out = job
    start = time.perf_counter()
    n = render(plan, out)
    seconds = time.perf_counter() - start
    each = f", {n} frames, {seconds:.1f} s, {seconds / n:.3f} s a frame" if n else ", there already"
    return f"{plan['name']}{each} [{' '.join(plan['tags'])}]"
