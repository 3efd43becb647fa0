"""A second renderer, written apart from vision/scene: hard samples, 16 x 16 of them in every pixel, and a blur of its own.

Renders the scenes that the example `peer_scenes` of landfit-scene has written and compares pictures and truth:

    cargo run -p landfit-scene --example peer_scenes -- DIR
    python tests/renderer_peer/peer.py DIR          (needs numpy)

Exits with 1 when a pixel differs by 0.5 of 255 or more, or a stated centre by 1e-6 px.
"""

import json
import pathlib
import struct
import sys
import zlib

import numpy as np

N = 16  # samples along a pixel's side
CELLS = 4  # cells along a pixel's side for the blur
LIMIT_DN = 0.5


def read_png(path):
    """16-bit RGB or grey PNG as a float array (rows, columns, channels); pillow reads only 8 bits of 16-bit RGB."""
    data = path.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n", path
    at, packed, header = 8, b"", None
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        kind, body = data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        if kind == b"IHDR":
            header = struct.unpack(">IIBBBBB", body)
        elif kind == b"IDAT":
            packed += body
        at += 12 + length
    width, height, bits, colour, _, _, interlace = header
    assert bits == 16 and colour in (0, 2) and interlace == 0, header
    channels = 3 if colour == 2 else 1
    stride, bpp = width * channels * 2, channels * 2
    raw = zlib.decompress(packed)
    rows, above = [], bytearray(stride)
    for y in range(height):
        how, line = raw[y * (stride + 1)], bytearray(raw[y * (stride + 1) + 1 : (y + 1) * (stride + 1)])
        for i in range(stride):
            left = line[i - bpp] if i >= bpp else 0
            corner = above[i - bpp] if i >= bpp else 0
            if how == 1:
                add = left
            elif how == 2:
                add = above[i]
            elif how == 3:
                add = (left + above[i]) // 2
            elif how == 4:
                p = left + above[i] - corner
                pa, pb, pc = abs(p - left), abs(p - above[i]), abs(p - corner)
                add = left if pa <= pb and pa <= pc else above[i] if pb <= pc else corner
            else:
                add = 0
            line[i] = (line[i] + add) & 255
        rows.append(bytes(line))
        above = line
    return np.frombuffer(b"".join(rows), ">u2").reshape(height, width, channels).astype(float)


def turn(x, y, angle):
    c, s = np.cos(angle), np.sin(angle)
    return c * x - s * y, s * x + c * y


def to_pose(x, y, pose):
    """Side's frame to bench frame."""
    u, v = turn(x, y, np.deg2rad(pose["theta_deg"]))
    return u + pose["x_mm"], v + pose["y_mm"]


def from_pose(x, y, pose):
    """Bench frame to side's frame."""
    return turn(x - pose["x_mm"], y - pose["y_mm"], -np.deg2rad(pose["theta_deg"]))


def project(h, x, y):
    w = h[2][0] * x + h[2][1] * y + h[2][2]
    return (h[0][0] * x + h[0][1] * y + h[0][2]) / w, (h[1][0] * x + h[1][1] * y + h[1][2]) / w


def seen(lens, x, y):
    if lens is None:
        return x, y
    cx, cy = lens["centre_px"]
    dx, dy = (x - cx) / lens["norm_px"], (y - cy) / lens["norm_px"]
    r2 = dx * dx + dy * dy
    k = (1 + lens["k1"] * r2 + lens["k2"] * r2 * r2) * lens["norm_px"]
    return cx + dx * k, cy + dy * k


def ideal(lens, x, y):
    """Undoes the lens by Newton's steps on the radius."""
    if lens is None:
        return x, y
    cx, cy = lens["centre_px"]
    dx, dy = (x - cx) / lens["norm_px"], (y - cy) / lens["norm_px"]
    seen_r = np.hypot(dx, dy)
    r = seen_r.copy()
    for _ in range(12):
        r -= (r * (1 + lens["k1"] * r**2 + lens["k2"] * r**4) - seen_r) / (1 + 3 * lens["k1"] * r**2 + 5 * lens["k2"] * r**4)
    k = np.divide(r, seen_r, out=np.ones_like(r), where=seen_r > 0) * lens["norm_px"]
    return cx + dx * k, cy + dy * k


# depth of a point inside an outline in mm: positive inside


def disc(x, y, diameter):
    return diameter / 2 - np.hypot(x, y)


def segment(x, y, a, b):
    ax, ay, bx, by = a[0], a[1], b[0] - a[0], b[1] - a[1]
    t = np.clip(((x - ax) * bx + (y - ay) * by) / (bx * bx + by * by), 0, 1)
    return np.hypot(x - ax - t * bx, y - ay - t * by)


