"""Part files that landfit writes from drawing values, and the outlines that they hold, as the second renderers need them."""

import math
import subprocess
import sys
import tomllib

import numpy as np


def part_file(program, arguments, file):
    made = subprocess.run([program, "part", "new", *arguments, "--out", file, "--replace"], capture_output=True, text=True)
    if made.returncode != 0:
        sys.exit(f"part new {' '.join(arguments)}: {made.stderr}")
    with open(file, "rb") as text:
        part = tomllib.load(text)
    if grid := part.get("grid"):
        part["site"] = sites_of(grid)
    # A pad in the middle is in no row, and inspect does not judge it.
    part["in_rows"] = [i for i, site in enumerate(part["site"]) if grid or site["at_mm"] != [0.0, 0.0]]
    return part


def sites_of(grid):
    """Row A is the far one; letters without I, O, Q, S, X and Z (JEDEC JEP95 design guides)."""
    letters = [c for c in "ABCDEFGHJKLMNPRTUVWY"]
    letters += [a + b for a in letters for b in letters]
    dx, dy = grid["pitch_mm"]
    places = [(i, j) for i in range(grid["rows"]) for j in range(grid["columns"])]
    middle = [(grid["columns"] - 1) / 2, (grid["rows"] - 1) / 2]
    return [
        {"id": f"{letters[i]}{j + 1}", "at_mm": [(j - middle[0]) * dx, (middle[1] - i) * dy], **{k: grid[k] for k in ("terminal", "land")}}
        for i, j in places
        if f"{letters[i]}{j + 1}" not in grid.get("absent", [])
    ]


def rotation(angle_rad):
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[c, -s], [s, c]])


def outline(site, key):
    """Corners and centre of a site's terminal or land, of several pieces the first, mm, seen from above."""
    shape = site[key]
    shape = shape[0] if isinstance(shape, list) else shape
    if "rect_mm" in shape:
        w, h = shape["rect_mm"]
        corners = np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2
    else:
        angles = np.linspace(0, 2 * math.pi, 48, endpoint=False)
        corners = shape["round_mm"] / 2 * np.stack([np.cos(angles), np.sin(angles)], 1)
    turn = rotation(math.radians(site.get("angle_deg", 0)))
    middle = np.array(site["at_mm"]) + turn @ np.array(shape.get("shift_mm", [0, 0]))
    return corners @ turn.T + middle, middle
