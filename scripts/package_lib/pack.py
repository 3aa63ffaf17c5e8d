#!/usr/bin/env python3
"""Packs the built programs, models and ONNX Runtime; standard library, dpkg-dev and cargo.   usage: pack.py FOLDER PROGRAMS

The same commit and the same built files give the same bytes: every time is that of the last commit, order, owners and modes are fixed.
"""
import gzip, hashlib, json, os, platform, shutil, subprocess, sys, tempfile, tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
LIB = ROOT / "scripts/package_lib"
PROGRAMS = Path(sys.argv[2]).resolve()
sys.path.insert(0, str(ROOT / "scripts"))
import fetch_models  # noqa: E402


def told(*command, **kw):
    return subprocess.run(list(map(str, command)), check=True, stdout=subprocess.PIPE, text=True, **kw).stdout.strip()


def put(text, path):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text if isinstance(text, bytes) else text.encode())


def copy(source, path):
    put(Path(source).read_bytes(), path)


def crates():
    """Every crate that the programs are made of (not those that only tests or the build use), with its licence files."""
    host = next(l.split(": ")[1] for l in told("rustc", "-vV").splitlines() if l.startswith("host"))
    meta = json.loads(told("cargo", "metadata", "--locked", "--format-version", "1", "--filter-platform", host, cwd=ROOT))
    nodes = {n["id"]: n for n in meta["resolve"]["nodes"]}
    todo, seen = [meta["resolve"]["root"]], set()
    while todo:
        one = todo.pop()
        if one not in seen:
            seen.add(one)
            todo += [d["pkg"] for d in nodes[one]["deps"] if any(k["kind"] is None for k in d["dep_kinds"])]
    found = [p for p in meta["packages"] if p["id"] in seen and p["id"] != meta["resolve"]["root"]]
    return sorted(found, key=lambda p: (p["name"], p["version"]))


def crate_notices():
    lines, texts = [], {}
    for p in crates():
        lines.append(f"{p['name']} {p['version']}: {p['license'] or 'see its licence file'}")
        for f in sorted(Path(p["manifest_path"]).parent.iterdir()):
            if f.is_file() and f.name.upper().startswith(("LICENSE", "LICENCE", "COPYING", "COPYRIGHT", "NOTICE", "UNLICENSE")):
                texts.setdefault(f.read_text(errors="replace").strip(), []).append(f"{p['name']} {p['version']} ({f.name})")
    head = "Rust crates in the programs: name, version, licence.\n\n" + "\n".join(lines) + "\n"
    parts = [f"{'=' * 100}\n{', '.join(who)}\n{'-' * 100}\n{text}\n" for text, who in texts.items()]
    return head + "\nTheir licence files, each text once.\n\n" + "\n".join(parts)


def runtime_notices(manifest):
    """Licence and notices of ONNX Runtime, out of its package as pinned; kept in target/package."""
    kept = ROOT / "target/package"
    names = ["onnxruntime/LICENSE", "onnxruntime/ThirdPartyNotices.txt"]
    runtime = next(r for r in manifest["runtime"] if r["machine"] == platform.machine())
    package = next(p for p in manifest["package"] if p["id"] == runtime["package"])
    files = [kept / f"{package['sha256'][:16]}-{Path(n).name}" for n in names]
    if not all(f.exists() for f in files):
        with tempfile.TemporaryDirectory() as folder:
            archive = fetch_models.fetch(package, Path(folder))
            for name, file in zip(names, files):
                fetch_models.unpack(archive, name, file)
    return {Path(n).name: f.read_bytes() for n, f in zip(names, files)}


def notices(manifest):
    pose = next(p for p in manifest["package"] if p["id"] == "pose")
    runtime = manifest["runtime"][0]
    return f"""What is in this package, and under which licence

dawnsheet                 MIT OR Apache-2.0, at your option: LICENSE-MIT, LICENSE-APACHE
Rust crates, compiled in  RUST-CRATES.txt, each with its licence; SQLite, compiled in by one of them, is in the public domain
lib/dawnsheet/models/*.onnx
                          Apache-2.0 (LICENSE-APACHE): BlazePose models of Google's MediaPipe project, from the npm package
                          {pose['name']} {pose['version']}. Changed: converted to ONNX. manifest.toml beside them has their hashes
lib/dawnsheet/models/{runtime['file']}
                          MIT: onnxruntime/LICENSE, onnxruntime/ThirdPartyNotices.txt; ONNX Runtime {runtime['version']}

Not in this package, but used from the system when the program runs: OpenCV (Apache-2.0), FFmpeg's libraries and ffprobe. The
package only depends on them. Debian builds FFmpeg with parts under the GNU General Public License (libx264 among them, which
libavcodec loads): the GPL then applies to FFmpeg as installed, and to whoever hands out program and those libraries as one
work. Their texts are in /usr/share/doc/*/copyright of the system.
"""


