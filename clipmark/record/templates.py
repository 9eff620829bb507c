"""The two sheets that a new event folder starts with: rule sheet and session record."""

EVENT_TOML = """\
# Rule sheet of this event. Text after # is a remark. Save it as UTF-8.
# The journal keeps a copy of it whenever it changes, so earlier results stay explained.

[event]
name = "{name}"
date = ""            # such as 2026-11-25
place = ""

# Who wins: the highest total (points) or the lowest (penalties).
order = "highest"
# How a tie for a place is broken, in this order. Left empty, tied entries share the place.
ties = []            # such as ["best-step", "fewest-tries", "time", "count-back"]
points_to = 0.01     # points are rounded to this, from the middle to the even one
# drop_tests = 1     # the worst tests of each entry that are left out of its total
# classes = ["stock", "open"]            # ranked apart; each entry says class = "..."
# reference = "Dunnock"                  # entry run first, in the middle and last: the drift

# ---- Tests. Take the # away from what you run; add as many as you need. ---------------------

# A ladder: the board is set step by step; the result is the last step cleared.
# [[test]]
# id = "climb"
# kind = "ladder"
# surface = "grip board"
# steps_deg = [30, 35, 40, 42, 44, 46, 48, 50]
# tries_per_step = 3                     # stands beside every result: it moves the result
# stop_after_failed_steps = 1            # so does the stop rule
# passes_needed = 1                      # of the tries of a step
# score_by = "step"                      # or "measured": by the angle that the footage shows
# points = [[30, 0], [45, 60], [50, 100]] # angle, points; straight lines in between
# cap = 100                              # never more than this; least = 0: never less
# did_not_finish = 0                     # points where no step was cleared

# A reading: points for a measured angle. On the tilt table, say which event counts.
# [[test]]
# id = "side-tilt"
# kind = "reading"
# measure = "tilt_deg"
# tilt_event = "both uphill wheels off"  # or "first uphill wheel unloads", "topple", "slide"
# largest_rate_deg_s = 1.0               # a slow table, since the gap reads late on a fast one
# points = [[30, 0], [50, 100]]
# round_to = 0.1                         # the angle is rounded to this before its points
# cap = 100
# tries = 2                              # so many count: the best, worst, mean, sum, ...
# counted = "best"
# drop_tries = 0                         # worst tries left out first
# did_not_start = 0
# drift = "show"                         # or "take out": what the reference truck drifted

# Smoothness: a grade over one measure of the crawl, filled in from the crawl reading when an
# attempt is saved. Best grade first. Instead of grade_below, grade_above where more is better.
# Measures: ripple, slowest_speed_mm_s, start_jump, stalls, rollback_mm, stop_distance_mm, ...
# [[test]]
# id = "creep"
# kind = "smoothness"
# measure = "ripple"
# band_hz = [0.5, 5.0]                   # band of the ripple: a crawl is measured in it
# hold_s = 2.0                           # how long the slowest speed must be held
# grade_below = [[0.03, 5], [0.06, 4], [0.12, 3], [0.25, 2]] # below 0.03 is grade 5, ...
# grade_else = 1
# points = [[0.05, 100], [0.50, 0]]      # by the measure; or grades = [[5, 100], [4, 80], ...]

# Grades given by the judge: clean, with reverses, with a touch, not cleared.
# [[test]]
# id = "rock-pile"
# kind = "graded"
# grades = [[3, 100], [2, 60], [1, 30], [0, 0]]

# A course: counted calls, and time.
# [[test]]
# id = "course"
# kind = "course"
# time_limit_s = 300
# calls = {{ touch = 10, reverse = 1, rollover = 5, marker = 10, reposition = 10 }}
# progress = -2                          # points per gate passed
# time_points = [[0, 0], [300, 30]]      # seconds, points
# cap = 40
# did_not_finish = 40                    # instead of its calls; less_progress = true: less gates
# did_not_start = 60

# Down the board, stop, back up: what counts as a reverse differs, so say which facts it needs, all
# of them: "wheel turned back", "body moved back", "driven". `clipmark climb --mode descend` keeps
# them apart and proposes the call. Left out: ["body moved back", "driven"].
# [[test]]
# id = "descent"
# kind = "graded"
# reverse_needs = ["body moved back", "driven"]
# grades = [[2, 100], [1, 50], [0, 0]]

# ---- Entries. ------------------------------------------------------------------------------

# [[entry]]
# name = "Heather Goat"
# driver = "M. Fell"
# setups = ["soft tyres", "hard tyres"] # each set-up is ranked as a row of its own
# class = "stock"

# The reference truck, where there is one: it shows the board's drift and is not ranked.
# [[entry]]
# name = "Dunnock"
# class = "open"
# out_of_ranking = true

# ---- Stands: what is promised of each camera position. ---------------------------------------

# [[stand]]
# id = "left"
# level_u_deg = 0.05                     # standard uncertainty of its plumb or level line
# square_within_deg = 5                  # how squarely the camera looks at the board
# view_angle_deg = 65                    # horizontal, of the upright picture, if known
"""

