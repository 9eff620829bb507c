"""Where a straight edge or a string lies, from the pixels beside a rough line.

The blurred edge is fitted through the camera's tone curve to the decoded pixels themselves,
each mapped once to straight space (pixel aspect and lens applied), never resampled. See
`clipmark.geometry.edge_model` for the model, `edge_search` for how the edge that was meant is
found, `edge_solve` for the robust fit, `edge_noise` for its uncertainty, and `edge_band` for
the sign of a line. Pure maths: arrays in, small frozen facts out.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clipmark.errors import FitError
from clipmark.geometry.edge_band import Curve, Frame, Luma, Mapping, gather, identity, strip
from clipmark.geometry.edge_bed import LineBed
from clipmark.geometry.edge_clear import clear_reach
from clipmark.geometry.edge_model import TONE, Shape
from clipmark.geometry.edge_noise import Spread, spread_of
from clipmark.geometry.edge_result import EdgeFit, Kind, RunnerUp, Segments
from clipmark.geometry.edge_search import STEP_PX, Candidate, candidates
from clipmark.geometry.edge_solve import Solution, solve

Floats = NDArray[np.float64]

__all__ = ["EdgeFit", "RunnerUp", "Segments", "fit_edge"]

MIN_LENGTH_PX = 20.0  # shorter lines give no direction worth having
MIN_CONTRAST_SIGMAS = 3.0
MIN_USED = 0.3  # less of the marked line than this is not that line
MAX_U_OFFSET_PX = 2.0  # a place less sure than this is no place
MAX_REACH_PX = 24.0
CORRELATED = 1.5  # noise whose inflation is above this is taken to be correlated
MAX_STRING_PX = 6.0  # a wider thing is not taken for a string unless it is called one
LONG_HALF_PX = 250.0  # of a line that is longer, fewer columns tell what it is not
FEWER_COLUMNS = 3.0  # times as much fewer as it is longer
MOST_SEARCHED = 800  # places along a line where it is looked for
RIVAL_SHARE = 0.6  # a second line this strong is reported
_FIRST_BLUR_PX = 1.2
_APART_PX = 3.0
_POINTS = 13


@dataclass(frozen=True)
class _Scene:
    """What the fit looks at: the picture, its levels, and the way to straight space."""

    luma: Luma
    black: float
    white: float
    to_straight: Mapping
    from_straight: Mapping
    rough: Frame


@dataclass(frozen=True)
class _Found:
    """One line fitted: the reference line and the solution."""

    candidate: Candidate
    frame: Frame
    solution: Solution[LineBed]
    sign: int

    @property
    def used(self) -> float:
        """Share of the line that supports it."""
        return float(np.mean(self.solution.weights > 0.2))

    @property
    def contrast(self) -> float:
        """Median contrast of the supporting segments, luma 0..1."""
        weights = self.solution.weights
        if not np.any(weights > 0.2):
            return 0.0
        return float(np.median(np.abs(self.solution.contrasts[weights > 0.2])))


def fit_edge(
    luma: Luma,
    rough: ArrayLike,
    *,
    kind: Literal["auto", "step", "string"] = "auto",
    black: float,
    white: float,
    to_straight: Mapping = identity,
    from_straight: Mapping = identity,
    search_px: float = 8.0,
    search_deg: float = 2.0,
) -> EdgeFit:
    """Find the straight edge or string near a rough line and fit it.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
        Decoded luma codes of the upright picture (uint8, uint16 or float).
    rough : array_like, shape (2, 2)
        Two ends ``(x, y)``, picture px. The whole extent between them is used, and no more.
    kind : {'auto', 'step', 'string'}
        Border between two surfaces, thin thing before a background, or whichever fits better.
    black, white : float
        Luma codes of black and white (16 and 235 for ordinary 8-bit video).
    to_straight, from_straight : callable
        Map points, shape (N, 2), between picture px and straight px.
    search_px, search_deg : float
        How far the rough line may be off at its middle, px, and in direction, degrees.

    Returns
    -------
    EdgeFit

    Raises
    ------
    FitError
        If the line is too short, leaves the picture, or no edge is there.
    """
    scene = _scene(luma, rough, black, white, to_straight, from_straight)
    kinds: tuple[Kind, ...] = ("step", "string") if kind == "auto" else (kind,)
    found: list[tuple[_Found, list[Candidate]]] = []
    refusals: list[FitError] = []
    for one in kinds:
        if found and _is_no_string(scene, found[0][0], search_px, search_deg):
            break
        try:
            found.append(_fit_kind(scene, one, search_px, search_deg))
        except FitError as refusal:
            refusals.append(refusal)
    if not found:
        raise refusals[0]
    best, listed = _better(found)
    return _report(scene, best, listed)


def _scene(
    luma: Luma,
    rough: ArrayLike,
    black: float,
    white: float,
    to_straight: Mapping,
    from_straight: Mapping,
) -> _Scene:
    """Check the rough line and carry it to straight space."""
    ends = np.asarray(rough, dtype=np.float64)
    if ends.shape != (2, 2) or not np.all(np.isfinite(ends)):
        raise FitError("a rough line needs two ends with two finite numbers each")
    length = float(np.hypot(*(ends[1] - ends[0])))
    if length < MIN_LENGTH_PX:
        raise FitError(
            f"the marked line is {length:.1f} px long, but at least {MIN_LENGTH_PX:.0f} px is "
            "needed to fit an edge; mark its ends further apart"
        )
    height, width = luma.shape
    if np.any(ends < -0.5) or np.any(ends > np.array([width - 0.5, height - 0.5])):
        raise FitError(
            f"the marked line leaves the picture of {width} x {height} px; mark it inside"
        )
    straight = np.asarray(to_straight(ends), dtype=np.float64)
    return _Scene(luma, black, white, to_straight, from_straight, Frame.through(straight))


def _fit_kind(
    scene: _Scene, kind: Kind, search_px: float, search_deg: float, every: int = 1
) -> tuple[_Found, list[Candidate]]:
    """Search and fit a line of one kind; raises `FitError` when none is there.

    Of its columns of pixels only one in `every` is looked at.
    """
    half = scene.rough.half
    slope = float(np.tan(np.radians(search_deg)))
    reach = search_px + slope * half + 10.0
    across = np.arange(-np.ceil(reach / STEP_PX), np.ceil(reach / STEP_PX) + 1) * STEP_PX
    along = np.linspace(-half, half, min(max(round(2.0 * half), 16), MOST_SEARCHED))
    curve = Curve.of(scene.rough, scene.from_straight)
    values, _ = strip(scene.luma, curve, along, across, scene.black, scene.white)
    listed = candidates(values, along, across, search_px, slope, string=kind == "string")
    best: _Found | None = None
    for candidate in listed[:2]:
        if best is not None and (best.used > 0.6 or candidate.weighted < 0.4 * listed[0].weighted):
            break
        found = _refine(scene, candidate, kind, every)
        if found is not None and (best is None or found.used > best.used + 0.1):
            best = found
    if best is None or best.used < MIN_USED or best.contrast < _least_contrast(best):
        raise FitError(_nothing_there(kind, best))
    doubt = float(np.sqrt(best.solution.covariance[0, 0]))
    if doubt > MAX_U_OFFSET_PX:
        raise FitError(
            f"the edge near the marked line cannot be placed to better than {doubt:.0f} px: too "
            "little of one of its sides is seen; mark an edge further from the picture's border, "
            "or one in better focus"
        )
    return best, listed


def _is_no_string(scene: _Scene, step: _Found, search_px: float, search_deg: float) -> bool:
    """Whether some columns of a long line show that the step along it is no string.

    Fitting a string to an edge goes on for as long as it is let, over all pixels of the line.
    """
    if scene.rough.half <= LONG_HALF_PX:
        return False
    every = int(scene.rough.half / LONG_HALF_PX * FEWER_COLUMNS)
    try:
        string, _ = _fit_kind(scene, "string", search_px, search_deg, every)
    except FitError:
        return True
    thin = (string.solution.shape.width or 0.0) <= 1.25 * MAX_STRING_PX
    stands_out = string.contrast > 0.45 * step.contrast
    return not (thin and stands_out and string.used >= step.used - 0.3)


def _least_contrast(found: _Found) -> float:
    """Contrast below which an edge is not believed."""
    return MIN_CONTRAST_SIGMAS * found.solution.sigma


def _nothing_there(kind: Kind, found: _Found | None) -> str:
    """The sentence for a line along which nothing was found."""
    what = "straight edge" if kind == "step" else "string"
    remedy = "mark it closer to a clear edge, or light it so that the two sides differ"
    if found is None:
        return (
            f"no {what} was found near the marked line: too few pixels beside it lie in the "
            "picture; mark a line further from the border"
        )
    contrast, noise = 100.0 * found.contrast, 100.0 * found.solution.sigma
    if found.contrast < _least_contrast(found):
        return (
            f"no {what} was found near the marked line: the contrast across it is "
            f"{contrast:.1f} % of white at a noise of {noise:.1f} %, but at least "
            f"{MIN_CONTRAST_SIGMAS:.0f} times the noise is needed; {remedy}"
        )
    return (
        f"no {what} was found near the marked line: only {100.0 * found.used:.0f} % of it "
        f"agrees on one line, but at least {100.0 * MIN_USED:.0f} % is needed; {remedy}"
    )


def _refine(scene: _Scene, candidate: Candidate, kind: Kind, every: int) -> _Found | None:
    """Fit the line near a candidate; None when the picture's border leaves no pixels."""
    frame = scene.rough.moved(candidate.offset, candidate.slope)
    whole = np.issubdtype(scene.luma.dtype, np.integer)
    code = 1.0 / (scene.white - scene.black) if whole else 1e-6
    far = (MAX_REACH_PX + 2.0, MAX_REACH_PX + 2.0)
    blur = _FIRST_BLUR_PX
    width = None if kind == "step" else candidate.scale
    shape = Shape((0.0, 0.0), blur, 0.6, width=width)
    curve = Curve.of(frame, scene.from_straight)
    pixels = gather(scene.luma, frame, curve, far, scene.black, scene.white, scene.to_straight)
    if len(pixels.luma) < 8.0 * frame.half:
        return None
    some = np.floor(pixels.along + frame.half).astype(np.int64) % every == 0
    bed = LineBed.of(pixels.along[some], pixels.across[some], pixels.luma[some], frame.half, code)
    if len(bed.starts) < 3:
        return None
    solution: Solution[LineBed] | None = None
    for limit in (8.0, MAX_REACH_PX):
        wanted = float(np.clip(6.0 * shape.blur + 4.0, 8.0, limit)) + 0.5 * (shape.width or 0.0)
        reach = clear_reach(bed, shape, (wanted, wanted))
        solution = solve(bed, shape, candidate.sign, reach)
        shape = solution.shape
    assert solution is not None
    inflation = spread_of(solution).inflation
    if inflation > CORRELATED:
        solution = solve(bed, shape, candidate.sign, reach, inflation)
    return _Found(candidate, frame, solution, candidate.sign)