def line(x, y, points, width):
    return width / 2 - np.min([segment(x, y, a, b) for a, b in zip(points, points[1:])], axis=0)


def rounded(x, y, w, l, r):
    """A rectangle with rounded corners as a smaller rectangle, grown by the radius."""
    ex, ey = np.abs(x) - (w / 2 - r), np.abs(y) - (l / 2 - r)
    outside = np.hypot(np.maximum(ex, 0), np.maximum(ey, 0))
    return r - np.where((ex > 0) | (ey > 0), outside, np.maximum(ex, ey))


def polygon(x, y, corners):
    inside = np.zeros(x.shape, bool)
    nearest = np.full(x.shape, np.inf)
    for (ax, ay), (bx, by) in zip(corners, corners[1:] + corners[:1]):
        nearest = np.minimum(nearest, segment(x, y, (ax, ay), (bx, by)))
        if ay != by:
            crosses = ((ay > y) != (by > y)) & (x < (bx - ax) * (y - ay) / (by - ay) + ax)
            inside ^= crosses
    return np.where(inside, nearest, -nearest)


def centroid(corners):
    area = sx = sy = 0.0
    for (ax, ay), (bx, by) in zip(corners, corners[1:] + corners[:1]):
        cross = ax * by - bx * ay
        area, sx, sy = area + cross / 2, sx + (ax + bx) * cross, sy + (ay + by) * cross
    return sx / (6 * area), sy / (6 * area)


def piece_depth(x, y, piece, scale=1.0):
    kind, size = piece["shape"], [scale * v for v in piece["size_mm"]]
    if kind == "round":
        return disc(x, y, size[0])
    if kind == "rect":
        return rounded(x, y, size[0], size[1], 0.0)
    if kind == "rounded":
        return rounded(x, y, *size)
    if kind == "oval":
        return rounded(x, y, size[0], size[1], min(size) / 2)
    corners = list(zip(piece["size_mm"][::2], piece["size_mm"][1::2]))
    assert scale == 1.0
    return polygon(x, y, corners)


def piece_half(piece, scale):
    if piece["shape"] == "outline":
        xs, ys = piece["size_mm"][::2], piece["size_mm"][1::2]
        return (max(xs) - min(xs)) / 2, (max(ys) - min(ys)) / 2
    size = piece["size_mm"]
    return scale * size[0] / 2, scale * (size[0] if piece["shape"] == "round" else size[1]) / 2


class Samples:
    """The samples of one view in one side's frame, and the light gathered on them so far."""

    def __init__(self, x, y, light):
        self.x, self.y, self.light = x, y, light
        self.centre = x.mean(), y.mean()
        self.radius = np.hypot(x - self.centre[0], y - self.centre[1]).max()

    def far(self, at, reach_mm=0.6):
        """Whether something of that reach cannot touch these samples."""
        return np.hypot(at[0] - self.centre[0], at[1] - self.centre[1]) > self.radius + reach_mm

    def local(self, at, angle=0.0):
        return turn(self.x - at[0], self.y - at[1], -angle)

    def cover(self, depth, value, soft=0.0):
        share = np.clip(0.5 + depth / soft, 0, 1) if soft > 0 else (depth > 0).astype(float)
        self.light += share * (value - self.light)

    def gain(self, depth, factor, soft=0.0):
        share = np.clip(0.5 + depth / soft, 0, 1) if soft > 0 else (depth > 0).astype(float)
        self.light *= 1 + share * (factor - 1)


def drawn(scene, side):
    """Place, size and presence of every site after its defects."""
    part = scene["part" if side == "part" else "board"]
    out = {s["id"]: {"at": list(s["at_mm"]), "size": 1.0, "present": True} for s in part["sites"]}
    for d in scene["defects"]:
        if d["side"] != side:
            continue
        site, kind = out[d["site"]], d["kind"]
        if kind["kind"] == "missing":
            site["present"] = False
        elif kind["kind"] == "size":
            site["size"] = kind["ratio"]
        elif kind["kind"] == "displaced":
            site["at"] = [site["at"][0] + kind["by_mm"][0], site["at"][1] + kind["by_mm"][1]]
    return out


