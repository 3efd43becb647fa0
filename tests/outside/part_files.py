"""Part files that landfit writes from drawing values, as the second renderers need them."""

import subprocess
import sys
import tomllib


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
