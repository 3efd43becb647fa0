"""One table of time and error for landfit and the plain OpenCV route on the same pictures, both on one core.

Times are compute alone: without start-up, without reading and decoding the picture, best of several runs in one process each.
Errors are against the truth of the rendered picture: of the offset at the pattern's centre, and of the site that suffers most.

usage: compare.py --landfit PROGRAM [--runs N] FOLDER…
"""

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np

import plain_opencv

HERE = Path(__file__).parent
ONE_CORE = os.environ | {"RAYON_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


def main():
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--landfit", required=True, help="the example time_align")
    options.add_argument("--runs", type=int, default=7)
    options.add_argument("folders", nargs="+", type=Path)
    args = options.parse_args()

    routes = {
        "OpenCV, careful": lambda scene: peer(scene, args.runs, []),
        "OpenCV, quick": lambda scene: peer(scene, args.runs, ["--quick"]),
        "landfit": lambda scene: landfit(scene, args.runs, args.landfit),
    }
    scenes = [scene for folder in args.folders for scene in scenes_of(folder)]
    if not scenes:
        sys.exit("no pictures with part.toml, bench.toml and truth in these folders")
    print(f"machine: {processor()}, {os.cpu_count()} cores seen, one used (load {os.getloadavg()[0]:.1f}); OpenCV {cv2.__version__}, numpy {np.__version__}")
    print(f"{'picture':<28}" + "".join(f"{name:>34}" for name in routes))
    print(f"{'':<28}" + f"{'ms   centre µm (px)  worst µm':>34}" * len(routes))
    results = {name: [] for name in routes}
    problems = []
    for scene in scenes:
        cells = []
        for name, route in routes.items():
            answer = route(scene)
            if isinstance(answer, str):
                problems.append(f"{scene['name']}, {name}: {answer}")
                cells.append("no answer")
                continue
            ms, centre_um, worst_um = answer["ms"], *errors_um(scene, answer["offset"])
            results[name].append((ms, centre_um, worst_um))
            cells.append(cell(ms, centre_um, worst_um, scene["um_per_px"]))
        print(f"{scene['name']:<28}" + "".join(f"{text:>34}" for text in cells))
    medians = {name: [statistics.median(column) for column in zip(*rows)] for name, rows in results.items() if rows}
    um_per_px = statistics.median(scene["um_per_px"] for scene in scenes)
    print(f"{'median':<28}" + "".join(f"{cell(*medians[name], um_per_px) if name in medians else '':>34}" for name in routes))
    if "landfit" in medians:
        for name in medians.keys() - {"landfit"}:
            times, centre, worst = (a / b for a, b in zip(medians[name], medians["landfit"]))
            print(f"{name} over landfit: time x {times:.1f}, centre error x {centre:.2f}, worst error x {worst:.2f}")
    for problem in problems:
        print(problem)
    sys.exit(0 if len(results["landfit"]) == len(scenes) else 1)


def cell(ms, centre_um, worst_um, um_per_px):
    return f"{ms:.1f}   {centre_um:.3f} ({centre_um / um_per_px:.4f})  {worst_um:.3f}"


def scenes_of(folder):
    """Every picture of a folder with the part, bench and truth that belong to it: NAME.truth.json, or truth.json for all."""
    for picture in sorted(folder.glob("*.png")):
        kinds = ("part.toml", "bench.toml", "truth.json")
        beside = {kind: next((p for p in (picture.with_suffix(f".{kind}"), folder / kind) if p.is_file()), None) for kind in kinds}
        if None in beside.values():
            continue
        truth = json.loads(beside["truth.json"].read_text())
        truth = truth.get(picture.name, truth)
        if "offset" not in truth:
            continue
        bench, part = plain_opencv.read_toml(beside["bench.toml"]), plain_opencv.read_toml(beside["part.toml"])
        scale = np.sqrt(abs(np.linalg.det(np.array(bench["view"][0]["px_from_mm"], float)[:2, :2])))
        yield {
            "name": (folder.name if picture.stem == "picture" else f"{folder.name}/{picture.stem}")[-27:],
            "files": [str(picture), "--part", str(beside["part.toml"]), "--bench", str(beside["bench.toml"])],
            "truth": pose(truth["offset"]),
            "sites": plain_opencv.grid_sites(part["grid"]),
            "um_per_px": 1000 / scale,
        }


def pose(offset):
    return offset["x_mm"], offset["y_mm"], np.radians(offset["theta_deg"])


def errors_um(scene, offset):
    (x, y, theta), (xt, yt, tt) = pose(offset), scene["truth"]
    sites = scene["sites"]
    off = sites @ (plain_opencv.rotation(theta) - plain_opencv.rotation(tt)).T + [x - xt, y - yt]
    return 1000 * np.hypot(x - xt, y - yt), 1000 * np.hypot(*off.T).max()


def peer(scene, runs, more):
    command = [sys.executable, str(HERE / "plain_opencv.py"), *scene["files"], "--runs", str(runs), *more]
    done = subprocess.run(command, capture_output=True, text=True, env=ONE_CORE)
    if done.returncode != 0:
        return done.stderr.strip().splitlines()[-1]  # the last line of a Python trace is the error itself
    answer = json.loads(done.stdout)
    return {"offset": answer["offset"], "ms": answer["time_ms"]["total"]}


def landfit(scene, runs, program):
    picture, _, part, _, bench = scene["files"]
    done = subprocess.run([program, str(runs), part, bench, picture], capture_output=True, text=True, env=ONE_CORE)
    try:
        answer = json.loads(done.stdout)
    except json.JSONDecodeError:
        return f"exit status {done.returncode}: " + " ".join(done.stderr.split())
    if answer["offset"] is None:
        return "no answer"
    return {"offset": answer["offset"], "ms": answer["time_ms"]["best"]}


def processor():
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
        return next(line.split(":", 1)[1].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        return platform.machine()


if __name__ == "__main__":
    main()
