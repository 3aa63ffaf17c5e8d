"""The accuracy page: one HTML file with plots drawn as SVG."""
import html
import math

W, H, PAD = 300, 220, 34
STYLE = """body{font:15px/1.5 system-ui,sans-serif;margin:2rem auto;max-width:72rem;padding:0 1rem;color:#1c1f22}
table{border-collapse:collapse}td,th{padding:.15rem .7rem;text-align:right;border-bottom:1px solid #ddd}td:first-child,th:first-child{text-align:left}
figure{display:inline-block;margin:.6rem}figcaption{font-size:13px;max-width:300px}.no{color:#a30}svg text{font-size:10px;fill:#555}"""


def axis(values, pad=0.08):
    low, high = min(values), max(values)
    span = (high - low) or 1.0
    return low - pad * span, high + pad * span


def plot(title, points, xlabel, ylabel, lines=(), bars=None):
    """Scatter of (x, y); horizontal or diagonal `lines` (label, function); `bars` vertical (x, low, high)."""
    if not points:
        return ""
    (x0, x1), (y0, y1) = axis([p[0] for p in points]), axis([p[1] for p in points] + [v for b in bars or () for v in b[1:]])
    px = lambda x: PAD + (x - x0) / (x1 - x0) * (W - PAD - 8)
    py = lambda y: H - PAD - (y - y0) / (y1 - y0) * (H - PAD - 8)
    s = [f'<svg viewBox="0 0 {W} {H}" width="{W}" height="{H}" role="img" aria-label="{html.escape(title)}">']
    s.append(f'<path d="M{PAD} 8V{H - PAD}H{W - 8}" fill="none" stroke="#888"/>')
    for i in range(5):
        x, y = x0 + (x1 - x0) * i / 4, y0 + (y1 - y0) * i / 4
        s.append(f'<text x="{px(x):.0f}" y="{H - PAD + 12}" text-anchor="middle">{x:.3g}</text><text x="{PAD - 3}" y="{py(y) + 3:.0f}" text-anchor="end">{y:.3g}</text>')
    for b in bars or ():
        s.append(f'<path d="M{px(b[0]):.1f} {py(b[1]):.1f}V{py(b[2]):.1f}" stroke="#c98a1b" opacity=".45"/>')
    for _, f in lines:
        s.append(f'<path d="M{px(x0):.1f} {py(f(x0)):.1f}L{px(x1):.1f} {py(f(x1)):.1f}" stroke="#333" stroke-dasharray="4 3"/>')
    s += [f'<circle cx="{px(x):.1f}" cy="{py(y):.1f}" r="2.4" fill="#7a4d00" opacity=".7"/>' for x, y in points]
    s.append(f'<text x="{W / 2:.0f}" y="{H - 4}" text-anchor="middle">{html.escape(xlabel)}</text><text x="4" y="10">{html.escape(ylabel)}</text></svg>')
    return f"<figure>{''.join(s)}<figcaption>{html.escape(title)}</figcaption></figure>"


def roc(scores):
    points = []
    for cut in sorted(set(scores["bad"] + scores["fine"]), reverse=True) + [-math.inf]:
        hit = sum(s >= cut for s in scores["bad"]) / max(1, len(scores["bad"]))
        false = sum(s >= cut for s in scores["fine"]) / max(1, len(scores["fine"]))
        points.append((false, hit))
    return points


def write(path, result, targets, errors):
    e = html.escape
    out = [f"<!doctype html><html lang=en><meta charset=utf-8><title>Accuracy</title><style>{STYLE}</style><h1>Accuracy on rendered clips</h1>"]
    out.append(f"<p>{result['clips']} clips ({e(result['split'])}), {result['face_on']} of them face-on; model {e(result['model'])}. Rendered golfers, exact truth.</p><h2>Targets</h2><table>")
    for what, ours, holds in targets:
        out.append(f"<tr><td>{'✓' if holds else '<b class=no>✗ missed</b>'} {e(what)}<td>{e(ours)}")
    out.append("</table><h2>Metrics</h2><table><tr><th>metric<th>n<th>bias<th>median<th>p95<th>coverage<th>half-width<th>null")
    for m in result["metrics"]:
        out.append(f"<tr><td>{e(m['metric'])}<td>{m['n']}<td>{m['bias']:+.3f}<td>{m['median']:.3f}<td>{m['p95']:.3f}<td>{m['coverage']:.1%}<td>{m['half_width']:.2f}<td>{m['null']:.0%}")
    out.append("</table><h2>Events</h2><table><tr><th>event<th>n<th>within tolerance<th>median ms<th>missing")
    for v in result["events"]:
        out.append(f"<tr><td>{e(v['event'])}<td>{v['n']}<td>{v['within']:.1%} ({v['interval'][0]:.0%}–{v['interval'][1]:.0%})<td>{v['median_ms'] or 0:.1f}<td>{v['missing']:.0%}")
    out.append("</table><h2>Plots</h2>")
    for f in result["faults"]:
        out.append(plot(f"{f['fault']}: ROC, area {f['auc']:.3f}", roc(f["scores"]), "1 - specificity", "sensitivity"))
    for name, got in errors.items():
        if not got:
            continue
        pts = [(g["true"], g["ours"] - g["true"]) for g in got]
        mean = sum(p[1] for p in pts) / len(pts)
        sd = math.sqrt(sum((p[1] - mean) ** 2 for p in pts) / max(1, len(pts) - 1))
        out.append(plot(f"{name}: error against true value, with 95 % intervals", pts, "true", "ours - true", [("zero", lambda x: 0.0)],
                        [(g["true"], g["low"] - g["true"], g["high"] - g["true"]) for g in got]))
        out.append(plot(f"{name}: Bland–Altman, mean {mean:+.2f}, limits {mean - 1.96 * sd:+.2f} to {mean + 1.96 * sd:+.2f}",
                        [((g["ours"] + g["true"]) / 2, g["ours"] - g["true"]) for g in got], "mean of ours and true", "ours - true",
                        [("m", lambda x: mean), ("l", lambda x: mean - 1.96 * sd), ("h", lambda x: mean + 1.96 * sd)]))
    out.append("<h2>By group</h2><table><tr><th>group<th>clips<th>trail hip median / p95<th>pelvis<th>bow")
    cell = lambda m: "–" if not m else f"{m['median']:.2f} / {m['p95']:.2f}"
    for g in result["groups"]:
        out.append(f"<tr><td>{e(g['group'])}: {e(g['value'])}<td>{g['clips']}<td>{cell(g['trail_hip_travel_cm'])}<td>{cell(g['pelvis_travel_cm'])}<td>{cell(g['lead_elbow_bow_late_upper_arms'])}")
    out.append("</table>")
    path.write_text("".join(out))
