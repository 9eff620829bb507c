"""What changed between two revisions is said field by field, in words, and nothing is left out."""

import pytest

from clipmark.record.changes import changes_between
from clipmark.record.models import Attempt

SHA = "ab" * 32
OTHER = "cd" * 32
LINE = {
    "shape": "line",
    "role": "ramp",
    "frame": 12,
    "x1": 10.0,
    "y1": 500.5,
    "x2": 600,
    "y2": 90.25,
}


def body(**more):
    return Attempt(**{"entry": "Siskin", "test": "board ladder"} | more).to_body()


def angle(value, u95, **more):
    result = {
        "frame": 12, "t_s": 0.4, "clip_sha256": SHA, "fingerprint": "f", "warnings": [],
        "ramp_deg": value, "ramp_u95_deg": u95, "ramp_low95_deg": value - u95,
        "ramp_high95_deg": value + u95,
    }  # fmt: skip
    return {"measure": "angle", "result": result | more}


def crawl(**more):
    always = {"frame": 0, "t_s": 0.0, "clip_sha256": SHA, "fingerprint": "f", "warnings": []}
    return {"measure": "crawl", "result": always | more}


# What the revision before said, what this one says, and how the difference is told.
TOLD = (
    ({}, {"try_no": 2}, [("try", "not given", "2")]),
    (
        {"set_start_deg": 35.2, "verdict": "failed", "reason": "out-of-time"},
        {"set_start_deg": -1.5, "verdict": "cleared"},
        [
            ("set angle, start", "35.2°", "\N{MINUS SIGN}1.5°"),
            ("verdict", "failed", "cleared"),
            ("reason", "out of time", "not given"),
        ],
    ),
    ({"progress": 3.0}, {"progress": 4.0, "grade": 0.0},
     [("progress", "3", "4"), ("grade", "not given", "0")]),
    (
        {"clip": {"path": "clips/a.mp4", "sha256": SHA}},
        {"clip": {"path": "clips/a.mp4", "sha256": OTHER}},
        [("clip", "a.mp4 (abababababab)", "a.mp4 (cdcdcdcdcdcd)")],
    ),
    (
        {"span": {"first_frame": 0, "last_frame": 41}},
        {"span": {"first_frame": 3, "last_frame": 41, "first_t_s": 0.05, "last_t_s": 0.6833}},
        [("from, to", "frame 0 to 41", "frame 3 to 41 (0.050 s to 0.683 s)")],
    ),
    (
        {"marks": [LINE]},
        {"marks": [LINE | {"x2": 601.25, "edge_fit": False}]},
        [("ramp line", "(10, 500.5) to (600, 90.25), frame 12",
          "(10, 500.5) to (601.25, 90.25), frame 12, no edge fit")],
    ),
    (
        {"marks": [{"shape": "wheel", "cx": 5, "cy": 6, "rx": 40, "ry": 41, "turn_deg": 3}]},
        {},
        [("wheel", "(5, 6), radii 40 × 41, turned 3°", "not given")],
    ),
    (
        {"calls": [{"call": "touch", "t_s": 1.25}]},
        {"calls": [{"call": "touch", "t_s": 1.25},
                   {"call": "out-of-time", "t_s": 9, "note": "late"}]},
        [("calls", "touch 1.250 s", "touch 1.250 s, out of time 9.000 s (late)")],
    ),
    (
        {"readings": [angle(35.276, 0.286)]},
        {"readings": [angle(34.9, 1.4)]},
        [("ramp", "35.28 ± 0.29°", "34.9 ± 1.4°")],
    ),
    ({}, {"readings": [angle(35.276, 0.286)]}, [("ramp", "not given", "35.28 ± 0.29°")]),
    (
        {"readings": [angle(35.0, 0.3)]},
        {"readings": [angle(35.0, 0.3, fingerprint="g")]},
        [("angle reading", "measured", "measured again, the same in all digits shown")],
    ),
    (
        {"readings": [angle(35.2760, 0.286)]},
        {"readings": [angle(35.2761, 0.286)]},
        [("ramp", "35.28 ± 0.29°", "measured again, the same in all digits shown")],
    ),
    (
        {"readings": [crawl(ripple=0.2, ripple_u95=0.02, ripple_low95=0.18, ripple_high95=0.22)]},
        {"readings": [crawl(ripple=0.01, ripple_u95=0.02, ripple_low95=0.0, ripple_high95=0.03,
                            ripple_below_noise_floor=True)]},
        [("ripple", "0.200 ± 0.020", "below the noise floor")],
    ),
    (
        {"stand": {"id": "left", "revision": 1}, "declared": {"square_within_deg": 5.0}},
        {"stand": {"id": "left", "revision": 2}, "declared": {"square_within_deg": 2.0}},
        [("stand", "left, revision 1", "left, revision 2"), ("looks square within", "5°", "2°")],
    ),
    (
        {"claim": {"measure": "ramp_deg", "relation": "at least", "value": 35.0, "unit": "deg"}},
        {},
        [("claim", "ramp_deg at least 35 deg", "not given")],
    ),
    (
        {"claim": {"measure": "ramp", "relation": "equal to", "value": 53.0, "unit": "deg",
                   "within": 0.05, "by": "Marsh"}},
        {"ruling": {"outcome": "falls", "probability": 0.0214, "by": "Brook"}},
        [("claim", "ramp equal to 53.0 deg, by Marsh", "not given"),
         ("ruling", "not given", "the claim falls, probability 0.021, by Brook")],
    ),
    (
        {"ruling": {"outcome": "cannot decide", "probability": 0.5}},
        {"ruling": {"outcome": "stands", "probability": 0.99, "note": "read anew"}},
        [("ruling", "the footage cannot decide, probability 0.500",
          "the claim stands, probability 0.990 (read anew)")],
    ),
    (
        {"note": ""},
        {"marks": [LINE | {"x1": 10.0}], "declared": {"edge_fit": True}},
        [("ramp line", "not given", "(10, 500.5) to (600, 90.25), frame 12")],
    ),
    (
        {"marks": [LINE]},
        {"marks": [LINE | {"x1": 10.0000001}]},
        [("ramp line", "(10, 500.5) to (600, 90.25), frame 12",
          "the same here, changed in what is not shown")],
    ),
)  # fmt: skip


