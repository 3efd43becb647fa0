"""The plain OpenCV route for the main job, as a careful engineer would script it: the peer that landfit is compared with.

A picture in two tints, a part file with a [grid] of round terminals and lands, and a bench file come in; the offset comes out.
Unmixing by least squares with the bench's tints; seeds from filled and opened thresholds at half scale; lattice voting; then at
every predicted site a circle fit to 64 rays, twice, through the steepest fall of an edge or the crest of a ring; Kabsch.
--quick takes the centroids of the seeds instead. It trusts its input: no refusals, no uncertainty, no marks, no large parts in several views.

usage: plain_opencv.py PICTURE --part PART.toml --bench BENCH.toml [--quick] [--runs N]
prints {"offset": {"x_mm", "y_mm", "theta_deg"}, "found": [terminals, lands], "time_ms": {"total": best of N, without decoding}}
"""

import argparse
import json
import time

import cv2
import numpy as np

try:
    import tomllib
except ModuleNotFoundError:
    import tomli as tomllib

N_RAYS = 64
# In nominal radii; short of the neighbours' edges for every pitch of at least 1.3 diameters.
RAY_REACH = (0.2, 1.45)
# Half of what is searched round the mean edge or crest, in nominal radii.
RAY_WINDOW = 0.3
RAY_STEP_PX = 0.5


def main():
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("picture")
    options.add_argument("--part", required=True)
    options.add_argument("--bench", required=True)
    options.add_argument("--quick", action="store_true")
    options.add_argument("--runs", type=int, default=1)
    args = options.parse_args()
    cv2.setNumThreads(1)

    picture = cv2.imread(args.picture, cv2.IMREAD_UNCHANGED)
    part, bench = read_toml(args.part), read_toml(args.bench)
    sites = grid_sites(part["grid"])
    best_ms = np.inf
    for _ in range(args.runs):
        started = time.perf_counter()
        pose, found = align(picture, part["grid"], sites, bench, args.quick)
        best_ms = min(best_ms, 1000 * (time.perf_counter() - started))
    offset = {"x_mm": pose[0], "y_mm": pose[1], "theta_deg": np.degrees(pose[2])}
    print(json.dumps({"offset": offset, "found": found, "time_ms": {"total": best_ms}}))


def read_toml(path):
    with open(path, "rb") as file:
        return tomllib.load(file)


