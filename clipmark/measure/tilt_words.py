"""What is to be known of a side tilt besides its figures: lost lines, camera, shaking, rates."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

import numpy as np

from clipmark.measure.tilt_follow import Followed, TiltTrace
from clipmark.motion.line_sway import Sway, sway_of
from clipmark.motion.steady_view import UNKNOWN, WITH_PLATFORM, SteadyView

HINGE_MM, HINGE_PX = 0.5, 1.0  # a platform that strays more from one hinge tells no slide
QUIET_S = 0.3  # before the first event: what swings from then on is the truck going over
SHAKES_DEG = 0.1


def sways_before(trace: TiltTrace, events_s: Sequence[float]) -> dict[str, Sway | None]:
    """Swing and vibration of platform and truck up to `QUIET_S` before the first event."""
    own = trace.t_s < min(events_s, default=math.inf) - QUIET_S
    turn_u = np.hypot(trace.u_platform_deg, trace.u_chassis_deg)
    return {
        "platform": sway_of(trace.t_s[own], trace.platform_deg[own], trace.u_platform_deg[own]),
        "truck": sway_of(trace.t_s[own], trace.events.turn_deg[own], turn_u[own]),
    }


def tilt_shakes(sways: dict[str, Sway | None]) -> list[str]:
    """A platform that shakes by more than a reading is good to."""
    sway = sways["platform"]
    if sway is None:
        return []
    notes = []
    if sway.swing_deg is not None and sway.swing_hz is not None and sway.swing_deg > SHAKES_DEG:
        notes.append(f"swings by {sway.swing_deg:.2f} deg at {sway.swing_hz:.1f} Hz")
    if sway.vibration_deg is not None and sway.vibration_deg > SHAKES_DEG:
        notes.append(f"vibrates by {sway.vibration_deg:.2f} deg (root mean square, over 5 Hz)")
    if not notes:
        return []
    return [
        f"the platform {' and '.join(notes)}, and a shaken truck leaves early; stiffen it, or tilt "
        "more evenly"
    ]


def what_was_lost(followed: Followed, trace: TiltTrace) -> list[str]:
    """Where a line or a tyre was lost."""
    notes = []
    for what, track in (("platform", followed.platform), ("chassis", followed.chassis)):
        reasons = np.array(track.reasons, dtype=object)
        gone = np.flatnonzero(~track.seen)
        if gone.size:
            words = Counter(reasons[gone]).most_common(1)[0][0]
            notes.append(
                f"the {what} line was lost in {gone.size} frame{'s' if gone.size > 1 else ''} "
                f"({words}), first at {track.t_s[gone[0]]:.2f} s; angles there are bridged or "
                "left out"
            )
    for number, fixes in enumerate(followed.tyres, 1):
        lost = [fix for fix in fixes if not fix.found]
        if lost:
            notes.append(
                f"uphill tyre {number} was lost in {len(lost)} frame{'s' * (len(lost) > 1)} "
                f"({lost[0].reason}), first at {lost[0].t_s:.2f} s"
            )
    notes += _camera(followed.view)
    limit = HINGE_PX if trace.unit == "px" else HINGE_MM
    if trace.hinge_misfit > limit:
        notes.append(
            f"the platform did not turn about one fixed hinge (it strays by "
            f"{trace.hinge_misfit:.2f} {trace.unit}), or the camera moved; a slide may be told "
            "falsely"
        )
    return notes


def _camera(view: SteadyView) -> list[str]:
    """What is to be known of the camera's own motion."""
    if view.moved:
        return [
            f"the camera moved, by up to {view.most_shift_px:.1f} px and "
            f"{math.degrees(view.most_turn_rad):.2f} deg; that was read from {view.pieces} pieces "
            "of background and taken out"
        ]
    if view.judged == UNKNOWN:
        return [
            "too little of the background can be followed, so a camera that turned cannot be told "
            "from a platform that did; film with something still and textured beside the platform"
        ]
    if view.judged == WITH_PLATFORM:
        return [
            "what was taken for background turns in step with the platform, so nothing was taken "
            "out for a camera that moved; film with something still beside the platform"
        ]
    return []


def rates_differ(here: float, there: float | None) -> list[str]:
    """Two runs that were tilted at unlike rates, deg/s, are not to be compared."""
    if there is None or min(abs(here), abs(there)) > 0.67 * max(abs(here), abs(there)):
        return []
    return [
        f"the platform turned at {abs(here):.2f} deg/s in this run and at {abs(there):.2f} deg/s "
        "in the other; only like rates are compared"
    ]
