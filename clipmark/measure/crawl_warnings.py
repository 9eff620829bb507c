"""What an operator should know about a crawl reading, in sentences."""

from __future__ import annotations

from collections import Counter

from clipmark.clip import Clip
from clipmark.marks import Span
from clipmark.measure.crawl_path import Path, strays_much
from clipmark.measure.crawl_values import Trace
from clipmark.motion.passes import Following


def followed_warnings(clip: Clip, span: Span, following: Following, path: Path) -> list[str]:
    """About following: gaps, camera, shape of the way."""
    notes = []
    for reason, count in sorted(Counter(filter(None, path.reasons)).items()):
        first = path.ordinals[path.reasons.index(reason)]
        notes.append(
            f"The body has no place in {count} frame{'s' if count > 1 else ''} ({reason}), first "
            f"in frame {first}; the trace has a gap there."
        )
    absent = span.last - span.first + 1 - len(path.ordinals)
    if absent:
        notes.append(f"{absent} frames of the span have no usable picture; the trace has gaps.")
    if path.camera.judged == "unknown":
        notes.append(
            "The still background shows too little texture to tell the camera's motion; travel is "
            "relative to the picture. Put a patterned thing in view that does not move."
        )
    elif path.camera.judged != "still":
        notes.append(
            f"The camera was {path.camera.judged} ({path.camera.shake_px:.2f} px root mean "
            "square); its motion was taken out with the still background."
        )
    if following.renewed:
        notes.append(
            f"The view of the patch changed along the way; its reference was taken anew "
            f"{following.renewed} time{'s' if following.renewed > 1 else ''}, which adds to the "
            "uncertainty."
        )
    if path.bent:
        notes.append(
            "The way bends: travel is measured along the smooth curve through the body's places. "
            "Mark the way (--travel) to measure along a straight line."
        )
    elif path.across_rms_mm > strays_much(path.s_mm, path.u_s_mm):
        notes.append(
            f"The way is not straight: the body strays {path.across_rms_mm:.1f} mm (root mean "
            "square) from it; travel is measured along the straight line."
        )
    return notes


def still_warnings(trace: Trace, interlaced: bool) -> list[str]:
    """About standing: at the ends of the span, in stalls, or not to be told."""
    standing = trace.standing
    notes = []
    if standing.blind:
        notes.append(
            f"Speed noise of {trace.noise.speed_mm_s:.2g} mm/s is too large beside the truck's "
            f"speed of {standing.usual_speed:.2g} mm/s to tell a stall; stalls are not given."
        )
        return notes
    ends = ((standing.at_start_s, "start"), (standing.at_end_s, "end"))
    for seconds, where in ends:
        if seconds >= 0.15:
            notes.append(
                f"The truck stands for {seconds:.2f} s at the {where} of the span; the mean speed "
                "includes it, and it is not counted as a stall."
            )
    if standing.stalls and not interlaced:
        notes.append(
            f"The ripple includes {len(standing.stalls)} "
            f"stall{'s' if len(standing.stalls) > 1 else ''}."
        )
    return notes