def tree(top, version, manifest):
    """The files of both archives, below `top`: bin, lib, share."""
    home, share = top / "lib/dawnsheet", top / "share"
    doc = share / "doc/dawnsheet"
    for name in ("dawnsheet", "dawnsheet-worker"):
        copy(PROGRAMS / name, home / name)
        # symbols help nobody who has no sources; a crash still names its place
        told("strip", "--strip-unneeded", home / name)
    (top / "bin").mkdir()
    (top / "bin/dawnsheet").symlink_to("../lib/dawnsheet/dawnsheet")
    runtime = next(r for r in manifest["runtime"] if r["machine"] == platform.machine())
    for file in [runtime, *manifest["model"]]:
        if fetch_models.sha256(ROOT / "models" / file["file"]) != file["sha256"]:
            sys.exit(f"package: models/{file['file']} is not the pinned file: run scripts/setup")
        copy(ROOT / "models" / file["file"], home / "models" / file["file"])
    copy(ROOT / "models/manifest.toml", home / "models/manifest.toml")
    copy(ROOT / "models/README.md", doc / "models.md")
    for name in ("README.md", "LICENSE-MIT", "LICENSE-APACHE"):
        copy(ROOT / name, doc / name)
    put(notices(manifest), doc / "copyright")
    put(crate_notices(), doc / "RUST-CRATES.txt")
    for name, text in runtime_notices(manifest).items():
        put(text, doc / "onnxruntime" / name)
    for unit in ("dawnsheet.service", "dawnsheet.timer"):
        copy(LIB / unit, share / "systemd/user" / unit)
    with tempfile.TemporaryDirectory() as folder:
        told(PROGRAMS / "dawnsheet", "manual", folder)
        for f in Path(folder).iterdir():
            if f.suffix == ".1":
                put(gzip.compress(f.read_bytes(), 9, mtime=0), share / "man/man1" / (f.name + ".gz"))
        copy(Path(folder) / "dawnsheet.bash", share / "bash-completion/completions/dawnsheet")
        copy(Path(folder) / "_dawnsheet", share / "zsh/vendor-completions/_dawnsheet")
        copy(Path(folder) / "dawnsheet.fish", share / "fish/vendor_completions.d/dawnsheet.fish")


def no_paths_of_here(top):
    """Nothing that was made here names a folder of this machine: exit 1, naming file and path, where something does. Models and
    ONNX Runtime were made elsewhere and are pinned by hash."""
    home = Path.home()
    rust = told("rustc", "--print", "sysroot")
    places = {str(p) for p in (ROOT, PROGRAMS, os.environ.get("CARGO_HOME", home / ".cargo"), rust, home / ".rustup")}
    # a user's home says who it was; the bare name of root's says nothing, and is a word of many texts
    places |= {f"{home}/"}
    made = [p for p in sorted(top.rglob("*")) if p.is_file() and not p.is_symlink() and top / "lib/dawnsheet/models" not in p.parents]
    found = [(path.relative_to(top), place) for path in made
             for content in [readable(path)] for place in sorted(places) if place.encode() in content]
    for path, place in found:
        print(f"package: {path} names {place}", file=sys.stderr)
    if found:
        sys.exit(1)


def readable(path):
    return gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()


def fixed(top, epoch):
    """Modes and times that do not depend on who packs, or when."""
    for path in [top, *sorted(top.rglob("*"))]:
        if not path.is_symlink():
            program = path.is_dir() or path.parent.name == "dawnsheet" and path.name in ("dawnsheet", "dawnsheet-worker") \
                and path.parent.parent.name == "lib"
            path.chmod(0o755 if program else 0o644)
        os.utime(path, (epoch, epoch), follow_symlinks=False)