def _better(
    found: list[tuple[_Found, list[Candidate]]],
) -> tuple[_Found, list[Candidate]]:
    """Of a step and a string, the one that explains the picture better."""
    if len(found) == 1:
        return found[0]
    (step, step_list), (string, string_list) = found
    thin = (string.solution.shape.width or 0.0) <= MAX_STRING_PX
    stands_out = string.contrast > 0.5 * step.contrast
    if thin and stands_out and string.used >= step.used - 0.15:
        return string, string_list
    return step, step_list


def _report(scene: _Scene, found: _Found, listed: list[Candidate]) -> EdgeFit:
    """Everything known about a fitted line."""
    solution, bed = found.solution, found.solution.bed
    line = found.frame.moved(*solution.shape.place)
    facing = 1.0
    if line.direction[0] < 0 or (line.direction[0] == 0 and line.direction[1] > 0):
        line, facing = line.turned_round(), -1.0  # an upright line fitted past upright
    spread: Spread = spread_of(solution)
    covariance = spread.covariance * np.array([[1.0, facing], [facing, 1.0]])
    used = solution.weights > 0.2
    bow, u_bow = _bow(solution)
    points = scene.from_straight(line.at(np.linspace(-line.half, line.half, _POINTS)))
    weights = solution.weights[used]
    rms = float(np.sqrt(np.sum(weights * solution.offsets[used] ** 2) / np.sum(weights)))
    runner_up = _runner_up(found, listed, scene.rough, line)
    string = solution.shape.width is not None
    order = slice(None, None, int(facing))
    return EdgeFit(
        kind="string" if string else "step",
        polarity=_polarity(solution) * (1 if string else int(facing)),
        middle=line.middle,
        direction=line.direction,
        normal=line.normal,
        half_length_px=line.half,
        angle_rad=float(np.arctan2(-line.direction[1], line.direction[0])),
        u_angle_rad=float(np.sqrt(covariance[1, 1])),
        u_offset_px=float(np.sqrt(covariance[0, 0])),
        covariance=covariance,
        dof=spread.dof,
        n_eff=spread.n_eff,
        noise_inflation=spread.inflation,
        blur_px=solution.shape.blur,
        width_px=solution.shape.width,
        contrast=found.contrast,
        noise=solution.sigma,
        tone=solution.shape.tone,
        u_tone=float(np.sqrt(solution.covariance[2 + TONE, 2 + TONE])),
        rms_px=rms,
        used_fraction=found.used,
        bow_px=facing * bow,
        u_bow_px=u_bow,
        picture_points=points,
        ends=points[[0, -1]],
        segments=Segments(
            (facing * bed.middles)[order],
            (facing * solution.offsets)[order],
            solution.u_offsets[order],
            used[order],
        ),
        runner_up=runner_up,
        warnings=_warnings(found, bow, u_bow, runner_up),
    )


