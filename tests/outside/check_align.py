"""`landfit align` on looks through split optics that a second renderer makes (split_optics.py), against what was drawn.

Ball grids, chip-scale packages, quad and dual packages of random drawings, the part up to half a pitch and 2 degrees off its lands, in one
picture of two tints, in one of a sensor with one colour a pixel, or in an exposure for each side. Balls mirror a ring of lamps, lands have
openings that are off by some 10 um each, traces, and on most boards a via beside every land: outwards in each quarter of the pattern or all on
one side, open or under the mask. Nothing of landfit's own renderer is used.

The truth is the pose of the least-squares lattice of what was drawn. An answer is wrong that is off by more than five times its interval
or by more than 20 um; none may be.

usage: check_align.py PROGRAM [-v] [COUNT [SEED]]     PROGRAM is the built landfit; -v prints every picture's line
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
from split_optics import Ring, ball, disc, laminate, photograph, quadrilateral, through_lens
from tally import Tally

WIDTH, HEIGHT = 1280, 960
KINDS = ["grid, tinted", "grid, exposures", "grid, one colour a pixel", "chip-scale, tinted", "qfp, tinted", "qfn, tinted", "so, tinted"]
# Of all looks so many are to be answered, and so many errors of answers to lie within their intervals.
LEAST_ANSWERED = 0.85
LEAST_INSIDE = 0.9
WRONG_INTERVALS, WRONG_UM = 5.0, 20.0
TINTS = [
    ([1.0, 0.62, 0.05], [0.05, 0.75, 1.0]),
    ([1.0, 0.08, 0.05], [0.05, 0.1, 1.0]),
    ([0.1, 1.0, 0.12], [1.0, 0.12, 0.05]),
    ([0.1, 0.12, 1.0], [1.0, 0.3, 0.05]),
]
ADJUSTERS = [("X", "board", "mm = [0.5, 0.0]"), ("Y", "board", "mm = [0.0, 0.5]"), ("R", "part", "deg = 1.5, pivot_mm = [0.4, -1.1]")]


def drawing(rng, kind):
    """The pitch, mm, and arguments of `landfit part new`."""
    if kind.startswith(("grid", "chip-scale")):
        is_grid = kind.startswith("grid")
        pitch = rng.choice([0.5, 0.65, 0.8, 1.0] if is_grid else [0.4, 0.5])
        size = pitch * rng.uniform(0.5, 0.62)
        land = size * rng.uniform(0.75, 0.9)
        rows, columns = rng.integers(7, 17, 2) if is_grid else (rng.integers(2, 6), rng.integers(3, 7))
        cut = ["--empty-corners", "1"] if rng.random() < 0.3 and min(rows, columns) > 4 else []
        words = ["grid", "--rows", rows, "--columns", columns, "--pitch", pitch, "--ball", f"{size:.3f}", "--land", f"{land:.3f}", *cut]
    elif kind.startswith("so"):
        pitch = rng.choice([0.5, 0.65, 1.27])
        words = ["so", "--leads", 2 * rng.integers(4, 16), "--pitch", pitch, "--span", rng.choice([4.9, 6.4])]
    else:
        pitch = rng.choice([0.4, 0.5, 0.65])
        is_leads = kind.startswith("qfp")
        n = rng.integers(8, 26) if is_leads else rng.integers(4, 16)
        across = pitch * (n + 1) + (3 if is_leads else 1)
        words = [kind[:3], "--per-side", f"{n}x{n}", "--pitch", pitch, "--span" if is_leads else "--body", f"{across:.2f}x{across:.2f}"]
        if not is_leads and across > 3.5 and rng.random() < 0.6:
            words += ["--exposed", f"{across - 2:.2f}x{across - 2:.2f}"]
    return pitch, [str(w) for w in words]


def scatter_without_pose(rng, places, sigma_mm):
    """Of each place its own, so that the least-squares lattice stays where it is."""
    own = rng.normal(0, sigma_mm, places.shape)
    own -= own.mean(0)
    arm = places - places.mean(0)
    turned = np.stack([-arm[:, 1], arm[:, 0]], 1)
    return own - (own * turned).sum() / (arm**2).sum() * turned


class Scene:
    """A part, its board and the ways in which both are seen; lengths in mm, poses in the bench frame."""

    def __init__(self, rng, part, pitch, kind):
        self.part, self.pitch, self.sites = part, pitch, part["site"]
        self.is_grid = "grid" in part
        self.places = np.array([site["at_mm"] for site in self.sites])
        reach = np.abs(self.places).max(0) + 1.2 * pitch
        scale = min(rng.uniform(60, 100), 0.42 * WIDTH / reach[0], 0.42 * HEIGHT / reach[1])
        if kind.startswith("chip-scale"):
            scale = rng.uniform(70, 140)
        turn = rng.normal(0, 0.02)
        self.px_from_mm = {side: self.view(rng, scale, turn) for side in ("part", "board")}
        self.board = (*rng.uniform(-0.3, 0.3, 2), math.radians(rng.uniform(-2, 2)))
        self.offset = (*(pitch * rng.uniform(-0.5, 0.5, 2)), math.radians(rng.uniform(-2, 2)))
        # What lands() makes of it.
        self.fan = "none"
        self.body = np.array(part.get("body_mm", 2 * (np.abs(self.places).max(0) + 0.8 * pitch)))

    @staticmethod
    def view(rng, scale, turn):
        linear = scale * (1 + rng.normal(0, 0.002)) * rotation(turn + rng.normal(0, 0.004)) @ np.diag([1, -1])
        at = np.array([WIDTH, HEIGHT]) / 2 + rng.uniform(-20, 20, 2)
        return np.vstack([np.column_stack([linear, at]), [0, 0, 1]])

    def px(self, side, points):
        """From the side's own frame."""
        points = np.atleast_2d(points)
        if side == "part":
            points = points @ rotation(self.offset[2]).T + self.offset[:2]
        bench = points @ rotation(self.board[2]).T + self.board[:2]
        view = self.px_from_mm[side]
        return bench @ view[:2, :2].T + view[:2, 2]

    def scale(self, side):
        return math.sqrt(abs(np.linalg.det(self.px_from_mm[side][:2, :2])))