# Every value in it is invented: an example of the form, no rulebook's table.
GATES_TOML = """\
# Rule sheet of a gate course: penalties, the lowest total wins. Every value is an example;
# change them all to your own. Text after # is a remark. Save it as UTF-8.

[event]
name = "{name}"
date = ""
place = ""
order = "lowest"
points_to = 1
ties = ["count-back", "time"]            # more of the best scores; then the shorter time
classes = ["stock", "open"]

[[test]]
id = "beck"
kind = "course"
surface = "stones and roots"
tries = 1
time_limit_s = 240
calls = {{ reverse = 2, touch = 7, marker = 6, rollover = 4, reposition = 9, out_of_time = 12 }}
progress = -3                            # for each gate passed
cap = 45                                 # the run ends there
did_not_finish = 45
less_progress = true                     # gates passed still count then
did_not_start = 70

[[test]]
id = "ledge"
kind = "course"
surface = "slate"
tries = 2
counted = "best"
time_limit_s = 180
calls = {{ reverse = 2, touch = 7, marker = 6, rollover = 4, reposition = 9, out_of_time = 12 }}
progress = -3
time_points = [[0, 0], [90, 0], [180, 6]] # seconds, penalty points; straight lines in between
cap = 45
did_not_finish = 45
less_progress = true
did_not_start = 70

[[entry]]
name = "Siskin"
driver = "M. Fell"
class = "stock"
setups = ["as entered"]

[[entry]]
name = "Wren"
driver = "J. Marsh"
class = "open"
setups = ["as entered"]
"""

SESSION_TOML = """\
# What was the same for everybody on the day. Fill in what you know; leave the rest as it is.
# The journal keeps a copy of it whenever it changes.

date = "{date}"
place = ""
filmed_by = ""
judge = ""

surface = ""               # what the board is covered with
surface_side = ""          # which side of it is up
surface_age = ""           # how old, how many runs
surface_care = ""          # wiped with what, how often

# room_c = 18.0            # room temperature, degrees Celsius
# tyre_c = 20.0

inclinometer = ""          # which one set the board
inclinometer_zeroed = ""   # how and when, such as "by reversal, 13:05"
# inclinometer_u_deg = 0.1 # its standard uncertainty

reference_truck = ""       # what was run first, middle and last to see the board drift

note = ""

# One block for each set-up as it ran. Any change to the truck is a new set-up.
# [[setups]]
# setup = "Heather Goat, soft tyres"
# tyres = "soft compound, medium foam"
# tyre_diameter_mm = 54.0
# tyre_state = "clean"     # new, clean, conditioned or dirty
# runs_since_cleaning = 0
# mass_g = 452.0           # ready to run
# front_mass_g = 262.0
# rear_mass_g = 190.0
# left_mass_g = 228.0
# right_mass_g = 224.0
# wheelbase_mm = 133.0
# track_mm = 95.0
# ride_height_mm = 28.0
# body_on = true
# battery_before_v = 8.3
# battery_after_v = 7.9
# settings = "drag brake full, soft start"
# driver = "M. Fell"
"""


def quoted(text: str) -> str:
    """Text as the inside of a basic TOML string."""
    return "".join(
        "\\" + character
        if character in '"\\'
        else character
        if character >= " " and character != "\x7f"
        else f"\\u{ord(character):04x}"
        for character in text
    )