def _polarity(solution: Solution[LineBed]) -> int:
    """The polarity that most of the line shows, +1 or -1."""
    return 1 if float(solution.weights @ np.sign(solution.contrasts)) >= 0 else -1


def _bow(solution: Solution[LineBed]) -> tuple[float, float]:
    """Sagitta of the segments' offsets and its standard uncertainty, px."""
    bed, used = solution.bed, solution.weights > 0.2
    if np.sum(used) < 4:
        return 0.0, float("inf")
    along = bed.middles[used] / bed.half
    precision = 1.0 / solution.u_offsets[used]
    value = solution.offsets[used] * precision
    design = np.stack([np.ones_like(along), along, -(along**2)], axis=1) * precision[:, None]
    inverse = np.linalg.pinv(design.T @ design)
    fit = inverse @ design.T @ value
    dof = len(along) - 3.0
    scatter = float(np.sum((value - design @ fit) ** 2)) / dof
    return float(fit[2]), float(np.sqrt(inverse[2, 2] * max(scatter, 1.0)))


def _runner_up(
    found: _Found, listed: list[Candidate], rough: Frame, line: Frame
) -> RunnerUp | None:
    """The strongest other candidate, when it is nearly as good as the line chosen."""
    chosen = found.candidate
    for other in listed:
        if other is chosen or other.weighted < RIVAL_SHARE * chosen.weighted:
            continue
        if found.solution.shape.width is not None and abs(other.offset - chosen.offset) < 4.0:
            continue  # the two flanks of one string
        rival = rough.moved(other.offset, other.slope)
        _, offset = line.place(rival.middle[None, :])
        turn = float(np.arctan(other.slope) - np.arctan(chosen.slope))
        apart = float(np.hypot(offset[0], turn * line.half / np.sqrt(3.0)))
        if other.sign == chosen.sign and apart < _APART_PX + 1.5 * found.solution.shape.blur:
            continue  # the same edge, bent or blurred
        strength = other.score / max(chosen.score, 1e-12)
        sentence = (
            f"another line lies {abs(float(offset[0])):.1f} px away, turned by "
            f"{abs(np.degrees(turn)):.2f} deg, with {100.0 * strength:.0f} % of the contrast; "
            "check that the right edge was taken, or mark closer to it"
        )
        return RunnerUp(float(offset[0]), turn, strength, sentence)
    return None


def _warnings(
    found: _Found, bow: float, u_bow: float, runner_up: RunnerUp | None
) -> tuple[str, ...]:
    """Sentences about what is doubtful in a fit."""
    told: list[str] = []
    if found.used < 0.6:
        told.append(
            f"only {100.0 * found.used:.0f} % of the marked line supports the fitted edge; "
            "check what covers the rest"
        )
    if abs(bow) > max(0.3, 4.0 * u_bow):
        told.append(
            f"the edge is bowed by {abs(bow):.1f} px over the marked length: a bent board, or "
            "lens distortion that is not corrected; give a lens file, or mark a shorter piece"
        )
    if runner_up is not None:
        told.append(runner_up.sentence)
    return tuple(told)