def align(picture, grid, sites, bench, quick):
    """Offset (x mm, y mm, theta rad) of the part in the board frame, and how many sites of each side it rests on."""
    views = {view["shows"]: view for view in bench["view"]}
    if quick:
        picture = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    planes = unmix(picture, bench["frame"], views["part"]["tint"], views["board"]["tint"])
    poses, found = [], []
    for plane, side, key in [(planes[0], "part", "terminal"), (planes[1], "board", "land")]:
        sight = (np.array(views[side]["px_from_mm"], float), bench.get("lens"))
        radius_px = grid[key]["round_mm"] / 2 * np.sqrt(abs(np.linalg.det(sight[0][:2, :2] / sight[0][2, 2])))
        half = plane if quick else cv2.resize(plane, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        seeds_px, sign = spots(half, radius_px)
        which, seeds_mm = vote(mm_of(seeds_px, sight), grid, sites)
        pose, n_used = kabsch(sites[which], seeds_mm)
        if not quick:
            pose, n_used = refined(plane * sign, radius_px, pose, sites, sight)
        poses.append(pose)
        found.append(int(n_used))
    (xp, yp, tp), (xb, yb, tb) = poses
    x, y = rotation(-tb) @ [xp - xb, yp - yb]
    return (x, y, (tp - tb + np.pi) % (2 * np.pi) - np.pi), found


# Part and bench


def grid_sites(grid):
    """Places of the grid's sites, mm, part frame: a row of `sites` for every one that is there."""
    rows, columns = grid["rows"], grid["columns"]
    there = np.ones((rows, columns), bool)
    names = row_names(rows)

    def place(site):
        letters = site.rstrip("0123456789")
        return names.index(letters), int(site[len(letters) :]) - 1

    for block in grid.get("absent", []):
        corners = [place(site) for site in block.split(":")]
        (r0, c0), (r1, c1) = corners[0], corners[-1]
        there[min(r0, r1) : max(r0, r1) + 1, min(c0, c1) : max(c0, c1) + 1] = False
    row, column = np.nonzero(there)
    pitch_x, pitch_y = grid["pitch_mm"]
    return np.stack([(column - (columns - 1) / 2) * pitch_x, ((rows - 1) / 2 - row) * pitch_y], -1)


def row_names(rows):
    letters = [c for c in "ABCDEFGHIJKLMNOPQRSTUVWXYZ" if c not in "IOQSXZ"]
    return (letters + [a + b for a in letters for b in letters])[:rows]


def project(homography, points):
    q = points @ homography[:, :2].T + homography[:, 2]
    return q[:, :2] / q[:, 2:]


def mm_of(points_px, sight):
    homography, lens = sight
    return project(np.linalg.inv(homography), undistort(points_px, lens))


def px_of(points_mm, sight):
    homography, lens = sight
    ideal = project(homography, points_mm)
    if lens is None:
        return ideal
    d = (ideal - lens["centre_px"]) / lens["norm_px"]
    r2 = (d**2).sum(1, keepdims=True)
    return d * (1 + lens["k1"] * r2 + lens.get("k2", 0.0) * r2**2) * lens["norm_px"] + lens["centre_px"]


def undistort(seen, lens):
    if lens is None:
        return seen
    d = (seen - lens["centre_px"]) / lens["norm_px"]
    ideal = d.copy()
    for _ in range(20):
        r2 = (ideal**2).sum(1, keepdims=True)
        ideal = d / (1 + lens["k1"] * r2 + lens.get("k2", 0.0) * r2**2)
    return ideal * lens["norm_px"] + lens["centre_px"]


# Pixels


def unmix(picture, frame, part_tint, board_tint):
    """The two lights' planes, float32, by least squares on the tints in linear light."""
    full = 255 if picture.dtype == np.uint8 else 65535
    black, white, gamma = frame.get("black", 0), frame.get("white", full), frame.get("gamma", 1.0)
    mix = np.linalg.pinv(np.array([part_tint, board_tint], float).T)[:, ::-1]  # OpenCV keeps blue first
    if gamma == 1.0:
        mix = np.column_stack([mix, -mix.sum(1) * black]) / (white - black)
        light = picture.astype(np.float32)
    else:
        levels = np.clip((np.arange(full + 1) - black) / (white - black), 0, None) ** gamma
        light = levels.astype(np.float32)[picture]
    return [cv2.transform(light, row[None, :].astype(np.float32)) for row in mix]


def mask_of_spots(half, radius_px):
    """A filled spot for every ball or land of a half-scale plane, traces cut off, gaps of rings closed; also the plane's sign."""
    eighth = cv2.resize(half, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    # A median needs 8 bits for large windows; a window of four diameters holds more ground than spots.
    low, high = float(eighth.min()), float(eighth.max())
    window = int(radius_px) | 1
    ground = cv2.medianBlur(((eighth - low) * (255 / (high - low))).astype(np.uint8), max(window, 3)).astype(np.float32)
    flat = half - cv2.resize(ground * ((high - low) / 255) + low, half.shape[::-1], interpolation=cv2.INTER_LINEAR)
    least, most = np.percentile(flat[::4, ::4], [2, 98])
    sign = 1.0 if most >= -least else -1.0
    span = max(most, -least)
    grey = np.clip(flat * (sign * 128 / span), 0, 255).astype(np.uint8)
    _, mask = cv2.threshold(cv2.GaussianBlur(grey, (0, 0), 1.0), 0, 255, cv2.THRESH_OTSU)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, disc(0.2 * radius_px / 2))
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    cv2.drawContours(mask, contours, -1, 255, cv2.FILLED)
    return cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc(0.5 * radius_px / 2)), sign


def disc(radius):
    size = 2 * max(int(round(radius)), 1) + 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))


def spots(half, radius_px):
    """Centroids, in full-scale px, of the spots of about the right size and about as tall as wide; and the plane's sign."""
    mask, sign = mask_of_spots(half, radius_px)
    _, _, stats, centroids = cv2.connectedComponentsWithStats(mask, connectivity=4)
    stats, centroids = stats[1:], centroids[1:]
    radii = 2 * np.sqrt(stats[:, cv2.CC_STAT_AREA] / np.pi)
    width, height = stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]
    good = (radii > 0.55 * radius_px) & (radii < 1.5 * radius_px) & (np.abs(width - height) < 0.3 * (width + height) / 2)
    # The median size tells the right ones from vias and marks, whatever the lighting makes of the outline.
    if good.any():
        good &= np.abs(radii - np.median(radii[good])) < 0.25 * np.median(radii[good])
    # The centre of a half-scale pixel lies half a pixel beyond that of its first full-scale pixel.
    return 2 * centroids[good] + 0.5, sign


