"""Draws one marked picture for every state of the overlay into demo-images/states/, at true size, as PNG with a palette:

    .venv/bin/python demo-images/draw_states.py [target/release/landfit]

Everything comes from the folders beside this file and from `landfit rehearse --save`; nothing is drawn by hand.
"""

import json
import struct
import subprocess
import sys
import tempfile
import zlib
from pathlib import Path

import cv2
import numpy as np

HERE = Path(__file__).parent
# The overlay's own colours (app/src/overlay/ink.rs): a palette must not lose them, however small their share of the picture.
INKS = ["141619", "0A0B0D", "F2EFE6", "A6A59E", "505459", "56B4E9", "E69F00", "F0E442", "CC79A7"]
PALETTE = 256


def main():
    landfit = sys.argv[1] if len(sys.argv) > 1 else str(HERE.parent / "target/release/landfit")
    out = HERE / "states"
    out.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as made:
        made = Path(made)
        rehearse = lambda name, *options: subprocess.run([landfit, "rehearse", "--save", made / name, *options], check=True, capture_output=True)
        rehearse("bare-knobs", "--on", "bare-knobs", "--seed", "3")
        rehearse("inch-thimbles", "--on", "inch-thimbles", "--seed", "4")
        rehearse("quad-leads", "--kinds", "qfp-0.5", "--seed", "5")
        rehearse("no-part", "--kinds", "no-part", "--seed", "2")
        rehearse("full-grid", "--kinds", "good-light", "--seed", "2")
        last = ["--last", "X=clockwise", "--last", "Y=clockwise", "--last", "R=anticlockwise"]
        draw(landfit, out / "within.png", HERE / "within", last)
        draw(landfit, out / "outside.png", HERE / "outside", last)
        draw(landfit, out / "undecided.png", undecided(landfit, HERE / "outside", made / "undecided"), last)
        draw(landfit, out / "absent-and-bridged.png", HERE / "missing-and-bridged", last)
        draw(landfit, out / "turned.png", HERE / "turned", [])
        draw(landfit, out / "no-answer.png", made / "no-part", [])
        draw(landfit, out / "look-at-a1.png", made / "full-grid", [])
        draw(landfit, out / "quad-leads.png", made / "quad-leads", [])
        draw(landfit, out / "two-exposures.png", HERE / "two-exposures", last)
        draw(landfit, out / "one-light.png", HERE / "one-light", last)
        draw(landfit, out / "corner-regions.png", HERE / "corner-regions", last)
        draw(landfit, out / "bare-knobs-and-jog-steps.png", made / "bare-knobs", [])
        draw(landfit, out / "inch-thimbles-and-tilt.png", made / "inch-thimbles", [])


def command(landfit, folder, *options):
    pictures = sorted(folder.glob("picture*.png"))
    return [landfit, "align", *pictures, "--part", folder / "part.toml", "--bench", folder / "bench.toml", *options]


def draw(landfit, to, folder, options):
    done = subprocess.run(command(landfit, folder, "--overlay", to, *options), capture_output=True, text=True)
    if done.returncode not in (0, 1, 3):
        sys.exit(f"{to.name}: {done.stderr}")
    write_with_palette(to, cv2.imread(str(to))[:, :, ::-1])
    print(f"{to.name}: {to.stat().st_size // 1000} kB, {done.stdout.splitlines()[1]}")


def undecided(landfit, folder, made):
    """The same picture with an allowance that is just the worst miss: it can be decided neither way."""
    made.mkdir()
    answer = json.loads(subprocess.run(command(landfit, folder, "--json"), capture_output=True, text=True).stdout)
    for file in folder.glob("*.*"):
        (made / file.name).write_bytes(file.read_bytes())
    text = (folder / "part.toml").read_text().split("[accept]")[0]
    (made / "part.toml").write_text(f"{text}[accept]\nmiss_mm = {answer['worst']['miss_mm']:.4f}\n")
    return made


def write_with_palette(path, rgb):
    palette = np.array(reserved() + common(rgb, PALETTE - len(reserved())), dtype=np.int32)
    cells, back = np.unique((rgb >> 1).reshape(-1, 3), axis=0, return_inverse=True)
    near = np.empty(len(cells), dtype=np.uint8)
    for i in range(0, len(cells), 4096):
        off = (cells[i : i + 4096, None, :].astype(np.int32) * 2 + 1) - palette[None]
        near[i : i + 4096] = np.argmin((off * off).sum(axis=2), axis=1)
    rows = near[back.reshape(-1)].reshape(rgb.shape[:2])
    data = b"".join(b"\0" + row.tobytes() for row in rows)
    height, width = rows.shape
    chunk = lambda kind, body: struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
    head = struct.pack(">IIBBBBB", width, height, 8, 3, 0, 0, 0)
    plte = b"".join(bytes(int(v) for v in colour) for colour in palette)
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"PLTE", plte) + chunk(b"IDAT", zlib.compress(data, 9)) + chunk(b"IEND", b"")
    )


def reserved():
    """Every ink, whole and as it fades into the ground."""
    ground = np.array([int(INKS[0][i : i + 2], 16) for i in (0, 2, 4)])
    inks = [np.array([int(ink[i : i + 2], 16) for i in (0, 2, 4)]) for ink in INKS]
    return [tuple(np.round(ground + share * (ink - ground))) for ink in inks[2:] for share in (1.0, 0.8, 0.6, 0.4, 0.22)] + [tuple(i) for i in inks[:2]]


def common(rgb, count):
    """The middles of the boxes that a median cut of the picture's colours leaves."""
    boxes = [rgb.reshape(-1, 3)[:: max(1, rgb.size // 3 // 200_000)].astype(np.int32)]
    while len(boxes) < count:
        spread = [(np.ptp(b, axis=0).max() if len(b) > 1 else 0) * len(b) ** 0.5 for b in boxes]
        box = boxes.pop(int(np.argmax(spread)))
        if len(box) < 2:
            boxes.append(box)
            break
        axis = int(np.argmax(np.ptp(box, axis=0)))
        box = box[np.argsort(box[:, axis], kind="stable")]
        boxes += [box[: len(box) // 2], box[len(box) // 2 :]]
    middles = [tuple(np.round(b.mean(axis=0))) for b in boxes]
    return middles + [(0, 0, 0)] * (count - len(middles))


main()