def clutter(s, scene, side, above):
    for c in scene["clutter"]:
        what = c["what"]
        on = "board" if what in ("trace", "via") else c["side"]
        is_above = what in ("stain", "glare") or (what == "dot" and c["soft_mm"] > 0)
        if on != side or is_above != above:
            continue
        if what == "trace":
            s.gain(line(s.x, s.y, c["points_mm"], c["width_mm"]), c["gain"])
        elif what == "via":
            x, y = s.local(c["at_mm"])
            s.cover(disc(x, y, c["pad_mm"]), c["pad"])
            s.cover(disc(x, y, c["hole_mm"]), c["hole"])
        elif what == "stroke":
            s.cover(line(s.x, s.y, c["points_mm"], c["width_mm"]), c["brightness"])
        elif what == "dot":
            s.cover(disc(*s.local(c["at_mm"]), c["diameter_mm"]), c["brightness"], c["soft_mm"])
        elif what == "circle":
            r = np.hypot(*s.local(c["at_mm"]))
            s.cover(c["width_mm"] / 2 - np.abs(r - c["diameter_mm"] / 2), c["brightness"])
        elif what == "stain":
            bells = sum(np.exp(-((s.x - x) ** 2 + (s.y - y) ** 2) / r**2) for x, y, r in c["lobes_mm"])
            s.gain((bells - 0.5) * max(r for _, _, r in c["lobes_mm"]), c["gain"], c["soft_mm"])
        elif what == "glare":
            x, y = s.local(c["at_mm"])
            s.light += c["brightness"] * np.exp(-(x * x + y * y) / (2 * c["sigma_mm"] ** 2))
    if above:
        part = scene["part" if side == "part" else "board"]
        for d in scene["defects"]:
            if d["side"] == side and d["kind"]["kind"] == "hidden":
                site = next(t for t in part["sites"] if t["id"] == d["site"])
                x, y = s.local(site["at_mm"])
                s.light += d["kind"]["brightness"] * np.exp(-(x * x + y * y) / (2 * d["kind"]["sigma_mm"] ** 2))


def marks(s, part, side, brightness):
    for m in part["marks"]:
        if m["side"] == side:
            s.cover(piece_depth(*s.local(m["at_mm"], m["angle_rad"]), m["piece"]), brightness)


def underside(s, scene):
    part, look = scene["part"], scene["part_look"]
    s.light[:] = look["body"]["brightness"]
    clutter(s, scene, "part", above=False)
    x, y = s.local(part["body_centre_mm"])
    s.cover(-rounded(x, y, *part["body_mm"], 0.05), look["surround"]["brightness"], 0.04)
    marks(s, part, "part", look["mark"])
    t, sites = look["terminals"], drawn(scene, "part")
    for site in part["sites"]:
        if not sites[site["id"]]["present"]:
            for piece in site["terminal"]:
                shift = turn(*piece["shift_mm"], site["angle_rad"])
                at = np.add(sites[site["id"]]["at"], shift)
                if s.far(at):
                    continue
                s.gain(piece_depth(*s.local(at, site["angle_rad"]), piece, 0.85), t["residue"])
    for d in scene["defects"]:
        if d["kind"]["kind"] == "bridged":
            ball = next(v for v in part["sites"] if v["id"] == d["site"])["terminal"][0]["size_mm"][0]
            ends = [sites[d["site"]]["at"], sites[d["kind"]["to"]]["at"]]
            s.cover(line(s.x, s.y, ends, d["kind"]["width"] * ball), t["face"] * (1 - 0.3 * t["face_fall"]))
            if t["ring"]:
                s.cover(line(s.x, s.y, ends, 0.24 * d["kind"]["width"] * ball), 0.8 * t["ring"]["brightness"], 0.1 * ball)
    theta = np.deg2rad(scene["bench_from_part"]["theta_deg"])
    for site in part["sites"]:
        here = sites[site["id"]]
        if not here["present"]:
            continue
        for piece in site["terminal"]:
            at = np.add(here["at"], turn(*piece["shift_mm"], site["angle_rad"]))
            if not s.far(at):
                terminal(s, t, site, here, piece, at, theta)


def terminal(s, t, site, here, piece, at, theta):
    x, y = s.local(at, site["angle_rad"])
    hx, hy = piece_half(piece, here["size"])
    radius, u = min(hx, hy), t["uneven"]
    # the bench's own directions, seen from the terminal
    bx, by = turn(x, y, theta + site["angle_rad"])
    r, phi = np.hypot(bx, by), np.arctan2(by, bx)
    at_radius = radius * (t["ring"]["radius"] if t["ring"] else 1.0)
    direction = u["direction_rad"] + np.dot(u["drift_rad_per_mm"], site["at_mm"])

    def lit(share):
        first = share * u["amount"] * r / at_radius * np.cos(phi - direction)
        second = share * u["second"] * (r / at_radius) ** 2 * np.cos(2 * (phi - u["second_direction_rad"]))
        return np.maximum(1 + first + second, 0)

    face = t["face"] * (1 - t["face_fall"] * ((x / hx) ** 2 + (y / hy) ** 2))
    s.cover(piece_depth(x, y, piece, here["size"]), np.maximum(face * lit(0.3 if t["ring"] else 1.0), 0))
    if piece["shape"] != "round":
        return
    if t["ring"]:
        ring = t["ring"]
        depth = ring["width"] * radius / 2 - np.abs(r - ring["radius"] * radius)
        s.cover(depth, ring["brightness"] * lit(1.0), ring["soft"] * radius)
    if t["spot"]:
        spot = t["spot"]
        depth = spot["radius"] * radius - np.hypot(bx - spot["at"][0] * radius, by - spot["at"][1] * radius)
        s.cover(depth, spot["brightness"], spot["soft"] * radius)


