"""Targets found and cameras calibrated by landfit-calibration against OpenCV, on open calibration pictures.

Besides: Zhang's published points (tests/check-values/zhang_1998_points.csv), where the published model bends the lens about the principal
point and landfit leaves the centre free. Both are compared with their like: landfit with its centre held, and the published model with its
centre freed (scipy).

Compared with: cv2.findChessboardCorners + cornerSubPix and cv2.findCirclesGrid (where the marks are), cv2.calibrateCamera (what the
same marks make of lens and residuals). Pictures: tests/real-pictures, each folder with its SOURCE.md. Versions: tests/requirements.txt.

usage: check_calibration.py PROGRAM [-v]     PROGRAM is the built example calibrate_pictures of landfit-calibration
"""

import json
import pathlib
import subprocess
import sys

import cv2
import numpy as np
from scipy.optimize import least_squares

from tally import Tally

PICTURES = pathlib.Path(__file__).resolve().parent.parent / "real-pictures"
CORNERS = sorted((PICTURES / "opencv-doc-samples").glob("left*.jpg"))
CIRCLES = sorted((PICTURES / "circle-grid-camera-calibration-api").glob("symmetric*.png"))
STAGGERED = sorted((PICTURES / "circle-grid-camera-calibration-api").glob("asymmetric*.png"))
# Radial terms only, as landfit has them.
RADIAL = cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3


def ask_landfit(program, kind, files):
    command = [program, *kind, "--", *map(str, files)]
    return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def corners_of(grey):
    found, corners = cv2.findChessboardCorners(grey, (9, 6))
    if not found:
        return None
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
    return cv2.cornerSubPix(grey, corners, (8, 8), (-1, -1), criteria).reshape(-1, 2)


def circles_of(grey, size, flags):
    found, centres = cv2.findCirclesGrid(grey, size, flags=flags)
    return centres.reshape(-1, 2) if found else None


def paired(marks, theirs, reach):
    """Which of our marks, their places on the target, ours and theirs in the picture, nearest to nearest."""
    pairs = []
    for q in theirs:
        off = np.hypot(*(marks[:, 2:] - q).T)
        i = int(off.argmin())
        if off[i] < reach:
            pairs.append((i, marks[i, :2], marks[i, 2:], q))
    which, target, ours, also = map(np.array, zip(*pairs))
    return which, target, ours, also


def calibrated(targets, pixels, size):
    objects = [np.c_[t, np.zeros(len(t))].astype(np.float32) for t in targets]
    images = [p.astype(np.float32).reshape(-1, 1, 2) for p in pixels]
    rms, matrix, lens, *_, by_view = cv2.calibrateCameraExtended(objects, images, size, None, None, flags=RADIAL)
    return rms, matrix, lens.ravel(), by_view.ravel()


