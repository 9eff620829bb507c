"""How people call the fields of an attempt, with their units: the same everywhere. Pure."""

# Name of the field: label, unit.
DETAILS: dict[str, tuple[str, str]] = {
    "entry": ("entry", ""),
    "test": ("test", ""),
    "try_no": ("try", ""),
    "setup": ("set-up", ""),
    "surface": ("surface", ""),
    "step_deg": ("step", "°"),
    "set_start_deg": ("set angle, start", "°"),
    "set_end_deg": ("set angle, end", "°"),
    "travel": ("travel", ""),
    "progress": ("progress", ""),
    "penalties": ("penalties", ""),
    "grade": ("grade", ""),
    "verdict": ("verdict", ""),
    "reason": ("reason", ""),
    "called_by": ("called by", ""),
    "note": ("note", ""),
}
DECLARED: dict[str, tuple[str, str]] = {
    "rim_px": ("rim radius in the picture", "px"),
    "facing": ("the truck faces", ""),
    "view_angle_deg": ("view angle, across", "°"),
    "square_within_deg": ("looks square within", "°"),
    "edge_fit": ("edge fit", ""),
    "true_fps": ("frames a second really taken", ""),
    "level_u_deg": ("level or plumb good to", "°"),
    "sheet_u_mm": ("sheet sides good to", "mm"),
    "wheel_mm": ("wheel diameter", "mm"),
    "motion": ("what is followed", ""),
    "mode": ("climb or descent", ""),
    "give_up_s": ("over after standing for", "s"),
    "gap_mm": ("gap at which a tyre is off", "mm"),
    "track_mm": ("track", "mm"),
    "track_u_mm": ("track good to", "mm"),
    "low_side": ("low side", ""),
    "join": ("joined with attempt", ""),
}
LINES: dict[str, str] = {
    "level": "level line",
    "plumb": "plumb line",
    "ramp": "ramp line",
    "chassis": "chassis rail",
    "finish": "finish line",
    "platform": "platform line",
}