def board(s, scene):
    part, look = scene["board"], scene["board_look"]
    s.light[:] = look["mask"]["brightness"]
    clutter(s, scene, "board", above=False)
    l, sites = look["lands"], drawn(scene, "board")
    theta = np.deg2rad(scene["bench_from_board"]["theta_deg"])
    shown = [(site, sites[site["id"]]) for site in part["sites"] if sites[site["id"]]["present"]]
    place = lambda site, here, piece: np.add(here["at"], turn(*piece["shift_mm"], site["angle_rad"]))
    if l["gap_mm"] > 0:
        openings = []
        for site, here in shown:
            for piece in site["land"]:
                if s.far(here["at"]):
                    openings.append(None)
                    continue
                x, y = s.local(place(site, here, piece) + np.array(l["opening_shift_mm"]), site["angle_rad"])
                openings.append(piece_depth(x, y, piece) + l["gap_mm"])
                s.cover(openings[-1], l["gap"])
        for c in scene["clutter"]:
            if c["what"] == "trace":
                for end in (c["points_mm"][0], c["points_mm"][-1]):
                    for (site, _), opening in zip(shown, openings):
                        if opening is not None and np.hypot(*np.subtract(site["at_mm"], end)) < 0.25 * site["land"][0]["size_mm"][0]:
                            s.cover(np.minimum(opening, line(s.x, s.y, c["points_mm"], c["width_mm"])), 0.8 * l["face"])
    for site, here in shown:
        for piece in site["land"]:
            if s.far(here["at"]):
                continue
            x, y = s.local(place(site, here, piece), site["angle_rad"])
            hx, hy = piece_half(piece, here["size"])
            light = l["face"] * (1 - l["face_fall"] * ((x / hx) ** 2 + (y / hy) ** 2))
            if l["highlight"]:
                h, radius = l["highlight"], min(hx, hy)
                bx, by = turn(x, y, theta + site["angle_rad"])
                d2 = (bx / radius - h["at"][0]) ** 2 + (by / radius - h["at"][1]) ** 2
                light = light + l["face"] * h["gain"] * np.exp(-d2 / (2 * h["sigma"] ** 2))
            s.cover(piece_depth(x, y, piece, here["size"]), np.maximum(light, 0))
    marks(s, part, "board", look["mark"])


def smooth(image, sigma_cells, axis):
    """Convolves with the integral of the Gaussian over each cell."""
    reach = int(np.ceil(5 * sigma_cells))
    t = np.arange(-reach, reach + 1)
    fine = (np.arange(21) - 10) / 21
    taps = np.exp(-((t[:, None] + fine) ** 2) / (2 * sigma_cells**2)).mean(axis=1)
    taps /= taps.sum()
    out = np.zeros_like(image)
    for k, w in zip(t, taps):
        out += w * np.roll(image, k, axis)
    return out


def smear(image, length_cells, angle):
    """Averages shifted copies along the line, by the phase of their spectrum."""
    fy = np.fft.fftfreq(image.shape[0])[:, None]
    fx = np.fft.rfftfreq(image.shape[1])[None, :]
    along = fx * np.cos(angle) + fy * np.sin(angle)
    return np.fft.irfft2(np.fft.rfft2(image) * np.sinc(along * length_cells), image.shape)


