"""`landfit inspect` on plain pictures that a renderer of OpenCV's polygons makes, against what was drawn.

Parts of random drawings (quad and dual packages with leads and without, ball grids) seen at any turn and scale from 6 px a pitch up, a
little from the side, in uneven light, with blur, noise and JPEG's losses; traces run from a third of the lands, and printed letters, vias
and the packages' bodies lie about. In half of the pictures up to one site in twenty is absent. Nothing of landfit's own renderer is used.

An answer must put a centre at every site that was drawn, and nowhere else. With a drawing of one site more in each row it must not find
more sites than were drawn.

usage: check_inspect.py PROGRAM [-v] [COUNT [SEED]]     PROGRAM is the built landfit; -v names every picture that was not answered
"""

import json
import math
import pathlib
import subprocess
import sys
import tempfile
from collections import Counter

import cv2
import numpy as np

from part_files import outline, part_file, rotation
from tally import Tally

KINDS = ["qfp", "qfn", "so", "grid"]
# Of each kind so many are to be answered: the rest may be refused.
LEAST_ANSWERED = 0.9
FRACTION_BITS = 6
# What lies about keeps so far from every site; only traces run to them.
CLEAR_PX = 30


def drawing(rng, kind):
    """Arguments of `landfit part new`, and those of the same with one site more in each row."""
    pitch = rng.choice([0.4, 0.5, 0.65, 0.8])
    across, along = rng.integers(5, 28, 2)
    if rng.random() < 0.4:
        across = along

    def quad(size):
        def arguments(more):
            n, m = along + more, across + more
            return [kind, "--per-side", f"{n}x{m}", "--pitch", f"{pitch}", *size(n, m)]

        return arguments

    if kind == "qfp":
        build = quad(lambda n, m: ["--span", f"{pitch * (m + 1) + 3:.2f}x{pitch * (n + 1) + 3:.2f}"])
    elif kind == "qfn":
        exposed = rng.random() < 0.5

        def size(n, m):
            body = [pitch * (m + 2) + 0.6, pitch * (n + 2) + 0.6]
            pad = ["--exposed", f"{body[0] - 2.4:.2f}x{body[1] - 2.4:.2f}"] if exposed and min(body) > 3.5 else []
            return ["--body", f"{body[0]:.2f}x{body[1]:.2f}", *pad]

        build = quad(size)
    elif kind == "so":
        span = rng.choice([6.0, 7.6, 10.3])
        build = lambda more: [kind, "--leads", f"{2 * (along + more)}", "--pitch", f"{pitch}", "--span", f"{span}"]
    else:
        empty = ["--empty-corners", "1"] if rng.random() < 0.3 else []
        build = lambda more: [kind, "--rows", f"{along + more}", "--columns", f"{across + more}", "--pitch", f"{pitch}", *empty]
    return build(0), build(1)


def outlines(part, side):
    """Corners of every site's shape, mm, seen from above; centres likewise."""
    shapes, centres = zip(*(outline(site, "terminal" if side == "part" else "land") for site in part["site"]))
    return shapes, np.array(centres)


def camera(rng, centres, side, size):
    """A way of looking: px from mm seen from above."""
    middle = (centres.max(0) + centres.min(0)) / 2
    reach = np.linalg.norm(centres - middle, axis=1).max() + 1
    scale = 0.45 * min(size) / reach * rng.uniform(0.6, 1.0)
    turn = rng.uniform(-math.pi, math.pi) if rng.random() < 0.5 else rng.normal(0, 0.05) + rng.integers(4) * math.pi / 2
    tilt = rng.uniform(-1e-4, 1e-4, 2) if rng.random() < 0.5 else np.zeros(2)
    at = np.array(size) / 2 + rng.uniform(-0.05, 0.05, 2) * np.array(size)
    # An underside is seen mirrored; picture rows run down.
    flip = np.array([-1 if side == "part" else 1, 1])

    def px(points):
        q = ((np.atleast_2d(points) - middle) * flip) @ rotation(turn).T * scale * np.array([1, -1])
        return at + q / (1 + q @ tilt)[:, None]

    return px, scale


