"""What an edge fit tells: small frozen facts. See `clipmark.geometry.edge_band` for signs."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Kind = Literal["step", "string"]


@dataclass(frozen=True)
class RunnerUp:
    """Another line nearly as good: its place from the fitted one, px (at the middle) and rad.

    `strength` is its contrast over that of the chosen line; `sentence` says so in words.
    """

    offset_px: float
    angle_rad: float
    strength: float
    sentence: str


@dataclass(frozen=True, eq=False)
class Segments:
    """Parts along a fitted line, for drawing and judging it.

    ``along_px`` (S,) place along the line from its middle, ``offset_px`` (S,) how far the
    edge lies off the line there (positive on the side of the normal), ``u_offset_px`` (S,)
    for white noise, ``used`` (S,).
    """

    along_px: Floats
    offset_px: Floats
    u_offset_px: Floats
    used: Bools


@dataclass(frozen=True, eq=False)
class EdgeFit:
    """A straight edge or string found in a picture.

    Attributes
    ----------
    kind : {'step', 'string'}
        What was fitted.
    polarity : int
        +1 when it is brighter on the side of `normal` (a string: brighter than its
        background), else -1.
    middle, direction, normal : ndarray, shape (2,)
        Middle of the marked extent on the line, unit direction (pointing right, or straight up)
        and unit normal (up, or left), in straight space, px.
    half_length_px : float
        Half the marked extent, straight px.
    angle_rad, u_angle_rad : float
        Lean in straight space, (-pi/2, pi/2], positive when the right end is higher, and its
        standard uncertainty.
    u_offset_px : float
        Standard uncertainty of the line's place along `normal` at `middle`.
    covariance : ndarray, shape (2, 2)
        Of (offset px along `normal`, angle rad) at `middle`.
    dof, n_eff : float
        Degrees of freedom of that covariance; independent pixel columns it is worth.
    noise_inflation : float
        Variance over that of white noise of the same size.
    blur_px : float
        Gaussian blur, pixel included.
    width_px : float or None
        Width of a string.
    contrast, noise : float
        Contrast and noise per pixel, as shares of black to white.
    tone, u_tone : float
        Strength of the tone curve (0 linear, 1 sRGB) and its standard uncertainty.
    rms_px : float
        Rms offset of the used segments from the line.
    used_fraction : float
        Share of the marked line that supports the fit.
    bow_px, u_bow_px : float
        Offset of the middle against the ends (sagitta, positive when the middle lies
        on the side of `normal`), and its standard uncertainty.
    picture_points : ndarray, shape (M, 2)
        Points on the line, evenly spread over its extent, picture px.
    ends : ndarray, shape (2, 2)
        First and last of these.
    segments : Segments
        The parts of the line.
    runner_up : RunnerUp or None
        Another line nearly as good.
    warnings : tuple of str
        Sentences an operator must see.
    """

    kind: Kind
    polarity: int
    middle: Floats
    direction: Floats
    normal: Floats
    half_length_px: float
    angle_rad: float
    u_angle_rad: float
    u_offset_px: float
    covariance: Floats
    dof: float
    n_eff: float
    noise_inflation: float
    blur_px: float
    width_px: float | None
    contrast: float
    noise: float
    tone: float
    u_tone: float
    rms_px: float
    used_fraction: float
    bow_px: float
    u_bow_px: float
    picture_points: Floats
    ends: Floats
    segments: Segments
    runner_up: RunnerUp | None
    warnings: tuple[str, ...]
