"""Pictures through split optics, drawn apart from vision/scene: balls are spheres that mirror a ring of lamps, lands lie in openings of the
mask with traces to vias, feet and pads are bent metal; the optics blur with a disc, and the sensor has one colour a pixel if it is asked for.

Everything is painted in patches of OVER x OVER samples a pixel. Light is a share of full scale; places are px, pixel centres whole numbers.
"""

import math

import cv2
import numpy as np

OVER = 6


class Patch:
    """The samples of a square about a place."""

    def __init__(self, at, reach):
        self.x0, self.y0 = (int(math.floor(v - reach)) for v in at)
        self.n = int(math.ceil(2 * reach)) + 2
        samples = (np.arange(self.n * OVER) + 0.5) / OVER - 0.5
        self.x, self.y = np.meshgrid(self.x0 + samples, self.y0 + samples)

    def paint(self, light, value, covers):
        """Puts a value where the samples say that it covers what lies there."""
        height, width = light.shape
        mean = lambda v: v.reshape(self.n, OVER, self.n, OVER).mean((1, 3))
        share, painted = mean(covers.astype(float)), mean(value * covers)
        left, top = max(0, self.x0), max(0, self.y0)
        right, bottom = min(width, self.x0 + self.n), min(height, self.y0 + self.n)
        if left < right and top < bottom:
            inner = (slice(top - self.y0, bottom - self.y0), slice(left - self.x0, right - self.x0))
            light[top:bottom, left:right] = light[top:bottom, left:right] * (1 - share[inner]) + painted[inner]


class Ring:
    """Lamps round the lens, what falls through it, and the room's light."""

    def __init__(self, rng):
        self.height = math.radians(rng.uniform(20, 65))
        self.width = math.radians(rng.uniform(4, 14))
        self.lamps, self.phase = int(rng.choice([0, 8, 12, 24])), rng.uniform(0, 7)
        self.uneven, self.brightest = rng.uniform(0, 0.4), rng.uniform(0, 7)
        self.gaps = rng.uniform(0.25, 0.5)
        self.through_lens = rng.uniform(0, 1.0) if rng.random() < 0.5 else 0.0
        self.room = rng.uniform(0.05, 0.35)

    def light(self, x, y, z, rough):
        """From where a unit vector points, seen in metal whose slopes scatter by `rough` radians."""
        height, around = np.arcsin(np.clip(z, -1, 1)), np.arctan2(y, x)
        ring = np.exp(-0.5 * ((height - self.height) / math.hypot(self.width, rough)) ** 2)
        if self.lamps:
            ring = ring * (1 - self.gaps * math.exp(-6 * rough) * (1 - np.cos(self.lamps * (around - self.phase))))
        ring = ring * (1 + self.uneven * np.cos(around - self.brightest))
        through_lens = self.through_lens * np.exp(-0.5 * ((height - math.pi / 2) / (0.12 + rough)) ** 2)
        return ring + through_lens + self.room * np.clip(z, 0, 1)


def ball(light, at, radius, ring, rough, metal, ground):
    """A sphere that mirrors the lamps above and the part's body below."""
    patch = Patch(at, radius + 2)
    x, y = (patch.x - at[0]) / radius, (patch.y - at[1]) / radius
    squared = x * x + y * y
    z = np.sqrt(np.clip(1 - squared, 0, 1))
    up = 2 * z * z - 1
    above = metal * ring.light(2 * z * x, 2 * z * y, up, rough)
    below = metal * ground * 0.8 * (1 + 0.5 * up)
    patch.paint(light, np.where(up < 0, below, above) + 0.12 * z, squared < 1)


def disc(light, at, radius, value, dome=0.0, lean=(0.0, 0.0)):
    """Light that falls by a share `dome` towards the rim, and leans."""
    patch = Patch(at, radius + 2)
    x, y = (patch.x - at[0]) / radius, (patch.y - at[1]) / radius
    squared = x * x + y * y
    patch.paint(light, value * (1 - dome * squared + lean[0] * x + lean[1] * y), squared < 1)