def compare(tally, program, name, kind, files, theirs_of, apart_px, verbose):
    answer = ask_landfit(program, kind, files)
    targets, ours, theirs, left = [], [], [], []
    for shot, (file, picture) in enumerate(zip(files, answer["pictures"])):
        grey = cv2.imread(str(file), cv2.IMREAD_GRAYSCALE)
        found = theirs_of(grey)
        marks = np.array(picture["marks"])
        if found is None:
            # Where OpenCV finds nothing there is nothing to compare; that landfit finds the target counts.
            tally.check(f"{name}: found where findCirclesGrid gives up", len(marks) > 8)
            continue
        which, t, a, b = paired(marks, found, 3.0)
        residuals = [r for r in answer["residuals"] if r[0] == shot]
        used = np.array([residuals[i][1:3] for i in which if residuals[i][3]])
        left.append(np.sqrt((used**2).sum(1).mean()))
        tally.check(f"{name}: finds the marks that OpenCV finds", len(t) >= len(found) - 1)
        apart = np.hypot(*(a - b).T)
        tally.check(f"{name}: marks stand where OpenCV has them", np.sqrt((apart**2).mean()) < apart_px)
        targets.append(t), ours.append(a), theirs.append(b)
        if verbose:
            print(f"{name} {file.name}: {len(t)} of {len(found)} marks, apart {np.sqrt((apart**2).mean()):.3f} px (RMS)")
    size = grey.shape[::-1]
    own, matrix, lens, by_view = calibrated(targets, ours, size)
    peer, peer_matrix, peer_lens, _ = calibrated(targets, theirs, size)
    # landfit weighs each picture by its own residuals: what it makes small is the product of the pictures' residuals.
    rms, own_mean = (np.exp(np.log(values).mean()) for values in (left, by_view))
    if verbose:
        print(f"{name}: calibrateCamera with landfit's marks {own:.4f} px, with OpenCV's {peer:.4f} px; landfit's own fit {rms:.4f} px, calibrateCamera's {own_mean:.4f} px (geometric mean over pictures)")
    tally.check(f"{name}: calibrateCamera's residuals are no larger with landfit's marks", own <= 1.02 * peer)
    # A homography for each picture is freer than one camera for all of them.
    tally.check(f"{name}: landfit's own fit leaves no more than calibrateCamera", rms <= 1.02 * own_mean)
    return answer, peer_matrix, peer_lens


def compare_lens(tally, name, answer, matrix, lens, verbose):
    """The lens of calibrateCamera in landfit's terms: radius in units of norm_px instead of the focal length."""
    focal, norm = (matrix[0, 0] + matrix[1, 1]) / 2, answer["norm_px"]
    expected = [lens[0] * (norm / focal) ** 2, lens[1] * (norm / focal) ** 4, matrix[0, 2], matrix[1, 2]]
    for word, (value, u), theirs in zip(["k1", "k2", "centre x", "centre y"], answer["lens"], expected):
        if verbose:
            print(f"{name}: {word} {value:.5f} ± {u:.5f}, calibrateCamera {theirs:.5f}, {abs(value - theirs) / u:.1f} u apart")
        # The other library's values are as uncertain: three of the two together.
        tally.check(f"{name}: {word} agrees with calibrateCamera within their uncertainties", abs(value - theirs) < 3 * np.sqrt(2) * u)


POINTS = PICTURES.parent / "check-values" / "zhang_1998_points.csv"
# alpha, beta, u0, v0, k1, k2 as published (Zhang, MSR-TR-98-71, 1998).
PUBLISHED = [832.5, 832.53, 303.959, 206.585, -0.228601, 0.190353]


def published_points():
    rows = [line for line in POINTS.read_text().splitlines() if line[0] not in "#X"]
    table = np.array([[float(v) for v in row.split(",")] for row in rows])
    return table[:, :2], [table[:, 2 + 2 * v : 4 + 2 * v] for v in range(5)]


def with_free_centre(target, views, rotations, translations):
    """The published model with a centre of its own for the lens, each view weighed by its own residuals: k1, k2, centre."""

    def off(p):
        (alpha, beta, u0, v0, k1, k2, skew, cx, cy), per_view = p[:9], p[9:].reshape(5, 6)
        for (pose, seen) in zip(per_view, views):
            x, y, depth = (target @ cv2.Rodrigues(pose[:3])[0][:, :2].T + pose[3:]).T
            ideal = np.c_[alpha * x / depth + skew * y / depth + u0, beta * y / depth + v0]
            d = (ideal - (cx, cy)) / alpha
            r2 = (d**2).sum(1, keepdims=True)
            yield ideal + alpha * d * (k1 * r2 + k2 * r2**2) - seen

    poses = np.concatenate([np.r_[r.ravel(), t.ravel()] for r, t in zip(rotations, translations)])
    p, sds = np.r_[PUBLISHED, 0.0, PUBLISHED[2:4], poses], np.ones(5)
    for _ in range(8):
        p = least_squares(lambda q: np.concatenate([(o / sd).ravel() for o, sd in zip(off(q), sds)]), p, x_scale="jac").x
        sds = [np.sqrt((o**2).mean()) for o in off(p)]
    return [p[4], p[5], p[7], p[8]]


