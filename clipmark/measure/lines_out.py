"""What was marked and where the fits put it, as plain data for JSON, records and drawing."""

from __future__ import annotations

import math

from clipmark.measure.marked_hubs import MarkedHubs
from clipmark.measure.marked_line import MarkedLine, PlacedLine


def describe_line(line: MarkedLine) -> dict[str, object]:
    """One line: as marked, as measured, and how well; px of the upright picture."""
    first, last = line.points_px[0], line.points_px[-1]
    described: dict[str, object] = {
        "marked": [list(mark.as_tuple()) for mark in line.marked],
        "measured": [float(first[0]), float(first[1]), float(last[0]), float(last[1])],
        "u_angle_deg": math.degrees(line.u_angle_rad),
        "u_offset_px": line.u_offset_px,
        "edge_fit": None,
    }
    carried = [mark for mark in line.marked if isinstance(mark, PlacedLine)]
    if carried:  # fitted in another picture, so this one alone could not give them again
        described["carried"] = [_carried(mark) for mark in carried]
    if line.fit is not None:
        fit = line.fit
        described["edge_fit"] = {
            "kind": fit.kind,
            "polarity": fit.polarity,
            "blur_px": fit.blur_px,
            "contrast": fit.contrast,
            "noise": fit.noise,
            "tone": fit.tone,
            "rms_px": fit.rms_px,
            "used_fraction": fit.used_fraction,
            "bow_px": fit.bow_px,
            "runner_up": None
            if fit.runner_up is None
            else {
                "offset_px": fit.runner_up.offset_px,
                "angle_deg": math.degrees(fit.runner_up.angle_rad),
                "strength": fit.runner_up.strength,
            },
        }
    return described


def _carried(line: PlacedLine) -> dict[str, object]:
    return {
        "points_px": [list(point) for point in line.points_px],
        "half_length_px": line.half_length_px,
        "u_offset_px": line.u_offset_px,
        "u_angle_rad": line.u_angle_rad,
        "dof": line.dof if math.isfinite(line.dof) else None,
    }


def describe_hubs(hubs: MarkedHubs) -> dict[str, object]:
    """Both hubs, rear first: as marked, as measured, and how well; px of the upright picture."""
    return {
        "marked": [list(mark.as_tuple()) for mark in hubs.marked],
        "measured": [float(value) for value in hubs.centres_px.ravel()],
        "covariance_px2": hubs.covariance_px2.tolist(),
        "hub_fit": [
            {
                "radius_px": fit.radius_px,
                "rms_px": fit.rms_px,
                "used_fraction": fit.used_fraction,
            }
            for fit in hubs.fits
        ]
        or None,
    }