def rectangle(half):
    return half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])


def tone(rng):
    return 1 + rng.normal(0, 0.05)


def underside(rng, scene):
    """The light of the part's underside before the lens."""
    px = lambda points: scene.px("part", points)
    beyond = laminate(rng, (HEIGHT, WIDTH), rng.uniform(0.02, 0.06), rng.uniform(0.02, 0.1))
    body = laminate(rng, (HEIGHT, WIDTH), rng.uniform(0.08, 0.3), rng.uniform(0.02, 0.12))
    covers = np.zeros((HEIGHT, WIDTH))
    quadrilateral(covers, px(rectangle(scene.body / 2)), 1.0)
    light, ground = beyond * (1 - covers) + body * covers, float(body.mean())
    metal, own = rng.uniform(0.5, 0.9), scatter_without_pose(rng, scene.places, 0.004)
    if scene.is_grid:
        ring, rough, in_pockets = Ring(rng), rng.uniform(0.03, 0.25), rng.random() < 0.5
        radius = scene.part["grid"]["terminal"]["round_mm"] / 2 * scene.scale("part") * rng.uniform(0.97, 1.04)
        for at in px(scene.places + own):
            if in_pockets:
                disc(light, at, 1.12 * radius, 0.6 * ground)
            roughness = rough * (1 + abs(rng.normal(0, 0.15)))
            ball(light, at, radius * (1 + rng.normal(0, 0.012)), ring, roughness, metal * tone(rng), ground)
        return light
    for site, off in zip(scene.sites, own):
        fall, curve, lean = rng.uniform(0, 0.3), rng.uniform(0, 0.25), rng.normal(0, 0.1)
        corners = px(outline(site, "terminal")[0] + off)
        quadrilateral(light, corners, metal * tone(rng), lambda u, v: 1 - fall * u * u - curve * v * v + lean * v)
    return light