def depends(usr, work):
    """The system's packages that the programs and ONNX Runtime need, as dpkg-shlibdeps finds them."""
    put("Source: dawnsheet\n\nPackage: dawnsheet\nArchitecture: any\n", work / "debian/control")
    home = usr / "lib/dawnsheet"
    files = [home / "dawnsheet", home / "dawnsheet-worker", *home.glob("models/runtime/*")]
    found = told("dpkg-shlibdeps", "-O", *(f"-e{f}" for f in files), cwd=work, stderr=subprocess.DEVNULL)
    return found.removeprefix("shlibs:Depends=") + ", ffmpeg"


def main():
    out = Path(sys.argv[1]).resolve()
    out.mkdir(parents=True, exist_ok=True)
    for old in out.iterdir():
        if old.name == "Containerfile" or old.name.startswith("dawnsheet"):
            old.unlink()
    version = tomllib.loads((ROOT / "Cargo.toml").read_text())["package"]["version"]
    manifest = tomllib.loads((ROOT / "models/manifest.toml").read_text())
    epoch = int(told("git", "log", "-1", "--format=%ct", cwd=ROOT))
    machine, arch = platform.machine(), told("dpkg", "--print-architecture")
    release = platform.freedesktop_os_release()["VERSION_ID"]
    env = os.environ | {"SOURCE_DATE_EPOCH": str(epoch), "LC_ALL": "C", "TZ": "UTC"}
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        top = work / f"dawnsheet-{version}-debian{release}-{machine}"
        root = work / "root"
        (root / "DEBIAN").mkdir(parents=True)
        top.mkdir()
        tree(top, version, manifest)
        shutil.copytree(top, root / "usr", symlinks=True)
        # the archive is meant for a home's .local: there systemd finds the units, and they the program
        unit = top / "share/systemd/user/dawnsheet.service"
        put(unit.read_text().replace("/usr/bin/", "%h/.local/bin/"), unit)
        needs = depends(root / "usr", work)
        put(f"For Debian {release}. These packages of the system are needed:\n\n  {needs}\n\n"
            f"Unpack anywhere, for example: tar -xf {top.name}.tar.gz -C ~/.local --strip-components=1\n",
            top / "share/doc/dawnsheet/INSTALL")
        no_paths_of_here(top)
        fixed(top, epoch)
        with open(out / f"{top.name}.tar.gz", "wb") as target:
            tar = subprocess.Popen(["tar", "--sort=name", "--format=gnu", "--owner=0", "--group=0", "--numeric-owner", "-C", work,
                                    "-cf", "-", top.name], stdout=subprocess.PIPE, env=env)
            # weights hardly shrink: a stronger packer takes twenty times as long for little
            subprocess.run(["gzip", "-6n"], stdin=tar.stdout, stdout=target, check=True, env=env)
            if tar.wait():
                sys.exit("package: tar failed")
        files = sorted(p for p in (root / "usr").rglob("*") if p.is_file() and not p.is_symlink())
        size = sum(-(-p.stat().st_size // 1024) for p in files)
        put(f"Package: dawnsheet\nVersion: {version}\nArchitecture: {arch}\nMaintainer: the dawnsheet developers <nobody@localhost>\n"
            f"Section: video\nPriority: optional\nInstalled-Size: {size}\nDepends: {needs}\n"
            "Description: looks over students' golf-swing videos overnight, for their coach\n"
            " Measures sway, chicken wing and a few things beside them, and shows in the morning the\n"
            " few clips that need a human eye. Everything stays on this machine.\n", root / "DEBIAN/control")
        sums = "".join(f"{hashlib.md5(p.read_bytes()).hexdigest()}  {p.relative_to(root)}\n" for p in files)
        put(sums, root / "DEBIAN/md5sums")
        fixed(root, epoch)
        told("dpkg-deb", "-Zgzip", "--root-owner-group", "--build", root,
             out / f"dawnsheet_{version}_debian{release}_{arch}.deb", env=env)
    deb = f"dawnsheet_{version}_debian{release}_{arch}.deb"
    recipe = (LIB / "Containerfile").read_text().replace("@RELEASE@", release).replace("@DEB@", deb)
    put(recipe, out / "Containerfile")
    for f in sorted(out.iterdir()):
        print(f"{f.stat().st_size / 1e6:8.1f} MB  {fetch_models.sha256(f)}  {f.name}")


main()
