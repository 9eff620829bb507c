"""A climb's proposal in words, and what an operator should know of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from clipmark.measure.climb_marks import ClimbReady
from clipmark.measure.climb_place import Placed
from clipmark.motion.climb_series import Ending
from clipmark.motion.climb_table import CANNOT_TELL, ended_by, outcome

UNDECIDED = ("moving", "paused", "nothing")  # of which a missing mark is the better reason


@dataclass(frozen=True)
class Proposal:
    """What is proposed.

    Attributes
    ----------
    proposed, code, reason : str
    ended_by, ended_by_why : str
    decided : int or None
        The deciding instant.
    t_s : float or None
        Its time.
    """

    proposed: str
    code: str
    reason: str
    ended_by: str
    ended_by_why: str
    decided: int | None
    t_s: float | None


def propose(ready: ClimbReady, placed: Placed, ending: Ending) -> Proposal:
    """The proposal for a climb, from its ending and the two tables."""
    seen = ending.seen
    if seen in UNDECIDED and placed.series.past_mm is None:
        if ready.finish is None:
            seen = "no finish"
        elif ready.hubs_px is None:
            seen = "no wheels"
    row = outcome(seen)
    by, why = CANNOT_TELL, "nothing ended it"
    if row.proposed == "failed":
        by, why = ended_by(ending.front, ending.slip, ending.wheels)
    elif row.proposed == "cleared":
        why = "it was not ended: it cleared the board"
    return Proposal(
        proposed=row.proposed,
        code=row.code,
        reason=f"{row.words}: {_because(seen, ready, placed, ending)}",
        ended_by=by,
        ended_by_why=why,
        decided=ending.decided,
        t_s=ending.t_s,
    )


def _because(seen: str, ready: ClimbReady, placed: Placed, ending: Ending) -> str:
    """The figures behind what was seen."""
    at = "" if ending.t_s is None else f"{ending.t_s:.2f} s"
    back = f"{_length(ready, sum(b.mm for b in ending.backs))} back"
    if seen == "finished":
        return f"the {placed.point} passed the finish line at {at}"
    if seen == "tipped":
        tipped = ending.nose.tipped
        most = 0.0 if tipped is None else tipped.most_deg
        return f"the front left the board at {at} for good and rose to {most:.0f} deg from it"
    if seen == "slid":
        return f"its way up ended at {at}, and it went {back} on wheels that did not roll with it"
    if seen == "rolled":
        return f"its way up ended at {at}, and it went {back} on wheels that rolled with it"
    if seen == "went back":
        return (
            f"its way up ended at {at}, and it went {back}; whether it slid or rolled is not told "
            "without a followed wheel"
        )
    if seen == "spun":
        spun = 0.0 if ending.spun_mm is None else ending.spun_mm
        return (
            f"from {at} on its wheels ran {_length(ready, spun)} ahead of the body in "
            f"{ending.after_s:.1f} s without progress"
        )
    if seen == "stalled":
        return f"it stood from {at} on, for {ending.after_s:.1f} s to the end of what is seen"
    if seen == "entered":
        entry = placed.entries[0] if placed.entries else {}
        return (
            f"in frame {entry.get('frame')} ({float(str(entry.get('t_s', 0))):.2f} s), before "
            "anything was decided; whether it touched the truck is for the judge to say"
        )
    if seen == "lost":
        return "it was not followed to where the attempt was decided; see the warnings"
    if seen == "moving":
        return "the truck was still moving up"
    if seen == "paused":
        return (
            f"it was seen without progress for {ending.after_s:.2f} s only, and "
            f"{ready.marks.give_up_s:g} s are needed to call it ended"
        )
    if seen == "no finish":
        return "the truck did not fail, and without one (--finish) cleared cannot be proposed"
    if seen == "no wheels":
        return (
            "the truck did not fail, and without hubs (--hubs) or two wheels (--wheel) it cannot "
            "be told when all wheels are over the finish line"
        )
    return "neither the truck nor its wheels moved in this span"


def _length(ready: ClimbReady, units: float) -> str:
    return f"{units:.0f} mm" if ready.scaled else f"{units * ready.unit_px:.0f} px"


def climb_notes(ready: ClimbReady, placed: Placed, ending: Ending) -> list[str]:
    """What an operator should know, in sentences."""
    notes = []
    if ready.finish is None and ready.marks.mode == "climb":
        notes.append(
            "No finish line was marked, so cleared cannot be proposed; mark it across the board "
            "(--finish)."
        )
    if ready.hubs_px is None:
        notes.append(
            "Neither hubs nor two wheels are marked: no tyre's contact point is known, a finish "
            "cannot be told, and the chassis angle is only its change since the reference frame. "
            "Mark the hubs (--hubs)."
        )
    if placed.slip_wheel is None:
        notes.append(
            "No wheel was followed, so slip is not measured: what ended the attempt cannot be "
            "told, nor sliding from rolling. Mark the wheels (--wheel)."
        )
    elif placed.radius_from == "its own rolling":
        notes.append(
            "No rolling diameter was given (--wheel-mm), or nothing says how long a mm is: slip "
            "is told against the wheel's own rolling where it slipped least, so slip that was "
            "there all along does not show."
        )
    notes += [
        f"Something else entered the patch from frame {entry['frame']} "
        f"({float(str(entry['t_s'])):.2f} s) to frame {entry['last_frame']}; it is not judged. "
        "Whether a hand touched the truck is for the judge to say."
        for entry in placed.entries
    ]
    if not np.isfinite(placed.series.nose_deg).any():
        notes.append("The chassis angle was not seen; a lifted front cannot be told.")
    return notes