def quadrilateral(light, corners, value, shade=None):
    """A convex one; `shade` is a factor over its two axes, -1 to 1 each."""
    corners = np.asarray(corners)
    middle = corners.mean(0)
    patch = Patch(middle, np.abs(corners - middle).max() + 1)
    a, b = corners[1] - corners[0], corners[2] - corners[1]
    sense = np.sign(a[0] * b[1] - a[1] * b[0])
    covers = np.ones(patch.x.shape, bool)
    for p, q in zip(corners, np.roll(corners, -1, 0)):
        covers &= ((q[0] - p[0]) * (patch.y - p[1]) - (q[1] - p[1]) * (patch.x - p[0])) * sense >= 0
    along = lambda axis: ((patch.x - middle[0]) * axis[0] + (patch.y - middle[1]) * axis[1]) / (axis @ axis)
    factor = 1.0 if shade is None else shade(along(a / 2), along((corners[3] - corners[0]) / 2))
    patch.paint(light, np.full(patch.x.shape, value) * factor, covers)


def laminate(rng, shape, level, amount):
    """Grain, mottle and the weave of the glass."""
    height, width = shape
    grain = cv2.GaussianBlur(rng.normal(0, 1, shape), (0, 0), rng.uniform(0.8, 3))
    mottle = cv2.resize(rng.normal(0, 1, (8, 10)), (width, height), interpolation=cv2.INTER_CUBIC)
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    period, skew = rng.uniform(9, 30), rng.uniform(0, 0.1)
    weave = np.cos(2 * math.pi * (x + skew * y) / period) * np.cos(2 * math.pi * (y - skew * x) / period)
    return level * (1 + amount * (0.5 * grain / grain.std() + 0.4 * mottle + 0.5 * weave))


def through_lens(rng, light, defocus_px, blur_px):
    """A disc of confusion, a Gaussian, and what the lens loses towards its rim."""
    if defocus_px > 0.3:
        n, over = int(math.ceil(defocus_px)) + 1, 7
        samples = (np.arange((2 * n + 1) * over) + 0.5) / over - n - 0.5
        x, y = np.meshgrid(samples, samples)
        kernel = (x * x + y * y < defocus_px**2).astype(float).reshape(2 * n + 1, over, 2 * n + 1, over).mean((1, 3))
        light = cv2.filter2D(light, -1, kernel / kernel.sum(), borderType=cv2.BORDER_REFLECT)
    light = cv2.GaussianBlur(light, (0, 0), blur_px, borderType=cv2.BORDER_REFLECT)
    x, y = np.meshgrid(np.linspace(-1, 1, light.shape[1]), np.linspace(-0.75, 0.75, light.shape[0]))
    return light * (1 - rng.uniform(0, 0.3) * (x * x + y * y)) * (1 + rng.uniform(-0.15, 0.15) * x + rng.uniform(-0.15, 0.15) * y)


def photograph(rng, lights, tints, one_colour_a_pixel=False):
    """8-bit numbers, rows x columns x channels, of lights in their tints: shot noise, read noise, unequal pixels."""
    light = sum(plane[..., None] * np.asarray(tint, float) for plane, tint in zip(lights, tints))
    electrons = rng.uniform(6000, 15000)
    light = light * (1 + rng.normal(0, 0.006, light.shape))
    noisy = light + rng.normal(0, 1, light.shape) * np.sqrt(np.clip(light, 0, None) / electrons + 0.0015**2)
    raw = np.clip(np.round(noisy * 255), 0, 255).astype(np.uint8)
    if one_colour_a_pixel:
        mosaic = raw[..., 1].copy()
        mosaic[0::2, 0::2], mosaic[1::2, 1::2] = raw[0::2, 0::2, 0], raw[1::2, 1::2, 2]
        # OpenCV names the pattern after its second row: red stands in the upper left corner.
        raw = cv2.cvtColor(mosaic, [cv2.COLOR_BAYER_BG2RGB, cv2.COLOR_BAYER_BG2RGB_EA][rng.integers(2)])
    return raw
