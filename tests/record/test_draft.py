"""A draft becomes an attempt and the attempt the same draft again; what it hides lives on."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clipmark.errors import RecordError
from clipmark.record.draft import AttemptDraft, Marks
from clipmark.record.draft_marks import marks_of_stand, recorded
from clipmark.record.models import Attempt, Stand
from clipmark.signing import attempt_from_draft, draft_from_attempt, sign_attempt

CLIP = b"not footage, but a file with a content hash"

px = st.floats(-1e5, 1e5, allow_nan=False).map(lambda value: round(value, 3))
line = st.tuples(px, px, px, px)
length = st.floats(0.5, 1e4).map(lambda value: round(value, 3))
frame = st.integers(0, 100_000)
text = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=30)


def maybe(strategy):
    return st.none() | strategy


marks = st.fixed_dictionaries(
    {},
    optional={
        **dict.fromkeys(
            ("ramp", "chassis", "hubs", "level", "plumb", "scale", "travel", "finish"), line
        ),
        "frame": frame,
        "rim_px": length,
        "facing": st.sampled_from(["left", "right"]),
        "level_u": st.floats(0, 44),
        "sheet_size": st.tuples(length, length),
        "sheet_u_mm": st.floats(0, 10),
        "scale_mm": length,
        "patch": st.tuples(px, px, length, length),
        "span": st.tuples(st.integers(0, 500), st.integers(500, 900)),
        "wheels": st.lists(st.tuples(px, px, length, length, st.floats(-180, 180)), max_size=4),
        "wheel_mm": length,
        "lens": st.just("phone.json"),
        "view_angle": st.floats(1, 179),
        "square_within": st.floats(0, 90),
        "edge_fit": st.booleans(),
        "true_fps": st.floats(1, 1000),
    },
)
sheets = st.tuples(px, px, px, px, px, px, px, px)
details = st.fixed_dictionaries(
    {"entry": text.filter(str.strip), "test": text.filter(str.strip)},
    optional={
        "try_no": st.integers(1, 99),
        "setup": text,
        "surface": text,
        "step_deg": st.floats(0, 180),
        "set_start_deg": st.floats(-180, 180),
        "set_end_deg": st.floats(-180, 180),
        "travel": st.sampled_from(["up", "down", "level", "", None]),
        "verdict": st.sampled_from(["cleared", "failed", "void"]),
        "called_by": text,
        "note": text,
    },
)
calls = st.lists(
    st.fixed_dictionaries(
        {"call": st.sampled_from(["touch", "reverse"]), "t_s": st.floats(0, 1e4)},
        optional={"frame": maybe(frame), "note": text},
    ),
    max_size=5,
)


@pytest.fixture
def clip(event) -> str:
    """Content hash of a file in clips/."""
    path = Path(event.path) / "clips" / "run.mp4"
    path.write_bytes(CLIP)
    return event.clip_ref(path).sha256


@settings(max_examples=150, suppress_health_check=list(HealthCheck), deadline=None)
@given(st.data())
def test_a_draft_comes_back_from_the_attempt_it_became(event, clip, data):
    given_marks = data.draw(marks)
    if "sheet_size" in given_marks and data.draw(st.booleans()):
        given_marks["sheet"] = data.draw(sheets)
    draft = AttemptDraft.model_validate(
        {
            "clip": data.draw(maybe(st.just(clip))),
            "further_clips": data.draw(
                st.lists(
                    st.fixed_dictionaries(
                        {"clip": st.just(clip), "as": st.just("continues")},
                        optional={"offset_s": st.floats(0, 100)},
                    ),
                    max_size=2,
                )
            ),
            "details": data.draw(details),
            "marks": given_marks,
            "calls": data.draw(calls),
        }
    )
    attempt = attempt_from_draft(event, draft, {})
    kept = Attempt.model_validate(attempt.to_body())  # through the journal's form
    again = draft_from_attempt(kept, "a0001", 1)
    expected = draft.model_copy(update={"attempt": "a0001", "base_revision": 1})
    said = draft.marks.sheet is not None and draft.marks.sheet_u_mm == 0.5
    usual = {"sheet_u_mm": None} if said else {}  # a sheet's own default is not written down
    expected = expected.model_copy(update={"marks": draft.marks.model_copy(update=usual)})
    assert again.plain() == expected.plain()


def test_signing_a_saved_attempt_as_it_is_changes_nothing(event, angle_result):
    """Repeated marks, a platform, a claim: what a draft does not show. Its tilt is as it was."""
    other = {
        "tilt_deg": 41.0, "tilt_u95_deg": 0.3, "tilt_low95_deg": 40.7, "tilt_high95_deg": 41.3,
        "frame": 3, "t_s": 0.1, "clip_sha256": "", "fingerprint": "", "warnings": [],
    }  # fmt: skip
    ramp = {"shape": "line", "role": "ramp", "frame": 4, "x1": 1.0, "y1": 2.0, "x2": 90.0}
    body = {
        "entry": "Siskin",
        "test": "climb",
        "marks": [
            ramp | {"y2": 3.0},
            ramp | {"y2": 3.5, "by": "J. Beck"},
            ramp | {"role": "platform", "y2": 7.0},
            {"shape": "point", "role": "tip", "frame": 4, "x": 5.0, "y": 5.0},
        ],
        "readings": [{"measure": "tilt", "result": other}],
        "claim": {"measure": "ramp_deg", "relation": "at least", "value": 45.0},
        "proposal": {"proposed": "unclear"},
        "grade": 2.0,
    }
    first = event.save_attempt(body, by="J. Beck")
    draft = draft_from_attempt(event.attempt(first.id).attempt, first.id, 1)
    as_it_was = {one["measure"]: one["result"] for one in first.body["readings"]}
    second = sign_attempt(event, draft, "M. Fell", as_it_was, 1)
    own = ("marked_by", "marked_at", "declared", "readings")
    before, after = first.body, second.body
    assert {one["measure"]: one["result"] for one in after["readings"]} == as_it_was
    assert {name for name in after if after[name] != before[name]} <= set(own)
    assert after["declared"]["frame"] == 4


def test_a_mark_that_was_moved_takes_the_place_of_its_role_alone(event):
    ramp = {
        "shape": "line",
        "role": "ramp",
        "frame": 4,
        "x1": 1.0,
        "y1": 2.0,
        "x2": 90.0,
        "y2": 3.0,
    }
    body = {"entry": "Siskin", "test": "climb", "marks": [ramp, ramp | {"role": "platform"}]}
    saved = event.save_attempt(body, by="J. Beck")
    draft = draft_from_attempt(event.attempt(saved.id).attempt, saved.id, 1)
    moved = draft.model_copy(
        update={"marks": draft.marks.model_copy(update={"ramp": (5.0, 2.0, 90.0, 3.0)})}
    )
    line = sign_attempt(event, moved, "M. Fell", {}, 1)
    assert [(mark["role"], mark["x1"]) for mark in line.body["marks"]] == [
        ("platform", 1), ("ramp", 5),
    ]  # fmt: skip


def test_a_sheet_without_its_size_is_refused():
    with pytest.raises(RecordError) as refused:
        recorded(Marks(sheet=(1, 1, 9, 1, 9, 9, 1, 9)))
    assert str(refused.value) == (
        "the sheet is marked but its size is not given; give its sides in mm, such as 297x210, or "
        "take the sheet away"
    )


def test_a_clip_that_has_left_the_folder_keeps_its_name_in_a_new_revision(event, clip):
    draft = AttemptDraft.model_validate({"clip": clip, "details": {"entry": "S", "test": "climb"}})
    line = sign_attempt(event, draft, "M. Fell", {}, None)
    (Path(event.path) / "clips" / "run.mp4").unlink()
    again = draft_from_attempt(event.attempt(line.id).attempt, line.id, 1)
    assert sign_attempt(event, again, "M. Fell", {}, 1).body["clip"] == line.body["clip"]
    with pytest.raises(
        RecordError, match=r"^no clip in .*clips has the content [0-9a-f]{16}\.\.\."
    ):
        sign_attempt(event, draft, "M. Fell", {}, None)


def test_calls_that_the_rule_sheet_names_may_be_called(event):
    path = Path(event.path) / "event.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text + '\n[[test]]\nid = "course"\ncalls = { gate = -2 }\n', encoding="utf-8")
    body = {"details": {"entry": "S", "test": "course"}, "calls": [{"call": "gate", "t_s": 1.0}]}
    line = sign_attempt(event, AttemptDraft.model_validate(body), "M. Fell", {}, None)
    assert line.body["calls"][0]["call"] == "gate"


def test_a_stand_s_marks_come_back_as_they_were_given():
    given = Marks(frame=7, plumb=(1, 2, 3, 400), level_u=0.02, scale=(1, 2, 300, 2), scale_mm=133.0)
    stand = Stand(name="left", reference_frame=7, marks=recorded(given))
    assert marks_of_stand(stand) == given
