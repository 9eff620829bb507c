"""Whether a clip's camera stood still: on a tripod, bumped, held by hand, or stabilised after.

References that are marked once (a stand's level line and sheet) hold for a clip only when fixed
things stay where they are in its picture.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from clipmark.clip import Clip

SteadyState = Literal["still", "bumped", "hand-held", "stabilised", "cannot tell"]


@dataclass(frozen=True)
class Steadiness:
    """How fixed things lay in the picture over a clip.

    Attributes
    ----------
    state : {'still', 'bumped', 'hand-held', 'stabilised', 'cannot tell'}
    sentence : str
        All of it for people.
    rms_shift_px, rms_roll_deg, warp_px : float
        Root mean square over the frames, the noise taken out, of the background's shift at the
        middle of the picture, of its turn, and of what no turn of the camera explains; NaN where
        not known.
    u_shift_px, u_roll_deg, u_warp_px : float
        Standard uncertainty of one frame's value.
    detectable_px : float
        Shift of a single frame that would have been seen with 95 %.
    moves : tuple of float
        Times of the bumps, s; NaN in a clip without times.
    frames, points : int
        Frames looked at, and background points followed.
    """

    state: SteadyState
    sentence: str
    rms_shift_px: float
    rms_roll_deg: float
    warp_px: float
    u_shift_px: float
    u_roll_deg: float
    u_warp_px: float
    detectable_px: float
    moves: tuple[float, ...]
    frames: int
    points: int

    @property
    def references_hold(self) -> bool | None:
        """Whether marks of one frame hold for all of them; None where it cannot be told."""
        return None if self.state == "cannot tell" else self.state == "still"

    def to_dict(self) -> dict[str, object]:
        """As plain data for ``--json``; unknown is None."""

        def known(value: float) -> float | None:
            return value if math.isfinite(value) else None

        return {
            "camera": self.state,
            "camera_sentence": self.sentence,
            "camera_shift_rms_px": known(self.rms_shift_px),
            "camera_roll_rms_deg": known(self.rms_roll_deg),
            "camera_warp_rms_px": known(self.warp_px),
            "camera_detectable_px": known(self.detectable_px),
            "camera_moves_s": [known(at) for at in self.moves],
        }


def steadiness(
    clip: Clip,
    ordinals: Sequence[int] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Steadiness:
    """Follow the background through a clip, and say how the camera stood.

    Parameters
    ----------
    clip : Clip
    ordinals : sequence of int, optional
        Frames to look at, in order; a bounded number over the whole clip when left out.
    progress : callable, optional
        Called with (frames done, frames in all).

    Raises
    ------
    FrameError
        When no frame can be decoded.
    """
    return cannot_tell("this version does not look at the background yet")


def cannot_tell(why: str, frames: int = 0, points: int = 0) -> Steadiness:
    """The outcome where nothing can be said, with the reason."""
    nan = math.nan
    return Steadiness(
        "cannot tell",
        f"It cannot be told whether the camera stood still: {why}.",
        *(nan,) * 7,
        (),
        frames,
        points,
    )