def board(rng, scene):
    """The light of the board before the lens."""
    px = lambda points: scene.px("board", points)
    light = laminate(rng, (HEIGHT, WIDTH), rng.uniform(0.06, 0.2), rng.uniform(0.02, 0.1))
    mask = float(light.mean())
    copper, metal, bare = mask * rng.uniform(1.15, 1.8), mask + rng.uniform(0.25, 0.55), mask * rng.uniform(0.6, 1.3)
    dome = rng.uniform(0.1, 0.4) if rng.random() < 0.5 else 0.0
    lean = rng.normal(0, 0.12, 2) if dome else np.zeros(2)
    gap = rng.uniform(0.03, 0.09) if rng.random() < 0.7 else 0.0
    width = scene.pitch * rng.uniform(0.12, 0.2)

    def line(start, end, wide, value):
        start, end = np.array(start), np.array(end)
        across = np.array([-(end - start)[1], (end - start)[0]]) / np.linalg.norm(end - start) * wide / 2
        quadrilateral(light, px([start - across, end - across, end + across, start + across]), value)

    if scene.is_grid:
        lands(rng, scene, light, line, (mask, copper, metal, bare), (dome, lean, gap, width))
    else:
        for site in scene.sites:
            corners, middle = outline(site, "land")
            if rng.random() < 0.5 and np.linalg.norm(middle) > 0.5:
                line(middle, middle * (1 + rng.uniform(0.2, 0.6)), width, copper)
            if gap:
                grown = 1 + 2 * gap / np.linalg.norm(corners[1] - corners[0])
                quadrilateral(light, px(middle + (corners - middle) * grown), bare)
            curve, slope = dome * rng.uniform(0, 1), rng.normal(0, 0.05)
            quadrilateral(light, px(corners), metal * tone(rng), lambda u, v: 1 - dome * u * u - curve * v * v + slope * v)
    if rng.random() < 0.7:
        ink, frame = mask + rng.uniform(0.2, 0.5), rectangle(scene.body / 2 + 0.25)
        for start, end in zip(frame, np.roll(frame, -1, 0)):
            line(start, end, 0.12, ink)
        at = tuple(int(v) for v in px(scene.body / 2 * [-0.6, 1.15])[0])
        cv2.putText(light, f"U{rng.integers(1, 99)}", at, cv2.FONT_HERSHEY_SIMPLEX, 1.2, ink, 2, cv2.LINE_AA)
    for _ in range(rng.integers(0, 10)):
        at = px(rng.uniform(-1.5, 1.5, 2) * scene.body)[0]
        if np.linalg.norm(px(scene.places) - at, axis=1).min() > 1.2 * scene.pitch * scene.scale("board"):
            disc(light, at, rng.uniform(3, 15), mask + rng.uniform(-0.05, 0.4))
    return light


def lands(rng, scene, light, line, lights, shapes):
    """Round lands in their openings, with vias and the traces to them."""
    (mask, copper, metal, bare), (dome, lean, gap, width) = lights, shapes
    scale, radius = scene.scale("board"), scene.part["grid"]["land"]["round_mm"] / 2
    fan, is_tented = rng.choice(["none", "quarters", "one way"], p=[0.3, 0.4, 0.3]), rng.random() < 0.5
    ways = {"none": lambda at: None, "quarters": lambda at: np.sign(at + 1e-9), "one way": lambda at: np.ones(2)}
    scene.fan = fan if fan == "none" else f"{fan}, {'under the mask' if is_tented else 'open'}"
    pads, holes = (copper, 0.9 * copper) if is_tented else (0.9 * metal, 0.7 * mask)
    for at in scene.places:
        if (way := ways[fan](at)) is not None:
            via = at + way * scene.pitch / 2
            line(at, via, width, copper)
            disc(light, scene.px("board", via)[0], 0.22 * scene.pitch * scale, pads)
            disc(light, scene.px("board", via)[0], 0.1 * scene.pitch * scale, holes)
    for at in scene.places:
        middle = scene.px("board", at)[0]
        if gap:
            disc(light, middle + rng.normal(0, 0.01, 2) * scale, (radius + gap) * scale, bare)
            if (way := ways[fan](at)) is not None:
                line(at, at + way * (radius + gap) / math.sqrt(2), width, 0.9 * metal)
        disc(light, middle, radius * scale * (1 + rng.normal(0, 0.01)), metal * tone(rng), dome, lean)


