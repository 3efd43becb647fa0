"""Centres of rectangles as landfit-vision measures them, against an independent fit.

The pictures come from the closed form of a rectangle behind a Gaussian blur (a product of differences of error functions), with
shading across each rectangle and white noise; the other fit is scipy.optimize.least_squares on that very form, every unknown free:
the maximum-likelihood centre, whose covariance is the Cramér-Rao bound.

usage: check_outlines.py PROGRAM     PROGRAM is the built example fit_outlines of landfit-vision
"""

import json
import subprocess
import sys

import numpy as np
from scipy.optimize import least_squares
from scipy.special import erf

from tally import Tally

N_PICTURES = 12
PER_PICTURE = 8
WIDTH, HEIGHT = 420, 240


def local(x, y, at, turn):
    dx, dy = x - at[0], y - at[1]
    return np.cos(turn) * dx + np.sin(turn) * dy, -np.sin(turn) * dx + np.cos(turn) * dy


def box(u, v, width, length, blur):
    def edge(t, half):
        return 0.5 * (erf((t + half) / (blur * np.sqrt(2))) - erf((t - half) / (blur * np.sqrt(2))))

    return edge(u, width / 2) * edge(v, length / 2)


def random_picture(rng):
    turn, blur, noise = rng.uniform(-0.2, 0.2), rng.uniform(0.8, 1.5), rng.uniform(0.004, 0.012)
    width, length = rng.uniform(11, 24), rng.uniform(30, 70)
    ground, step = rng.uniform(0.05, 0.3), rng.uniform(0.15, 0.5) * rng.choice([-1, 1])
    ground += max(0.0, -step)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    light = np.full((HEIGHT, WIDTH), ground)
    rectangles = []
    for i in range(PER_PICTURE):
        at = np.array([40 + 48 * i, HEIGHT / 2]) + rng.uniform(-1, 1, 2)
        u, v = local(x, y, at, turn)
        slope = rng.uniform(-0.1, 0.1, 2) / np.array([width, length])
        light += step * box(u, v, width, length, blur) * (1 + slope[0] * u + slope[1] * v)
        rectangles.append({"truth": at, "start": at + rng.uniform(-0.8, 0.8, 2)})
    light += noise * rng.standard_normal(light.shape)
    return {"light": light, "rectangles": rectangles, "turn": turn, "blur": blur, "noise": noise, "size": (width, length), "step": step}


def ask_landfit(program, pictures):
    question = [
        {
            "width": WIDTH,
            "height": HEIGHT,
            "light": p["light"].ravel().round(6).tolist(),
            # The designed size is a little off the true one, as etching leaves it.
            "rectangles": [
                {"at": list(r["start"]), "width": p["size"][0] + 0.4, "length": p["size"][1] + 0.4, "turn": p["turn"]}
                for r in p["rectangles"]
            ],
        }
        for p in pictures
    ]
    done = subprocess.run([program], input=json.dumps(question), capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def scipy_fit(picture, rectangle):
    reach = int(picture["size"][1] / 2 + 10)
    cx, cy = (int(round(c)) for c in rectangle["start"])
    half = int(picture["size"][0] / 2 + 8)
    ys = slice(max(0, cy - reach), cy + reach + 1)
    xs = slice(max(0, cx - half), cx + half + 1)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(float)
    x, y, light = x[ys, xs], y[ys, xs], picture["light"][ys, xs]

    def model(p):
        u, v = local(x, y, p[:2], picture["turn"])
        return p[5] + box(u, v, p[2], p[3], abs(p[4])) * (p[6] + p[7] * u / 10 + p[8] * v / 30)

    start = [*rectangle["start"], *picture["size"], 1.2, np.median(light), picture["step"], 0, 0]
    # Neighbours that reach into the window are taken out by a mask of what lies near this rectangle.
    u, v = local(x, y, rectangle["start"], picture["turn"])
    near = (np.abs(u) < picture["size"][0] / 2 + 6) & (np.abs(v) < picture["size"][1] / 2 + 8)
    best = least_squares(lambda p: (model(p) - light)[near], start, method="lm", x_scale="jac")
    covariance = np.linalg.inv(best.jac.T @ best.jac) * picture["noise"] ** 2
    return best.x[:2], covariance[:2, :2]


def main():
    program = sys.argv[1]
    rng = np.random.default_rng(20262)
    tally = Tally("rectangles")
    pictures = [random_picture(rng) for _ in range(N_PICTURES)]
    ours, theirs, ratios = [], [], []
    for picture, found in zip(pictures, ask_landfit(program, pictures)):
        for rectangle, answer in zip(picture["rectangles"], found):
            tally.check("measured", answer is not None)
            if answer is None:
                continue
            at, covariance = scipy_fit(picture, rectangle)
            gap = np.array(answer["at"]) - at
            bound = np.sqrt(np.diag(covariance))
            tally.check("centre within four bounds of scipy's", (np.abs(gap) < 4 * bound + 0.005).all())
            ours.append((np.array(answer["at"]) - rectangle["truth"]) / bound)
            theirs.append((at - rectangle["truth"]) / bound)
            ratios.append(np.sqrt(np.array(answer["covariance"])[[0, 2]]) / bound)
    ours, theirs, ratios = np.array(ours), np.array(theirs), np.array(ratios)
    print(f"scatter about the truth over the bound, x and y: landfit {ours.std(0).round(2)}, scipy {theirs.std(0).round(2)}")
    print(f"stated uncertainty over the bound, median: {np.median(ratios, 0).round(2)}")
    tally.check("scipy reaches its bound (the comparison is fair)", 0.85 < theirs.std() < 1.15)
    # The bound is that of one ground, one face and sharp corners. landfit leaves the light free on every side, because grounds and
    # faces of real leads differ, and leaves corners out: that costs half as much again.
    tally.check("landfit's scatter is at most 1.7 bounds", ours.std() < 1.7)
    tally.check("no common bias", (np.abs(ours.mean(0)) < 0.35).all())
    tally.check("the stated uncertainty is the scatter's", 0.75 < np.median(ratios) / ours.std() < 1.25)
    tally.finish()


if __name__ == "__main__":
    main()