@pytest.mark.parametrize(("before", "after", "told"), TOLD)
def test_a_difference_is_told_in_words(before, after, told):
    found = changes_between(body(**before), body(**after))
    assert [(change.field, change.before, change.after) for change in found] == told


def test_who_and_when_are_of_the_revision_not_of_its_content():
    before = body(marked_by="R. Aldous", marked_at="2026-05-16T12:00:00Z")
    after = body(marked_by="K. Marsden", marked_at="2026-05-16T13:00:00Z")
    assert changes_between(before, after) == ()


# One other value for every field of an attempt; a field added to the model must be added here.
OTHERWISE = {
    "entry": "Dipper", "test": "creep", "setup": "soft", "surface": "mat", "try_no": 3,
    "step_deg": 40.0, "set_start_deg": 1.0, "set_end_deg": 2.0, "travel": "up",
    "clip": {"path": "clips/b.mp4", "sha256": OTHER},
    "further_clips": [{"clip": {"path": "clips/c.mp4", "sha256": SHA}, "joins": "continues"}],
    "span": {"first_frame": 1, "last_frame": 2}, "stand": {"id": "s", "revision": 1},
    "lens": {"path": "lenses/x.json"}, "rules": {"id": "event.toml", "revision": 1},
    "session": {"id": "session", "revision": 1}, "marks": [LINE], "declared": {"rim_px": 20.0},
    "readings": [angle(35.0, 0.3)], "tilt_event": "first-lift", "progress": 1.0, "penalties": 2.0,
    "grade": 3.0, "calls": [{"call": "touch", "t_s": 1.0}], "proposal": {"proposed": "cleared"},
    "verdict": "cleared", "reason": None, "called_by": "R. Aldous", "software": "clipmark 9",
    "claim": {"measure": "ramp_deg", "relation": "above", "value": 3.0},
    "ruling": {"outcome": "stands"}, "note": "n",
}  # fmt: skip


def test_no_field_of_an_attempt_changes_unsaid():
    assert set(OTHERWISE) == set(Attempt.model_fields) - {"marked_by", "marked_at"}
    for field, value in OTHERWISE.items():
        if field == "reason":  # goes with its verdict
            after = body(verdict="void", reason="footage")
            before = body(verdict="void")
        else:
            before, after = body(), body(**{field: value})
        [change] = changes_between(before, after)
        assert change.before != change.after, field
        assert changes_between(after, after) == ()
