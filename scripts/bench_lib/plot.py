"""out/bench.png: clips an hour by row, and seconds against length and number of clips."""
import matplotlib

matplotlib.use("Agg")
from matplotlib import pyplot


def bars(axis, title, g):
    table = {name: r["clips_per_hour"] for name, r in g["rows"].items() if "clips_per_hour" in r}
    median = [r["median"] for r in table.values()]
    error = [[r["median"] - r["least"] for r in table.values()], [r["most"] - r["median"] for r in table.values()]]
    colours = ["#1f6f50" if name.startswith("ours") else "#9a9a9a" for name in table]
    axis.barh(list(table), median, xerr=error, color=colours, ecolor="#333333", capsize=2)
    axis.invert_yaxis()
    axis.set_title(f"{title}: clips an hour, median, least to most", fontsize=9)


def lines(axis, title, found):
    for row, f in found.items():
        axis.plot(f["x"], f["seconds"], marker="o", label=f"{row}, exponent {f['exponent']:.2f}")
    axis.set(xlabel=next(iter(found.values()))["unit"], ylabel="seconds", ylim=(0, None), xlim=(0, None))
    axis.set_title(f"growth with {title}", fontsize=9)
    axis.legend(fontsize=7)


def draw(kept, path):
    panels = [(bars, f"{name}, {group}", g) for name in ("sixty", "rates", "given") for group, g in kept["results"].get(name, {}).items()]
    panels += [(lines, name, found) for name, found in kept["growth"].items() if found]
    if not panels:
        return
    figure, axes = pyplot.subplots(len(panels), 1, figsize=(8, 2.6 * len(panels)), squeeze=False, layout="constrained")
    for axis, (how, title, what) in zip(axes[:, 0], panels):
        how(axis, title, what)
        axis.tick_params(labelsize=7)
    figure.savefig(path, dpi=110)
    pyplot.close(figure)