def compare_published(tally, program, verbose):
    target, views = published_points()
    objects = [np.c_[target, np.zeros(len(target))].astype(np.float32)] * 5
    images = [v.astype(np.float32).reshape(-1, 1, 2) for v in views]

    def rms(answer):
        return np.sqrt(np.mean([r[1] ** 2 + r[2] ** 2 for r in answer["residuals"]]))

    def opencv(flags):
        return cv2.calibrateCamera(objects, images, (640, 480), None, None, flags=flags)

    radial, _, _, rotations, translations = opencv(RADIAL)
    tangential, matrix, lens, *_ = opencv(cv2.CALIB_FIX_K3)
    held = ask_landfit(program, ["points", "832.5", *map(str, PUBLISHED[2:4])], [POINTS])
    for word, (value, u), published in zip(["k1", "k2"], held["lens"], PUBLISHED[4:]):
        tally.check(f"published points, centre held: {word} is the published one within its uncertainty", abs(value - published) < u)
        if verbose:
            print(f"published points, centre held: {word} {value:.5f} ± {u:.5f}, published {published:.5f}")
    tally.check("published points, centre held: residuals no larger than calibrateCamera's", rms(held) <= radial)
    free = ask_landfit(program, ["points", "832.5"], [POINTS])
    outside = with_free_centre(target, views, rotations, translations)
    for word, (value, u), theirs in zip(["k1", "k2", "centre x", "centre y"], free["lens"], outside):
        tally.check(f"published points, centre free: {word} is that of the published model with its centre freed", abs(value - theirs) < u)
        if verbose:
            print(f"published points, centre free: {word} {value:.5f} ± {u:.5f}, the published model with a free centre {theirs:.5f}")
    # Tangential terms are a shift of the centre to first order: p = -k1 times the shift over the focal length.
    k1, p1 = lens.ravel()[[0, 2]]
    centre_y, (y, u) = matrix[1, 2] - p1 / k1 * matrix[1, 1], free["lens"][3]
    tally.check("published points, centre free: calibrateCamera's tangential terms say the same", abs(y - centre_y) < 2 * u)
    tally.check("published points, centre free: residuals no larger than calibrateCamera's with tangential terms", rms(free) <= tangential)
    if verbose:
        print(f"published points: calibrateCamera {radial:.5f} px, with tangential terms {tangential:.5f} px and its centre at row {centre_y:.2f}; landfit centre held {rms(held):.5f} px, free {rms(free):.5f} px at row {y:.2f} ± {u:.2f}")


def main():
    program, verbose = sys.argv[1], "-v" in sys.argv[2:]
    tally = Tally("calibration against OpenCV")
    name = "checkerboard"
    answer, matrix, lens = compare(tally, program, name, ["checkerboard", "1"], CORNERS, corners_of, 0.12, verbose)
    compare_lens(tally, name, answer, matrix, lens, verbose)

    def circles(size, flags):
        def of(grey):
            found = [circles_of(grey, s, flags) for s in (size, size[::-1])]
            return next((f for f in found if f is not None), None)
        return of

    symmetric = circles((5, 6), cv2.CALIB_CB_SYMMETRIC_GRID)
    compare(tally, program, "dots", ["dots", "1"], CIRCLES, symmetric, 0.25, verbose)
    staggered = circles((4, 11), cv2.CALIB_CB_ASYMMETRIC_GRID)
    compare(tally, program, "staggered dots", ["staggered", "2", "1"], STAGGERED, staggered, 0.25, verbose)
    compare_published(tally, program, verbose)
    tally.finish()


if __name__ == "__main__":
    main()
