"""How the page calls the fields of what it sends, for refusals: label and unit by name. Pure."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from clipmark.record.field_labels import DECLARED, DETAILS, LINES

# As the page labels them: slip, session, stands, view and sizes.
_FIELDS: dict[str, tuple[str, str]] = {
    # the run slip
    **DETAILS,
    "set_start_deg": ("set angle at the start", "°"),
    "set_end_deg": ("set angle at the end", "°"),
    "by": ("signature", ""),
    "calls": ("calls", ""),
    "call": ("call", ""),
    "t_s": ("time of the call", "s"),
    "span": ("from and to", ""),
    "stand": ("stand", ""),
    "clip": ("clip", ""),
    "further_clips": ("further clips", ""),
    "as": ("how the clip joins", ""),
    "offset_s": ("start after the first clip", "s"),
    # view and true sizes
    "frame": ("frame", ""),
    "patch_frame": ("frame of the body patch", ""),
    "lens": ("lens file", ""),
    **DECLARED,
    "square_within": DECLARED["square_within_deg"],
    "view_angle": DECLARED["view_angle_deg"],
    "level_u": DECLARED["level_u_deg"],
    "sheet_size": ("sheet", "mm"),
    "scale_mm": ("scale mark", "mm"),
    # marks
    **{name: (label, "px") for name, label in LINES.items()},
    "hubs": ("hubs", "px"),
    "sheet": ("sheet corners", "px"),
    "scale": ("scale mark in the picture", "px"),
    "patch": ("body patch", "px"),
    "wheels": ("wheel", "px"),
    "uphill_tyres": ("uphill tyre", "px"),
    # the session record
    "date": ("date", ""),
    "place": ("place", ""),
    "filmed_by": ("filmed by", ""),
    "judge": ("judge", ""),
    "room_c": ("room", "°C"),
    "tyre_c": ("tyres", "°C"),
    "surface_side": ("side of it that is up", ""),
    "surface_age": ("age of it", ""),
    "surface_care": ("care of it", ""),
    "reference_truck": ("reference truck", ""),
    "inclinometer": ("inclinometer, which one set the board", ""),
    "inclinometer_zeroed": ("inclinometer, zeroed", ""),
    "inclinometer_u_deg": ("inclinometer, its standard uncertainty", "°"),
    "setups": ("set-ups", ""),
    "driver": ("driver", ""),
    "tyres": ("tyres", ""),
    "tyre_diameter_mm": ("tyre diameter", "mm"),
    "tyre_state": ("tyre state", ""),
    "runs_since_cleaning": ("runs since cleaning", ""),
    "mass_g": ("mass, ready to run", "g"),
    "front_mass_g": ("mass on the front", "g"),
    "rear_mass_g": ("mass on the rear", "g"),
    "left_mass_g": ("mass on the left", "g"),
    "right_mass_g": ("mass on the right", "g"),
    "wheelbase_mm": ("wheelbase", "mm"),
    "track_mm": ("track", "mm"),
    "ride_height_mm": ("ride height", "mm"),
    "body_on": ("body on", ""),
    "battery_before_v": ("battery before", "V"),
    "battery_after_v": ("battery after", "V"),
    "settings": ("settings", ""),
    # stands
    "name": ("name", ""),
    "camera": ("camera", ""),
    "distance_mm": ("distance to the board", "mm"),
    # pairing
    "pattern": ("pattern", ""),
}
_LISTS = {
    "setups": "set-up",
    "calls": "call",
    "further_clips": "further clip",
    "wheels": "wheel",
    "uphill_tyres": "uphill tyre",
}


def label_of(place: Sequence[str | int]) -> tuple[str, str] | None:
    """How the page calls the field at a place of a request, and its unit; None for one not named.

    Examples
    --------
    >>> label_of(("body", "body", "setups", 1, "mass_g"))
    ('mass, ready to run of set-up 2', 'g')
    """
    for at in range(len(place) - 1, -1, -1):
        name = place[at]
        if isinstance(name, str) and name in _FIELDS:
            label, unit = _FIELDS[name]
            return label + _which(place[:at]) + _side(place[at:]), unit
    return None


def _which(before: Sequence[str | int]) -> str:
    """Of which item of a list, counted from 1."""
    for name, number in itertools.pairwise(before):
        if isinstance(name, str) and name in _LISTS and isinstance(number, int):
            return f" of {_LISTS[name]} {number + 1}"
    return ""


def _side(place: Sequence[str | int]) -> str:
    """Which side of a sheet."""
    sides = [part for part in place[1:] if isinstance(part, int)]
    if place[0] == "sheet_size" and sides:
        return ", first side" if sides[0] == 0 else ", second side"
    return ""