def view_light(scene, view, light):
    width, height = scene["optics"]["frame"]["size_px"]
    side, blur = view["shows"], light["blur"]
    margin = int(np.ceil(5 * max(blur["sigma_px"]) + blur["smear_px"])) + 2
    pose = scene["bench_from_part" if side == "part" else "bench_from_board"]
    inverse = np.linalg.inv(view["px_from_mm"])
    # tile by tile, so that the samples fit in little memory and far objects are passed over
    k, tile = N // CELLS, 24
    cells = np.zeros(((height + 2 * margin) * CELLS, (width + 2 * margin) * CELLS))
    for top in range(-margin, height + margin, tile):
        for left in range(-margin, width + margin, tile):
            rows, columns = min(tile, height + margin - top), min(tile, width + margin - left)
            i, j = np.meshgrid(np.arange(columns * N), np.arange(rows * N))
            # sheared by the golden ratio: an edge along rows or columns must not meet a whole line of samples at once
            x = (i + (j * 0.618034) % 1) / N - 0.5 + left
            y = (j + (i * 0.618034) % 1) / N - 0.5 + top
            x, y = from_pose(*project(inverse, *ideal(scene["optics"]["lens"], x, y)), pose)
            s = Samples(x, y, np.zeros_like(x))
            underside(s, scene) if side == "part" else board(s, scene)
            clutter(s, scene, side, above=True)
            r, c = (top + margin) * CELLS, (left + margin) * CELLS
            cells[r : r + rows * CELLS, c : c + columns * CELLS] = s.light.reshape(rows * CELLS, k, columns * CELLS, k).mean(axis=(1, 3))
    cells = smooth(smooth(cells, blur["sigma_px"][0] * CELLS, 1), blur["sigma_px"][1] * CELLS, 0)
    if blur["smear_px"] > 0:
        cells = smear(cells, blur["smear_px"] * CELLS, blur["smear_rad"])
    pixels = cells.reshape(height + 2 * margin, CELLS, -1, CELLS).mean(axis=(1, 3))[margin:-margin, margin:-margin]
    u = (np.arange(width) + 0.5) / (width / 2) - 1
    v = (np.arange(height) + 0.5) / (height / 2) - 1
    return pixels * light["gain"] * (1 + light["gradient"][0] * u[None, :] + light["gradient"][1] * v[:, None])


def render(scene):
    frame = scene["optics"]["frame"]
    width, height = frame["size_px"]
    total = np.zeros((height, width, frame["channels"]))
    for view, light in zip(scene["optics"]["views"], scene["lights"]):
        assert view["exposure"] == 0 and view["region_px"] is None
        total += view_light(scene, view, light)[:, :, None] * np.array(view["tint"])
    u, v = np.arange(width) - (width - 1) / 2, np.arange(height) - (height - 1) / 2
    r2 = (u[None, :] ** 2 + v[:, None] ** 2) / (u[0] ** 2 + v[0] ** 2)
    total = total * (1 - scene["sensor"]["vignetting"] * r2)[:, :, None] + scene["sensor"]["stray"]
    return frame["black"] + (frame["white"] - frame["black"]) * np.clip(total, 0, 1) ** (1 / frame["gamma"])


def centres_off(scene, truth):
    """The largest distance between the truth's centres and the peer's own, px."""
    worst = 0.0
    for side, key in (("part", "terminals"), ("board", "lands")):
        pose, sites = scene["bench_from_part" if side == "part" else "bench_from_board"], drawn(scene, side)
        part = scene["part" if side == "part" else "board"]
        for site, stated in zip(part["sites"], truth[key]):
            piece = site["terminal" if side == "part" else "land"][0]
            local = list(piece["shift_mm"])
            if piece["shape"] == "outline":
                local = np.add(local, centroid(list(zip(piece["size_mm"][::2], piece["size_mm"][1::2]))))
            at = np.add(sites[site["id"]]["at"], turn(*local, site["angle_rad"]))
            for s in stated["seen"]:
                view = scene["optics"]["views"][s["view"]]
                xy = seen(scene["optics"]["lens"], *project(view["px_from_mm"], *to_pose(*at, pose)))
                worst = max(worst, float(np.hypot(*np.subtract(xy, s["centre_px"]))))
    return worst


def main(folder):
    names = sorted(pathlib.Path(folder).glob("*.json"))
    if not names:
        sys.exit(f"no scenes in {folder}")
    good = True
    for path in names:
        data = json.loads(path.read_text())
        theirs = read_png(path.with_suffix(".png"))
        mine = render(data["scene"])
        off = np.abs(theirs - mine) * 255 / 65535
        centres = centres_off(data["scene"], data["truth"])
        at = np.unravel_index(off.argmax(), off.shape)
        ok = off.max() < LIMIT_DN and centres < 1e-6
        good &= ok
        print(
            f"{path.stem}: largest difference {off.max():.3f} of 255 at x {at[1]} y {at[0]} channel {at[2]}, rms {np.sqrt((off**2).mean()):.4f}; "
            f"centres {centres:.1e} px: {'agrees' if ok else 'DIFFERS'}"
        )
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main(sys.argv[1])
