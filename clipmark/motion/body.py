"""Following the body patch: anchored to the reference frame, lost when it is lost.

Every frame is registered to the reference picture itself, with the last motion only as a first
guess, so errors do not add up along the clip. The reference is taken anew only when the view of
the patch has changed (size, turn, or looks), and then its uncertainty is carried on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clipmark.errors import FollowError
from clipmark.marks import Patch
from clipmark.motion.register import Fit, Pose, register
from clipmark.motion.sampling import FloatArray
from clipmark.motion.search import find_piece
from clipmark.motion.templates import Templates, build_templates

BODY_PIXELS = 3000  # more of them cost time and add little: these have the strongest slopes
WORST_BOUND_PX = 0.1  # a patch that cannot be placed better than this has no texture
LEAST_INLIERS = 0.5  # half of the pixels hidden or changed: what remains may be another thing
LEAST_MATCH = 0.6  # of the correlation that noise alone allows
LEAST_GAIN = 0.35  # fine contrast lost to blur below this
MOST_GROWTH, MOST_TURN = 0.3, 0.35  # relative, rad: beyond, the match is an accident
RENEW_GROWTH, RENEW_TURN, RENEW_MATCH = 0.1, 0.12, 0.85  # the view has changed
DOUBT_SCALE, DOUBT_INLIERS = 3.0, 0.8  # residuals over the usual ones, and pixels that agree
SETTLED_FRAMES = 15
NOT_FOUND, HIDDEN, LEFT = "not found", "hidden", "left the picture"
NEAR = 0.75  # of the patch's longer side: where it is looked for first
EAGER_FRAMES = 5  # lost frames searched one by one before every fifth only


@dataclass(frozen=True)
class BodyFix:
    """Where the body is in one frame.

    Attributes
    ----------
    place_px : ndarray, shape (2,)
        Middle of the patch, px of the upright picture; NaN when lost.
    covariance : ndarray, shape (2, 2)
        Of `place_px` against the reference frame, px^2, for white noise;
        see `BodyFollower.inflation`.
    turn_rad, growth : float
        Turn (clockwise as seen) and relative growth since the reference frame.
    reason : str
        Why the body was not found, empty when it was.
    agreed : float
        Share of the patch's pixels that looked as they should; of the last frame in which it was
        found where it was not.
    """

    place_px: FloatArray
    covariance: FloatArray
    turn_rad: float
    growth: float
    reason: str = ""
    agreed: float = 1.0

    @property
    def found(self) -> bool:
        """Whether the body was found."""
        return not self.reason


class BodyFollower:
    """Follows one patch from frame to frame.

    Parameters
    ----------
    luma : ndarray, shape (H, W)
        Reference picture.
    patch : Patch
        Left, top, width, height, px, inside the picture.
    noise : float
        Pixel noise of the reference picture, grey levels.

    Raises
    ------
    FollowError
        If the patch has no texture to follow.
    """

    def __init__(self, luma: NDArray[np.generic], patch: Patch, noise: float) -> None:
        self._size = (round(patch.w), round(patch.h))
        middle = np.array([patch.x + (patch.w - 1) / 2, patch.y + (patch.h - 1) / 2])
        self._noise = noise
        self._take_anchor(luma, middle)
        self.place_px = middle
        self._demand_texture()
        self._anchor_form = 1.0 + 0.0j
        self._anchor_covariance = np.zeros((2, 2))
        self._pose = Pose.at(np.zeros((1, 2)))
        self._usual = np.array([1.4 * noise])
        self._speed = np.zeros(2)
        self._time_s: float | None = None
        self._lost = 0
        self._why, self._agreed = NOT_FOUND, 1.0
        self._matches: list[float] = []
        self._score_sums = np.zeros((2, 2))
        self.renewed = 0

    @property
    def inflation(self) -> FloatArray:
        """Factor on the stated variance along x and y, for residuals that are not white, (2,)."""
        white, block = self._score_sums
        return np.maximum(1.0, block / np.maximum(white, 1e-12))

    def _take_anchor(self, luma: NDArray[np.generic], middle: FloatArray) -> None:
        self._templates: Templates = build_templates(
            luma, middle[None], self._size, noise=self._noise, most_pixels=BODY_PIXELS
        )
        self._aside = middle - self._templates.centres[0]
        corner = self._templates.centres[0] - (np.array(self._size) - 1) / 2
        x, y = np.rint(corner).astype(int)
        self._piece = np.array(luma[y : y + self._size[1], x : x + self._size[0]])
        contrast = float(self._templates.contrast()[0])
        self._best_match = contrast**2 / (contrast**2 + self._noise**2)

    def _demand_texture(self) -> None:
        bound = float(self._templates.shift_bound_px()[0].max())
        if bound > WORST_BOUND_PX:
            raise FollowError(
                f"the patch at ({self.place_px[0]:.0f}, {self.place_px[1]:.0f}) has too little "
                f"texture to be followed: its place would be known to {min(bound, 99.0):.2f} px at "
                f"best, and {WORST_BOUND_PX:g} px is needed; mark a part of the body with "
                "lettering, edges or stickers in two directions"
            )

    def start_unknown(self) -> None:
        """Say that the next frame is not near the reference: search the whole picture."""
        self._lost = 1
        self._speed = np.zeros(2)

    def step(self, luma: NDArray[np.generic], time_s: float) -> BodyFix:
        """Find the body in the next picture, at `time_s`."""
        known = self._lost == 0
        elapsed = 0.0 if self._time_s is None else time_s - self._time_s
        guess = self._pose.shift + (self._speed * elapsed if known else 0.0)
        reason = self._why
        fit: Fit | None = None
        if known:
            fit = self._register(luma, Pose(guess, self._pose.form))
            reason = self._judge(fit, luma.shape)
        if fit is not None and not reason and self._doubtful(fit):
            fit = self._better(luma, guess, fit)
        if reason and self._search_due():
            fit, reason = self._search(luma, guess, reason)
        if reason or fit is None:
            self._lost += 1
            self._why = reason = self._said(reason, guess[0], luma.shape)
            self._speed = np.zeros(2)
            nowhere = np.full(2, np.nan)
            return BodyFix(nowhere, np.full((2, 2), np.nan), np.nan, np.nan, reason, self._agreed)
        self._accept(fit, time_s, known and elapsed > 0)
        fix = self._fix(fit)
        self._renew_if_changed(luma, fit, fix)
        return fix

    def _said(self, reason: str, shift: FloatArray, shape: tuple[int, ...]) -> str:
        """Why it is lost; what is said of the first lost frame holds until it is found."""
        if self._lost > 1 or self._agreed >= DOUBT_INLIERS:
            return reason
        place, half = self._templates.centres[0] + shift, np.array(self._templates.half)
        if (place - half < 0).any() or (place + half > shape[1::-1]).any():
            return LEFT
        return HIDDEN if reason == NOT_FOUND else reason  # more and more of it was

    def _register(self, luma: NDArray[np.generic], start: Pose) -> Fit:
        return register(self._templates, luma, start, self._usual, form=True)

    def _judge(self, fit: Fit, shape: tuple[int, ...]) -> str:
        """Empty when the fit can be believed, else the reason in words."""
        place = self._templates.centres[0] + fit.pose.shift[0]
        half = np.array(self._templates.half)
        outside = (place - half * 0.5 < 0).any() or (place + half * 0.5 > shape[1::-1]).any()
        if outside:
            return LEFT
        growth, turn = fit.pose.form[0]
        if fit.inliers[0] < LEAST_INLIERS:
            return HIDDEN
        if abs(growth) > MOST_GROWTH or abs(turn) > MOST_TURN or not fit.converged[0]:
            return NOT_FOUND
        if fit.gain[0] < LEAST_GAIN:
            return "blurred"
        if fit.match[0] < LEAST_MATCH * self._best_match:
            return NOT_FOUND
        return ""

    def _doubtful(self, fit: Fit) -> bool:
        """Whether half of the body was given up to make the rest fit: it may have jumped."""
        usual = float(np.maximum(self._usual, self._noise)[0])
        return bool(fit.inliers[0] < DOUBT_INLIERS and fit.scale[0] > DOUBT_SCALE * usual)

    def _better(self, luma: NDArray[np.generic], guess: FloatArray, fit: Fit) -> Fit:
        """The fit, or one from a look around where clearly more of the body agrees."""
        corner = self._templates.centres[0] - (np.array(self._size) - 1) / 2
        found, _ = find_piece(self._piece, luma, corner + guess[0], max(self._size) * NEAR)
        other = self._register(luma, Pose((found - corner)[None], self._pose.form))
        more = other.inliers[0] > fit.inliers[0] and other.scale[0] < fit.scale[0]
        return other if more and not self._judge(other, luma.shape) else fit

    def _search_due(self) -> bool:
        return self._lost < EAGER_FRAMES or self._lost % EAGER_FRAMES == 0

    def _search(
        self, luma: NDArray[np.generic], guess: FloatArray, reason: str
    ) -> tuple[Fit | None, str]:
        """Look around the guess, then in the whole picture, and register from what is found."""
        corner = self._templates.centres[0] - (np.array(self._size) - 1) / 2
        reaches = [max(self._size) * NEAR, float(max(luma.shape))]
        for reach in reaches[1:] if self._lost > 0 else reaches:
            found, score = find_piece(self._piece, luma, corner + guess[0], reach)
            if score < 0.5 * self._best_match:
                continue
            fit = self._register(luma, Pose((found - corner)[None], self._pose.form))
            verdict = self._judge(fit, luma.shape)
            if not verdict and fit.match[0] > 0.75 * self._best_match:
                return fit, ""
            if verdict in (LEFT, HIDDEN):
                reason = verdict
        return None, reason

    def _accept(self, fit: Fit, time_s: float, moving: bool) -> None:
        if moving and self._time_s is not None:
            seen = (fit.pose.shift - self._pose.shift)[0] / (time_s - self._time_s)
            self._speed = 0.5 * self._speed + 0.5 * seen
        self._pose, self._time_s, self._lost = fit.pose, time_s, 0
        self._why, self._agreed = NOT_FOUND, float(fit.inliers[0])
        self._usual = 0.9 * self._usual + 0.1 * np.maximum(fit.scale, self._noise)
        self._score_sums += np.stack([fit.score_white[0], fit.score_block[0]])
        self._matches = [*self._matches[-SETTLED_FRAMES + 1 :], float(fit.match[0])]

    def _fix(self, fit: Fit) -> BodyFix:
        a, b = fit.pose.form[0]
        form = 1 + a + 1j * b
        aside = form * complex(*self._aside)
        place = self._templates.centres[0] + fit.pose.shift[0] + (aside.real, aside.imag)
        total = form * self._anchor_form
        self.place_px = place
        return BodyFix(
            place,
            fit.covariance[0] + self._anchor_covariance,
            float(np.angle(total)),
            float(abs(total) - 1),
            agreed=float(fit.inliers[0]),
        )

    def _renew_if_changed(self, luma: NDArray[np.generic], fit: Fit, fix: BodyFix) -> None:
        """Take the reference anew where the view has changed, carrying the uncertainty of today."""
        growth, turn = np.abs(fit.pose.form[0])
        settled = len(self._matches) == SETTLED_FRAMES
        faded = settled and np.median(self._matches) < RENEW_MATCH * self._best_match
        if not (growth > RENEW_GROWTH or turn > RENEW_TURN or faded):
            return
        kept = self._templates, self._aside, self._piece, self._best_match
        self._take_anchor(luma, fix.place_px)
        if self._templates.shift_bound_px()[0].max() > WORST_BOUND_PX:
            self._templates, self._aside, self._piece, self._best_match = kept
            return
        self._anchor_covariance = fix.covariance
        self._anchor_form = (1 + fix.growth) * np.exp(1j * fix.turn_rad)
        self._pose = Pose.at(np.zeros((1, 2)))
        self._matches = []
        self.renewed += 1