def fill(picture, points, value):
    cv2.fillPoly(picture, [np.round(points * 2**FRACTION_BITS).astype(np.int32)], float(value), cv2.LINE_8, FRACTION_BITS)


def trace_end(rng, centre, centres, pitch):
    """Where a trace from a land ends, mm: straight out at the border, midway between four lands inside."""
    low, high = centres.min(0), centres.max(0)
    for axis in range(2):
        if abs(centre[axis] - low[axis]) < 0.1 * pitch or abs(centre[axis] - high[axis]) < 0.1 * pitch:
            out = np.eye(2)[axis] * (1 if centre[axis] > (low + high)[axis] / 2 else -1)
            return centre + out * rng.uniform(1, 3)
    return centre + pitch / 2 * rng.choice([-1, 1], 2)


def render(rng, part, side, absent):
    """The picture, where each site is, px, and the scale, px per mm."""
    size = [(1280, 960), (640, 480), (1024, 768)][rng.integers(3)]
    shapes, centres = outlines(part, side)
    px, scale = camera(rng, centres, side, size)
    over = 4
    ground = rng.uniform(0.1, 0.4)
    metal = ground + rng.uniform(0.25, 0.5)
    fine = np.full((size[1] * over, size[0] * over), ground, np.float32)
    # The middle of pixel 0 lies in the middle of its fine pixels.
    to_fine = lambda points: np.asarray(points) * over + (over - 1) / 2
    places = px(centres)
    clear = lambda points: np.linalg.norm(np.asarray(points)[:, None] - places[None], axis=2).min() > CLEAR_PX
    for _ in range(rng.integers(0, 12)):
        at, way = rng.uniform([0, 0], size), rng.uniform(0, 2 * math.pi)
        to = at + rng.uniform(20, 200) * np.array([math.cos(way), math.sin(way)])
        if not clear(np.linspace(at, to, 12)):
            continue
        ends = [tuple(int(v) for v in to_fine(p)) for p in (at, to)]
        cv2.line(fine, *ends, float(ground + rng.uniform(-0.1, 0.3)), int(rng.uniform(1, 4) * over))
    for _ in range(rng.integers(0, 6)):
        middle_px = rng.uniform([0, 0], size)
        if not clear([middle_px + [dx, 0] for dx in (0, 20, 40, 60)]):
            continue
        at = tuple(int(v) for v in to_fine(middle_px))
        if rng.random() < 0.5:
            cv2.putText(fine, f"R{rng.integers(1, 99)}", at, cv2.FONT_HERSHEY_SIMPLEX, rng.uniform(0.5, 1.2) * over, float(ground + 0.35), 2 * over)
        else:
            cv2.circle(fine, at, int(rng.uniform(2, 7) * over), float(ground + rng.uniform(-0.1, 0.4)), -1)
    if side == "part" and rng.random() < 0.5:
        half = np.array(part.get("body_mm", [0, 0])) / 2
        middle = (centres.max(0) + centres.min(0)) / 2
        fill(fine, to_fine(px(middle + half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]))), max(0.02, ground - 0.08))
    pitch = np.linalg.norm(centres[0] - centres[1])
    for i, centre in enumerate(centres):
        if side == "board" and rng.random() < 1 / 3 and i not in absent:
            ends = to_fine(px([centre, trace_end(rng, centre, centres, pitch)]))
            cv2.line(fine, *[tuple(int(v) for v in p) for p in ends], float(ground + 0.12), max(1, int(0.12 * scale * over)))
    for i, shape in enumerate(shapes):
        if i not in absent:
            fill(fine, to_fine(px(shape)), metal * rng.normal(1, 0.06))
    grey = cv2.resize(fine, size, interpolation=cv2.INTER_AREA)
    grey = cv2.GaussianBlur(grey, (0, 0), rng.uniform(0.4, 1.2))
    x, y = np.meshgrid(np.linspace(-0.5, 0.5, size[0]), np.linspace(-0.5, 0.5, size[1]))
    grey = grey * (1 + rng.uniform(-0.25, 0.25) * x + rng.uniform(-0.25, 0.25) * y)
    grey = grey + rng.normal(0, rng.uniform(0.002, 0.02), grey.shape)
    return np.clip(np.round(grey * 255), 0, 255).astype(np.uint8), px(centres), scale