def refined(plane, radius_px, pose, sites, sight):
    """The pose from circle fits at every predicted site that lies inside the picture."""
    carried = sites @ rotation(pose[2]).T + pose[:2]
    centres = px_of(carried, sight)
    height, width = plane.shape
    margin = RAY_REACH[1] * radius_px
    inside = ((centres > margin) & (centres < np.array([width, height]) - 1 - margin)).all(1)
    sites, centres = sites[inside], centres[inside]
    smooth = cv2.GaussianBlur(plane, (0, 0), 0.7)
    look = mean_look(smooth, centres[::4], radius_px)
    for n_rays in (N_RAYS // 2, N_RAYS):
        centres, radii, edge_share, rms_px = fit_circles(smooth, centres, radius_px, look, n_rays)
    good = (edge_share > 0.6) & (np.abs(radii - np.median(radii)) < 0.15 * np.median(radii))
    good &= rms_px < 3 * np.median(rms_px)
    return kabsch(sites[good], mm_of(centres[good], sight))


def profiles(plane, centres, radii, n_rays):
    """Values along rays from every centre: (centres, rays, radii); and the rays' directions."""
    angles = np.arange(n_rays) * (2 * np.pi / n_rays)
    directions = np.stack([np.cos(angles), np.sin(angles)], -1).astype(np.float32)
    steps = (directions[:, None, :] * radii[None, :, None]).reshape(-1, 2)
    centres = centres.astype(np.float32)
    values = cv2.remap(plane, centres[:, :1] + steps[None, :, 0], centres[:, 1:] + steps[None, :, 1], cv2.INTER_LINEAR)
    return values.reshape(len(centres), n_rays, len(radii)), directions


def mean_look(plane, centres, radius_px):
    """What the picture's own mean profile shows: whether it is a ring, the radius of its crest or edge, the ground inside."""
    radii = np.arange(RAY_REACH[0] * radius_px, RAY_REACH[1] * radius_px, RAY_STEP_PX, dtype=np.float32)
    mean = profiles(plane, centres, radii, N_RAYS // 2)[0].mean((0, 1))
    crest = int(mean.argmax())
    ground = mean[: max(crest, 1)].min()
    if radii[crest] > 0.4 * radius_px and mean[crest] - ground > 0.3 * (mean[crest] - mean[crest:].min()):
        return True, radii[crest], ground
    return False, radii[1:-1][(mean[:-2] - mean[2:]).argmax()], ground


def fit_circles(plane, centres, radius_px, look, n_rays):
    """A circle for every seed, through the crest of a ring or the steepest fall of an edge along its rays."""
    is_ring, middle, ground = look
    first = max(middle - RAY_WINDOW * radius_px, RAY_STEP_PX)
    radii = np.arange(first, middle + RAY_WINDOW * radius_px, RAY_STEP_PX, dtype=np.float32)
    profile, directions = profiles(plane, centres, radii, n_rays)
    if is_ring:
        sought = evenly_lit(profile - ground, directions, radii / middle)
    else:
        sought, radii = profile[:, :, :-2] - profile[:, :, 2:], radii[1:-1]
    best = np.clip(sought.argmax(2), 1, len(radii) - 2)
    before, height, after = (np.take_along_axis(sought, best[:, :, None] + k, 2)[:, :, 0] for k in (-1, 0, 1))
    curvature = before - 2 * height + after
    valid = (curvature < 0) & (before <= height) & (after <= height)
    part = np.where(valid, 0.5 * (before - after) / np.where(valid, curvature, -1), 0.0)
    points = np.where(valid, radii[best] + RAY_STEP_PX * part, 0.0)[:, :, None] * directions
    weight = valid.astype(float)
    for _ in range(3):
        middles, fitted = kasa(points, weight)
        off = np.hypot(points[:, :, 0] - middles[:, :1], points[:, :, 1] - middles[:, 1:]) - fitted[:, None]
        rms = np.sqrt((weight * off**2).sum(1) / np.maximum(weight.sum(1), 1))
        weight = (valid & (np.abs(off) < np.maximum(2.5 * rms, 0.02)[:, None])).astype(float)
    return centres + middles, fitted, weight.mean(1), rms


def evenly_lit(profile, directions, relative_radii):
    """Rings without their light's slope: each ring's own brightness round its crest says how steep it is.

    A slope moves the crest of a broad ring outwards on the bright side and inwards on the dark one."""
    crest = int(np.abs(relative_radii - 1).argmin())
    height = profile[:, :, crest - 1 : crest + 2].mean(2)
    slope = 2 * (height @ directions) / len(directions) / height.mean(1, keepdims=True)
    gain = 1 + (slope @ directions.T)[:, :, None] * relative_radii
    return profile / np.maximum(gain, 0.2)


def kasa(points, weight):
    """The algebraic circle fit of Kasa 1976 for many sets at once."""
    x, y = points[:, :, 0], points[:, :, 1]
    design = np.stack([x, y, np.ones_like(x)], -1)
    weighted = (design * weight[:, :, None]).transpose(0, 2, 1)
    normal = weighted @ design + 1e-9 * np.eye(3)
    right = weighted @ (x**2 + y**2)[:, :, None]
    a = np.linalg.solve(normal, right)[:, :, 0]
    centre = a[:, :2] / 2
    return centre, np.sqrt(np.maximum(a[:, 2] + (centre**2).sum(1), 0))


# Pattern


def vote(centres, grid, sites):
    """Which site every centre is: the lattice's turn, its phase, then the whole shift that explains most."""
    pitch = np.array(grid["pitch_mm"], float)
    # Every fourth centre sees all of its neighbours: enough for the median of the lattice's turn.
    gaps = centres[None, :, :] - centres[::4, None, :]
    squares = (gaps**2).sum(2)
    near = gaps[(np.abs(squares / pitch[0] ** 2 - 1) < 0.3) | (np.abs(squares / pitch[1] ** 2 - 1) < 0.3)]
    turns = np.arctan2(near[:, 1], near[:, 0])
    theta = np.angle(np.median(np.exp(4j * turns).real) + 1j * np.median(np.exp(4j * turns).imag)) / 4
    straight = centres @ rotation(theta)
    # The lattice through one of the centres that most centres lie near; their mean phase then.
    apart = ((straight[None, :, :] - straight[::8, None, :]) / pitch).astype(np.float32)
    on_it = (np.abs(apart - np.rint(apart)) < 0.15).all(2)
    on_best = on_it[on_it.sum(1).argmax()]
    straight, centres = straight[on_best], centres[on_best]
    phase = np.angle(np.exp(2j * np.pi * straight / pitch).mean(0)) / (2 * np.pi)
    cells = np.round(straight / pitch - phase).astype(int)
    home = np.round((sites - sites[0]) / pitch).astype(int)
    there = {tuple(cell): i for i, cell in enumerate(home.tolist())}
    # Every pair of a centre's cell and a site votes for the shift between them.
    base = home.min(0) - cells.max(0)
    width = home[:, 1].max() - cells[:, 1].min() - base[1] + 1
    homes, starts = (home - base) @ [width, 1], cells @ [width, 1]
    counts = np.bincount((homes[None, :] - starts[:, None]).ravel())
    shift = np.array(divmod(int(counts.argmax()), width)) + base
    owners = np.array([there.get(cell, -1) for cell in map(tuple, (cells + shift).tolist())])
    keep = owners >= 0
    return owners[keep], centres[keep]


def kabsch(sites, centres):
    """(x mm, y mm, theta rad) that carries sites to centres, what is more than 4 medians off thrown out; and how many are left."""
    keep = np.ones(len(sites), bool)
    for _ in range(3):
        a, b = sites[keep], centres[keep]
        p, q = a - a.mean(0), b - b.mean(0)
        theta = np.arctan2((p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]).sum(), (p * q).sum())
        x, y = b.mean(0) - rotation(theta) @ a.mean(0)
        off = np.hypot(*(sites @ rotation(theta).T + [x, y] - centres).T)
        keep = off <= 4 * np.median(off) + 1e-12
    return (x, y, theta), keep.sum()


def rotation(theta):
    return np.array([[np.cos(theta), -np.sin(theta)], [np.sin(theta), np.cos(theta)]])


if __name__ == "__main__":
    main()