def take(rng, scene, kind, folder):
    """Writes pictures and bench file; the pictures' names."""
    blur_px, defocus_px = rng.uniform(0.7, 1.2), rng.uniform(0, 1.6)
    sides = [through_lens(rng, np.clip(side(rng, scene), 0, None), max(0, defocus_px + rng.uniform(-0.3, 0.3)), blur_px) for side in (underside, board)]
    if kind.endswith("exposures"):
        tints = [np.ones(3)] * 2
        pictures = [photograph(rng, [side * rng.uniform(0.6, 0.9) / side.max()], [[1.0]])[..., 0] for side in sides]
    else:
        tints = [np.array(tint) + rng.uniform(0.03, 0.12) for tint in TINTS[rng.integers(len(TINTS))]]
        sides = [side / side.max() for side in sides]
        exposure = 0.9 / sum(side[..., None] * tint for side, tint in zip(sides, tints)).max()
        rgb = photograph(rng, [exposure * side for side in sides], tints, kind.endswith("one colour a pixel"))
        pictures = [rgb[..., ::-1]]
        # Calibration knows them to half a percent.
        tints = [tint * (1 + rng.normal(0, 0.006, 3)) for tint in tints]
    text = f'schema = 1\nname = "Drawn apart"\n[frame]\nsize_px = [{WIDTH}, {HEIGHT}]\n'
    for i, side in enumerate(("part", "board")):
        text += f'\n[[view]]\nshows = "{side}"\nexposure = {i if len(pictures) == 2 else 0}\ntint = {[round(float(v), 4) for v in tints[i]]}\n'
        text += f"px_from_mm = {scene.px_from_mm[side].tolist()}\n"
    for name, carries, turn in ADJUSTERS:
        text += f'\n[[adjuster]]\nname = "{name}"\ncarries = "{carries}"\nturn = {{ {turn} }}\ndivisions = 50\nbacklash_turns = 0.02\n'
    (folder / "bench.toml").write_text(text)
    files = [str(folder / f"picture-{i}.png") for i in range(len(pictures))]
    for file, picture in zip(files, pictures):
        cv2.imwrite(file, picture)
    return files


def errors(answer, offset):
    """Along x and y, um, and of the turn, degrees, each with its half-width."""
    told, stated = answer["offset"], answer["uncertainty"]
    off = [1000 * (told["x_mm"] - offset[0]), 1000 * (told["y_mm"] - offset[1]), told["theta_deg"] - math.degrees(offset[2])]
    return off, [1000 * stated["x_mm"], 1000 * stated["y_mm"], stated["theta_deg"]]


def main():
    words = [w for w in sys.argv[1:] if w != "-v"]
    program, count, seed = words[0], int(words[1]) if len(words) > 1 else 28, int(words[2]) if len(words) > 2 else 1
    tally = Tally("looks of a second renderer")
    answered, tried, inside, squares = Counter(), Counter(), [], []
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        for k in range(count):
            rng = np.random.default_rng([seed, k])
            kind = KINDS[k % len(KINDS)]
            pitch, arguments = drawing(rng, kind)
            scene = Scene(rng, part_file(program, arguments, str(folder / "part.toml")), pitch, kind)
            files = take(rng, scene, kind, folder)
            command = [program, "align", *files, "--part", str(folder / "part.toml"), "--bench", str(folder / "bench.toml"), "--json"]
            answer = json.loads(subprocess.run(command, capture_output=True, text=True).stdout)
            line = f"{seed} {k}: {kind}, {' '.join(arguments)}, vias {scene.fan}"
            tried[kind] += 1
            if answer["answer"] != "fit":
                if "-v" in sys.argv:
                    print(f"{line}: no answer, {answer['reason']['code']}: {answer['reason']['text']}", flush=True)
                continue
            answered[kind] += 1
            off, half_width = errors(answer, scene.offset)
            ratios = [abs(o) / h for o, h in zip(off, half_width)]
            inside += [r <= 1 for r in ratios]
            squares.append((off[0] ** 2 + off[1] ** 2) / 2)
            is_wrong = max(ratios) > WRONG_INTERVALS or math.hypot(*off[:2]) > WRONG_UM
            tally.check(f"{kind}: no wrong answer", not is_wrong)
            if is_wrong or "-v" in sys.argv:
                told = ", ".join(f"{o:.3f} of {h:.3f}" for o, h in zip(off, half_width))
                print(f"{line}: {'WRONG, ' if is_wrong else ''}{told}", flush=True)
    for kind in KINDS:
        print(f"{kind}: {answered[kind]} of {tried[kind]} answered")
    share = sum(inside) / max(1, len(inside))
    print(f"errors within their intervals {100 * share:.1f} %, root of the mean square {math.sqrt(sum(squares) / max(1, len(squares))):.2f} um along an axis")
    tally.check("looks are answered", answered.total() >= LEAST_ANSWERED * tried.total())
    tally.check("errors lie within their intervals", share >= LEAST_INSIDE)
    tally.finish()


main()
