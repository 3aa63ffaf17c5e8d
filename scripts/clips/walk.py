"""Walking in before the swing and away after it, for plans with a `walk`: {"arrive", "home", "leave"} in seconds.

Until `arrive` the golfer comes in along the target line, from `home` on goes back to how they stood at address, and from
`leave` on walks away. The body walks in place along its own Z; `travel` then turns and carries the whole figure.
"""
import numpy as np

STRIDE, STEP_SECONDS = 0.45, 0.55  # metres, seconds of one step
SPEED = STRIDE / STEP_SECONDS
EASE = 0.5  # seconds in which a walk begins or ends
LIFT = 0.07  # metres that a swinging foot is lifted
UPRIGHT = {"neck_z": -0.02, "head_pitch": np.radians(8.0)}  # neck: metres ahead of the pelvis


def ramp(t, start, length):
    s = np.clip((t - start) / length, 0, 1)
    return s * s * (3 - 2 * s)


def _walked(u):
    """Metres in `u` seconds from standing."""
    u = np.maximum(u, 0)
    return SPEED * np.where(u < EASE, u * u / (2 * EASE), u - EASE / 2)


def _share(t, walk):
    """1 while walking, 0 while standing."""
    return 1 - ramp(t, walk["arrive"] - EASE, EASE) + ramp(t, walk["leave"], EASE)


def add(curves, address, walk, rate):
    """Changes the parameter curves and adds the feet's steps."""
    t = np.arange(len(curves["pelvis_x"])) / rate
    back = ramp(t, walk["home"], 0.8)
    for name, c in curves.items():
        w = back.reshape((-1,) + (1,) * (c.ndim - 1))
        curves[name] = c * (1 - w) + address[name][0] * w
    share = _share(t, walk)
    upright = {"neck_z": curves["pelvis_z"] + UPRIGHT["neck_z"], "head_pitch": UPRIGHT["head_pitch"]}
    for name, goal in upright.items():
        curves[name] = curves[name] * (1 - share) + goal * share
    way = _walked(t - walk["leave"]) - _walked(walk["arrive"] - t)
    for side, phase in (("L", 0.5), ("R", 1.5)):
        u = (way / STRIDE + phase) % 2
        swing = np.clip(u - 1, 0, 1)
        along = np.where(u < 1, 0.5 - u, -0.5 + swing * swing * (3 - 2 * swing)) * STRIDE
        curves[f"step.{side}"] = share[:, None] * np.stack([0 * u, LIFT * np.sin(np.pi * swing), along], 1)
    return curves


def travel(joints, rot, trans, walk, rate):
    """Turns and carries the posed figure: (joints, rotations, translations)."""
    from .skeleton import Y, about
    t = np.arange(len(rot)) / rate
    r = about(Y, np.pi / 2 * _share(t, walk))
    x = _walked(t - walk["leave"]) - _walked(walk["arrive"] - t)
    shift = np.stack([x, 0 * x, 0 * x], 1)
    return ({k: np.einsum("tij,tj->ti", r, v) + shift for k, v in joints.items()}, r[:, None] @ rot,
            np.einsum("tij,tbj->tbi", r, trans) + shift[:, None])