def inspect(program, part, picture, side):
    done = subprocess.run([program, "inspect", "--json", "--part", part, picture, "--side", side], capture_output=True, text=True)
    return json.loads(done.stdout)


def is_true(answer, part, places, absent, pitch_px):
    """Whether there is one told centre at each site that was drawn, and none elsewhere; names are open where a part looks the same turned."""
    told = np.array([[c["x_px"], c["y_px"]] for c in answer["centres"]])
    there = [i for i in part["in_rows"] if i not in absent]
    if len(told) != len(there):
        return False
    apart = np.linalg.norm(told[:, None] - places[None, there], axis=2)
    return len(set(apart.argmin(1))) == len(there) and apart.min(1).max() < max(0.3 * pitch_px, 1.5)


def main():
    words = [w for w in sys.argv[1:] if w != "-v"]
    program, count, seed = words[0], int(words[1]) if len(words) > 1 else 48, int(words[2]) if len(words) > 2 else 1
    tally = Tally("plain pictures of a second renderer")
    answered, tried = Counter(), Counter()
    with tempfile.TemporaryDirectory() as folder:
        part_toml, more_toml = (str(pathlib.Path(folder) / name) for name in ("part.toml", "more.toml"))
        for k in range(count):
            rng = np.random.default_rng([seed, k])
            kind = KINDS[k % len(KINDS)]
            right, more = drawing(rng, kind)
            part = part_file(program, right, part_toml)
            n = len(part["in_rows"])
            side = ["part", "board"][rng.integers(2)]
            absent = set(rng.choice(part["in_rows"], rng.integers(1, n // 20 + 2), replace=False).tolist()) if rng.random() < 0.5 else set()
            grey, places, scale = render(rng, part, side, absent)
            first, second = (np.array(part["site"][i]["at_mm"]) for i in (0, 1))
            pitch_px = scale * np.linalg.norm(first - second)
            if pitch_px < 6:
                continue
            file = str(pathlib.Path(folder) / ("picture.jpg" if rng.random() < 0.3 else "picture.png"))
            cv2.imwrite(file, grey, [cv2.IMWRITE_JPEG_QUALITY, 85])
            answer = inspect(program, part_toml, file, side)
            tried[kind] += 1
            name = f"{seed} {k}: {kind} of {n}, {side}, {pitch_px:.1f} px a pitch, {len(absent)} absent"
            if answer["answer"] == "found":
                answered[kind] += 1
                true = is_true(answer, part, places, absent, pitch_px)
                tally.check(f"{kind}: what is found is what was drawn", true)
                if not true:
                    print(f"not true: {name}")
            elif "-v" in sys.argv:
                print(f"no answer: {name}: {answer['reason']['code']}: {answer['reason']['text']}")
            part_file(program, more, more_toml)
            other = inspect(program, more_toml, file, side)
            complete = other["answer"] == "found" and len(other["centres"]) > n
            tally.check(f"{kind}: a drawing of more sites is not complete", not complete)
            if complete:
                print(f"found complete with a drawing of more sites: {name}")
    for kind in KINDS:
        print(f"{kind}: {answered[kind]} of {tried[kind]} answered")
        tally.check(f"{kind}: answered", answered[kind] >= LEAST_ANSWERED * tried[kind])
    tally.finish()


main()
