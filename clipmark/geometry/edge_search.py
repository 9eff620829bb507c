"""Finding the edge that was meant, near a rough line.

Every line within reach is scored: the strip beside the rough line is averaged over short
blocks along it, filtered across with the derivative of a Gaussian (edges) or with a bar
between two flanks (strings), and summed along every shift and turn. A block's answer is
capped, so that a few strong blocks (a wheel, a shadow) cannot outvote a long even edge. Lines
nearer to the rough line are preferred. Pure maths.
"""

import itertools
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEP_PX = 0.5  # spacing of the strip across the line, and of the shifts tried
EDGE_SCALES_PX = (1.2, 2.5)
STRING_WIDTHS_PX = (1.5, 3.0, 5.0)
_CHANGING_BLOCKS = 5  # within which the polarity must hold where it may change along the line
_CHANGING_SHARE = 0.7  # what such a line counts against one of steady polarity
_SAME_LINE_PX = 2.5  # two lines nearer than this on average are one candidate
_LIKELY_SHIFT = 1.25  # prior sd of the operator's shift and turn, in units of the search range


@dataclass(frozen=True)
class Candidate:
    """A line found: over the rough line by `offset` px and `slope` (px per px).

    `sign` is +1 when it is brighter on the positive side (a string: brighter than its
    surroundings), 0 when that changes along it, `scale` the filter's scale in px, `score` the
    mean capped contrast (luma, 0..1), `weighted` the same preferred by nearness.
    """

    offset: float
    slope: float
    sign: int
    scale: float
    score: float
    weighted: float


def block_means(values: Floats, along: Floats, block_px: float) -> tuple[Floats, Floats]:
    """Strip averaged over blocks: means (B, W), and the middles of the blocks (B,)."""
    count = max(round((along[-1] - along[0]) / block_px), 4)
    cuts = np.linspace(0, len(along), count + 1).astype(int)
    means = np.stack([values[a:b].mean(axis=0) for a, b in itertools.pairwise(cuts)])
    middles = np.array([along[a:b].mean() for a, b in itertools.pairwise(cuts)])
    return means, middles


def edge_response(means: Floats, scale_px: float) -> Floats:
    """Contrast of a sharp step at each place across, signed; shape as `means`."""
    scale = scale_px / STEP_PX
    slope: Floats = scipy.ndimage.gaussian_filter1d(
        means, scale, axis=1, order=1, mode="nearest", truncate=3.0
    )
    return np.asarray(slope * (scale * np.sqrt(2.0 * np.pi)), dtype=np.float64)


def string_response(means: Floats, width_px: float) -> Floats:
    """How much a bar stands out from both its flanks, signed; 0 where they disagree."""
    core = max(round(width_px / STEP_PX), 1)
    flank = max(round(2.0 / STEP_PX), 2)
    gap = round(0.75 / STEP_PX)
    bar = np.ones(core) / core
    centre = scipy.ndimage.convolve1d(means, bar, axis=1, mode="nearest")
    side = scipy.ndimage.convolve1d(means, np.ones(flank) / flank, axis=1, mode="nearest")
    reach = core // 2 + gap + flank // 2 + 1
    padded = np.pad(side, ((0, 0), (reach, reach)), mode="edge")
    below, above = centre - padded[:, : -2 * reach], centre - padded[:, 2 * reach :]
    bright = np.minimum(below, above)
    dark = np.maximum(below, above)
    return np.where(bright > 0, bright, np.where(dark < 0, dark, 0.0))


def score_lines(
    response: Floats, middles: Floats, across: Floats, offsets: Floats, slopes: Floats
) -> dict[int, Floats]:
    """Mean capped response along every line, for both signs.

    Returns
    -------
    dict
        For +1, -1 and 0 (a polarity that changes along the line), an array of shape
        (len(slopes), len(offsets)).
    """
    reach = np.abs(across) <= np.abs(offsets).max() + np.abs(slopes).max() * np.abs(middles).max()
    strongest = np.abs(response[:, reach]).max(axis=1)
    cap = max(1.25 * float(np.quantile(strongest, 0.6)), 1e-9)
    first = (offsets[0] - across[0] + slopes[:, None] * middles) / STEP_PX  # (A, B)
    whole = np.floor(first).astype(int)
    part = (first - whole)[..., None]
    columns = whole[..., None] + np.arange(len(offsets))
    columns = np.clip(columns, 0, response.shape[1] - 2)
    rows = np.arange(len(middles))[None, :, None]
    found = response[rows, columns] * (1.0 - part) + response[rows, columns + 1] * part
    found = np.clip(found, -cap, cap)
    mean = found.mean(axis=1)
    window = min(_CHANGING_BLOCKS, found.shape[1])
    running = np.cumsum(np.pad(found, ((0, 0), (1, 0), (0, 0))), axis=1)
    local = np.abs(running[:, window:] - running[:, :-window]) / window
    return {1: mean, -1: -mean, 0: _CHANGING_SHARE * local.mean(axis=1)}


def candidates(
    values: Floats,
    along: Floats,
    across: Floats,
    search_px: float,
    search_slope: float,
    *,
    string: bool,
    limit: int = 4,
) -> list[Candidate]:
    """Best lines in a strip, best first, each different from those before it.

    Parameters
    ----------
    values : ndarray, shape (len(along), len(across))
        Luma of the strip; `across` is spaced by `STEP_PX`.
    search_px, search_slope : float
        How far the line may be shifted (px) and turned (tangent).
    string : bool
        Look for bars rather than steps.
    """
    half = 0.5 * (along[-1] - along[0])
    offsets = np.arange(-np.ceil(search_px / STEP_PX), np.ceil(search_px / STEP_PX) + 1) * STEP_PX
    turns = max(int(np.ceil(search_slope * half / STEP_PX)), 4)
    slopes = np.linspace(-search_slope, search_slope, 2 * turns + 1)
    means, middles = block_means(values, along, 8.0)
    spread = _LIKELY_SHIFT * np.array([search_px, search_slope])
    prior = np.exp(
        -0.5 * (offsets[None, :] / spread[0]) ** 2 - 0.5 * (slopes[:, None] / spread[1]) ** 2
    )
    maps: list[tuple[int, float, Floats]] = []
    for scale in STRING_WIDTHS_PX if string else EDGE_SCALES_PX:
        response = string_response(means, scale) if string else edge_response(means, scale)
        scores = score_lines(response, middles, across, offsets, slopes)
        maps.extend((sign, scale, score) for sign, score in scores.items())
    # a wider filter averages more noise away: compare at equal noise, or fine filters always win
    found: list[Candidate] = []
    taken = np.zeros(prior.shape, dtype=bool)
    for _ in range(limit):
        best: Candidate | None = None
        for sign, scale, score in maps:
            weighted = np.where(taken, -np.inf, score * prior * scale**0.25)
            row, column = np.unravel_index(int(np.argmax(weighted)), weighted.shape)
            value = float(weighted[row, column])
            if best is None or value > best.weighted:
                best = Candidate(
                    float(offsets[column]),
                    float(slopes[row]),
                    sign,
                    scale,
                    float(score[row, column]),
                    value,
                )
        if best is None or best.weighted <= 0:
            break
        found.append(best)
        apart = (offsets[None, :] - best.offset) ** 2
        apart = apart + (slopes[:, None] - best.slope) ** 2 * half**2 / 3.0
        taken |= apart < _SAME_LINE_PX**2
    return found
