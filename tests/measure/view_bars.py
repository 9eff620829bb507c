"""Marks a hurried hand sets on a drawn stand, the reading, and where its error comes from."""

import math
from dataclasses import dataclass

import numpy as np

import clipmark
from clipmark.measure.angle import measure_angle
from tests.measure.second_drawing import Stand, film

FRAME = 3  # predicted from others, in the middle of a group of pictures


@dataclass(frozen=True)
class Marked:
    """A stand's clip and rough marks: lines up to 8 px and 2 deg off, hubs and corners 6 px."""

    stand: Stand
    path: object
    ramp: list
    plumb: list
    hubs: list
    sheet: list
    rim_px: float


def mark(stand, path, megabits):
    """Film a stand and mark it."""
    film(stand, path, megabits)
    rng = np.random.default_rng([stand.seed, 9])
    half = stand.length / 2
    ramp = rough_line(stand, [[q * stand.along[0], q * stand.along[1], 0.0]
                              for q in np.linspace(-half, half, 400)], rng)  # fmt: skip
    plumb = rough_line(stand, [[stand.plumb_x, y, 8.0] for y in np.linspace(-900, 900, 2000)], rng)
    hubs = stand.px(stand.hubs()) + disc(rng, 2, 6.0)
    size = np.array([stand.optics.width, stand.optics.height]) - 1
    sheet = np.clip(stand.px(stand.sheet_corners()) + disc(rng, 4, 6.0), 0, size)
    rim = np.linalg.norm(stand.px(stand.hubs()[0] + [0, stand.rim]) - stand.px(stand.hubs()[:1]))
    return Marked(stand, path, ramp, plumb, hubs.ravel().tolist(), sheet.ravel().tolist(),
                  float(rim * rng.uniform(0.9, 1.1)))  # fmt: skip


def rough_line(stand, world, rng):
    px = stand.px(world)
    size = np.array([stand.optics.width, stand.optics.height])
    inside = np.flatnonzero(np.all((px > 20) & (px < size - 21), axis=1))
    a, b = px[inside[len(inside) // 25]], px[inside[-1 - len(inside) // 25]]
    middle, reach = (a + b) / 2, (b - a) / 2
    turn = math.radians(rng.uniform(-2, 2))
    c, s = math.cos(turn), math.sin(turn)
    middle = middle + rng.uniform(-8, 8) * np.array([-reach[1], reach[0]]) / np.hypot(*reach)
    reach = np.array([c * reach[0] - s * reach[1], s * reach[0] + c * reach[1]])
    return np.clip([middle - reach, middle + reach], 0, size - 1).ravel().tolist()


def disc(rng, count, radius):
    turn, reach = rng.uniform(0, 2 * math.pi, count), radius * np.sqrt(rng.uniform(0, 1, count))
    return np.column_stack([reach * np.cos(turn), reach * np.sin(turn)])


def read(marked, lens, draws=3000, **options):
    """The reading of a marked stand with a lens file."""
    asked = {
        "ramp": marked.ramp,
        "plumb": marked.plumb,
        "hubs": marked.hubs,
        "rim_px": marked.rim_px,
        "sheet": marked.sheet,
        "sheet_size": marked.stand.sheet_size,
        "facing": "right",
        "lens": lens,
        **options,
    }
    with clipmark.open_clip(marked.path) as clip:
        return measure_angle(clip, FRAME, draws=draws, **{"budget_draws": 0, **asked})


def exact_sheet(marked):
    """The stand's sheet marked exactly, to be taken as marked."""
    return marked.stand.px(marked.stand.sheet_corners()).ravel().tolist()
