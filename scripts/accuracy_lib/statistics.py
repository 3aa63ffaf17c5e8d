"""Intervals for shares and areas, after the published formulas."""
import math

import numpy as np


def wilson(hits, n, z=1.959964):
    """Wilson score interval (Newcombe 1998, method 3)."""
    if n == 0:
        return (0.0, 1.0)
    p = hits / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n)) / (1 + z * z / n)
    return max(0.0, middle - half), min(1.0, middle + half)


def auc(bad, fine):
    """Area under the ROC curve and its standard error (Hanley and McNeil 1982)."""
    bad, fine = np.asarray(bad, float), np.asarray(fine, float)
    if not len(bad) or not len(fine):
        return float("nan"), float("nan")
    area = float(np.mean((bad[:, None] > fine[None]) + 0.5 * (bad[:, None] == fine[None])))
    q1, q2 = area / (2 - area), 2 * area * area / (1 + area)
    variance = (area * (1 - area) + (len(bad) - 1) * (q1 - area**2) + (len(fine) - 1) * (q2 - area**2)) / (len(bad) * len(fine))
    return area, math.sqrt(max(variance, 0.0))


def sensitivity_at(bad, fine, specificity=0.95):
    """Largest share of `bad` over a cut that leaves at least `specificity` of `fine` at or under it."""
    cut = np.sort(np.asarray(fine, float))[max(0, math.ceil(specificity * len(fine)) - 1)]
    return float(np.mean(np.asarray(bad, float) > cut))


def tolerance(span_frames):
    """Frames by which an event may be off (GolfDB, McNally et al. 2019): max(round(span / 30), 1), half to even."""
    return max(round(span_frames / 30), 1)
