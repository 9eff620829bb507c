"""What a repetition says when something is not as it was: clip, frame, journal, software, lens."""

import json
import shutil
from fractions import Fraction

import av
import numpy as np
import pytest

from clipmark.audit.reading_replay import replay_readings
from clipmark.audit.replay import replay_attempt, replay_event
from clipmark.clip import open_clip
from clipmark.geometry.lens import Lens
from clipmark.marks import Line
from clipmark.measure.angle import measure_angle
from clipmark.record.canonical import sealed_line
from clipmark.record.folder import EventFolder
from clipmark.record.models import Attempt, FileRef
from clipmark.record.texts import as_model
from tests.cli.conftest import HEIGHT, WIDTH, draw, encode

RAMP, PLUMB = (100, 320, 520, 96), (561, 40, 563, 300)
MARKS = [(Line(*RAMP), "ramp"), (Line(*PLUMB), "plumb")]
QUICK = {"draws": 600, "budget_draws": 0, "edge_fit": False}


def angle_of(path, frame=2, **more):
    with open_clip(path) as clip:
        return measure_angle(clip, frame, ramp=RAMP, plumb=PLUMB, **QUICK, **more).to_dict()


@pytest.fixture
def saved(event, keep, board):
    return keep(event, board, "angle", angle_of(board), MARKS)


def only(event, saved):
    [item] = replay_attempt(event, saved).readings
    return item


def revised(event, saved, **changes):
    """A next revision whose angle reading says something else, as if it had been saved so."""
    reading = saved.attempt.readings[0]
    fields = {"result": dict(reading.result) | changes.pop("result", {})} | changes
    event.save_attempt(
        saved.attempt.model_copy(update={"readings": (reading.model_copy(update=fields),)}),
        by="Marsh",
        id=saved.id,
        base_revision=saved.revision,
    )
    return event.attempt(saved.id)


def test_a_clip_that_was_renamed_is_found_and_one_that_is_gone_is_said(event, saved):
    clip = event.path / saved.attempt.clip.path
    clip.rename(clip.with_name("holiday.mp4"))
    assert only(event, saved).reading.outcome == "equal"
    clip.with_name("holiday.mp4").unlink()
    item = only(event, saved)
    assert item.reading.outcome == "clip missing"
    assert item.reading.sentence == (
        "The angle reading cannot be repeated: its clip clips/board.mp4 is not there under any "
        "name. Put the original back into clips/; a copy that was coded again, as messengers do, "
        "is another clip (--clip FILE --as-another-clip)."
    )


def test_a_clip_altered_behind_the_cache_is_noticed(event, saved):
    """Same size, same time of change, one byte other: only reading it anew tells."""
    import os

    clip = event.path / saved.attempt.clip.path
    assert only(event, saved).reading.outcome == "equal"
    state = clip.stat()
    data = bytearray(clip.read_bytes())
    data[-1] ^= 1
    clip.unlink()
    clip.write_bytes(data)
    os.utime(clip, ns=(state.st_atime_ns, state.st_mtime_ns))
    item = only(event, saved)
    assert item.reading.outcome == "clip altered"
    assert "the file at its place has another content" in item.reading.sentence
    assert not item.agrees


def test_a_frame_that_decodes_differently_is_named_with_both_fingerprints(event, saved):
    other = revised(event, saved, result={"fingerprint": "ab" * 32})
    item = only(event, other)
    now = saved.attempt.readings[0].fingerprint
    assert item.reading.outcome == "frame decodes differently"
    assert item.reading.sentence.startswith(
        "Frame 2 does not decode to the picture that was measured on (fingerprint abababababab, "
        f"now {now[:12]})."
    )


def test_a_value_that_changed_is_told_with_both_and_with_the_software(event, saved):
    """An older NumPy, a value 0.01 deg off: both values, both U, and that it is within U."""
    was = saved.attempt.readings[0].number("ramp_deg")
    other = revised(
        event,
        saved,
        result={"ramp_deg": was + 0.01},
        versions={"clipmark": "0.0.9", "numpy": "1.26.4"},
    )
    item = only(event, other)
    row = item.reading.to_dict()["values"][0]
    assert item.reading.outcome == "changed"
    assert (row["name"], row["saved"], row["repeated"]) == ("ramp_deg", was + 0.01, was)
    assert row["saved_u95"] == row["repeated_u95"] > 0.01
    assert row["within_stated_uncertainty"] is True
    assert "within the stated uncertainty" in item.reading.sentence
    assert "numpy 1.26.4, now " in item.reading.sentence
    far = revised(event, other, result={"ramp_deg": was + 30.0})
    assert "beyond the stated uncertainty" in only(event, far).reading.sentence


def test_a_last_digit_is_within_rounding_and_a_larger_step_is_not(event, saved):
    was = saved.attempt.readings[0].number("ramp_deg")
    near = revised(event, saved, result={"ramp_deg": was * (1 + 1e-11)})
    assert only(event, near).reading.outcome == "within rounding"
    assert only(event, near).agrees
    off = revised(event, near, result={"ramp_deg": was * (1 + 3e-9)})
    assert only(event, off).reading.outcome == "changed"


def test_a_clip_shorter_than_the_named_frame_is_a_sentence(event, keep, board):
    result = angle_of(board) | {"frame": 4000}
    item = only(event, keep(event, board, "angle", result))
    assert item.reading.outcome == "cannot be repeated"
    assert "frame 4000 is not in the clip, which has frames 0 to 7" in item.reading.sentence
    assert "Frame 4000 cannot be decoded" in item.reading.sentence


def test_a_reading_that_does_not_say_how_it_was_measured_is_a_sentence(event, keep, board):
    result = angle_of(board)
    tilt = {name: result[name] for name in ("frame", "t_s", "clip_sha256", "fingerprint")}
    item = only(event, keep(event, board, "tilt", tilt | {"warnings": []}))
    assert item.reading.sentence.startswith(
        "The tilt reading cannot be repeated: the tilt reading does not say how it was measured"
    )


def test_a_reading_stripped_of_its_marks_is_a_sentence(event, keep, board):
    result = angle_of(board)
    result.pop("lines")
    item = only(event, keep(event, board, "angle", result))
    assert item.reading.outcome == "cannot be repeated"
    assert "does not hold what it takes to repeat it" in item.reading.sentence


def test_behind_a_broken_line_a_reading_is_repeated_and_not_trusted(event, keep, board):
    first = keep(event, board, "angle", angle_of(board), MARKS)
    keep(event, board, "angle", angle_of(board, 3), MARKS)
    journal = event.path / "journal.jsonl"
    lines = journal.read_bytes().split(b"\n")
    at = next(i for i, line in enumerate(lines) if b'"id":"a0001"' in line)
    lines[at] = lines[at].replace(b'"entry":"Siskin"', b'"entry":"Dunnock"')
    journal.write_bytes(b"\n".join(lines))
    with EventFolder.open(event.path) as again:
        found = list(replay_event(again))
    assert [item.id for item in found] == [first.id, "a0002"]
    for item in found:
        assert item.readings[0].reading.outcome == "equal"
        assert not item.trusted
        assert not item.agrees
        assert item.notes[0].startswith(
            f"The journal is broken at line {at + 1}: the line was changed after it was written"
        )


def test_a_journal_of_another_version_is_replayed_as_far_as_it_can_be_read(event, saved):
    """A later version's attempt with a field that this one does not know: a sentence, no more."""
    lines = [json.loads(x) for x in (event.path / "journal.jsonl").read_text().splitlines()]
    body = lines[-1]["body"] | {"steered_by": "Wren", "software": "clipmark 9.1"}
    line = {name: lines[-1][name] for name in ("at", "by", "kind")} | {
        "seq": lines[-1]["seq"] + 1, "id": "a0002", "revision": 1, "body": body,
        "previous": lines[-1]["sha256"],
    }  # fmt: skip
    with (event.path / "journal.jsonl").open("ab") as journal:
        journal.write(sealed_line(line) + b"\n")
    one, two = replay_event(EventFolder.open(event.path))
    assert one.agrees
    assert two.readings == ()
    assert two.notes[0].startswith("This version cannot read it, so nothing was repeated (")
    assert two.notes[0].endswith("use the version that saved it (clipmark 9.1).")


def test_every_revision_is_repeated_when_asked(event, saved):
    revised(event, saved, result={"ramp_deg": 1.0})
    found = list(replay_event(event, [saved.id], all_revisions=True))
    assert [(item.revision, item.agrees) for item in found] == [(1, True), (2, False)]
    assert found[0].notes == ("A newer revision counts: 2.",)


def lens_text(focal):
    lens = Lens(
        "ordinary", focal, focal, (WIDTH - 1) / 2, (HEIGHT - 1) / 2, (0.0,) * 5, (WIDTH, HEIGHT),
        np.diag([1.0, 1, 1, 1, 1e-8, 0, 0, 0, 0]),
    )  # fmt: skip
    return json.dumps(lens.to_dict())


def test_a_reading_with_another_lens_than_its_attempt_names_is_said(event, keep, board):
    path = event.path / "lenses" / "wren.json"
    path.write_text(lens_text(640.0), encoding="utf-8")
    body = {
        "entry": "Siskin", "test": "board ladder", "clip": event.add_clip(board),
        "lens": FileRef(path="lenses/wren.json"), "marks": [],
    }  # fmt: skip
    for focal, agrees in ((640.0, True), (655.0, False)):
        result = angle_of(board, lens=json.loads(lens_text(focal)))
        reading = {"measure": "angle", "result": result}
        attempt = as_model(Attempt, body | {"readings": [reading]}, "the attempt")
        saved = event.attempt(event.save_attempt(attempt, by="Fell").id)
        item = only(event, saved)
        assert item.reading.outcome == "equal", item.reading.to_dict()
        assert (item.lens.agrees, item.agrees) == (agrees, agrees)
    assert item.lens.sentence == (
        "The lens in the reading is not that of lenses/wren.json, which the attempt names: fx 655, "
        "file 640; fy 655, file 640. The reading is repeated with its own."
    )


@pytest.mark.slow  # a bundle that was cut is held to the same
def test_a_stretch_cut_out_without_coding_it_anew_gives_the_same(event, keep, tmp_path):
    """As a bundle holds it: frames 4 to 11 of a clip, ordinals and times counted from the cut."""
    whole, cut = tmp_path / "whole.mp4", tmp_path / "cut.mp4"
    rng = np.random.default_rng(8)
    encode(whole, [draw() + rng.normal(0, 2.0, (HEIGHT, WIDTH)) for _ in range(4)] * 3)
    with av.open(str(whole)) as source:
        key = [packet.is_keyframe for packet in source.demux(video=0) if packet.size]
    if not all(key):  # make every frame a key frame, so that it can be cut anywhere
        intra(whole)
    remux(whole, cut, skip=4)
    saved = keep(event, whole, "angle", angle_of(whole, 7), MARKS)
    [same] = replay_readings(saved.attempt, whole)
    [part] = replay_readings(saved.attempt, cut, shift=4)
    assert (same.outcome, same.same_file) == ("equal", True)
    assert part.agrees
    assert part.same_file is False
    assert part.frames[0].agrees
    [off] = replay_readings(saved.attempt, cut, shift=3)
    assert off.outcome == "frame decodes differently"


def intra(path):
    pictures = []
    with av.open(str(path)) as source:
        pictures = [frame.to_ndarray(format="yuv420p") for frame in source.decode(video=0)]
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        stream.options = {"crf": "12", "g": "1", "bf": "0"}
        for number, planes in enumerate(pictures):
            frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            frame.pts = number
            container.mux(stream.encode(frame))
        container.mux(stream.encode())


def remux(source_path, target_path, skip):
    with av.open(str(source_path)) as source, av.open(str(target_path), "w") as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        packets = [packet for packet in source.demux(video=0) if packet.size]
        start = packets[skip].pts
        for packet in packets[skip:]:
            packet.pts -= start
            packet.dts -= start
            packet.stream = stream
            target.mux(packet)


def test_the_verb_prints_what_it_found_and_never_fails_for_it(event, saved, clipmark):
    ran = clipmark("audit", "replay", event.path)
    assert (ran.status, "1 of 1 reading came back as saved." in ran.out) == (0, True)
    revised(event, saved, result={"ramp_deg": 1.0})
    told = clipmark("audit", "replay", event.path, saved.id, "--json")
    assert told.status == 0
    assert told.json["agrees"] is False
    assert told.json["attempts"][0]["readings"][0]["outcome"] == "changed"
    missing = clipmark("audit", "replay", event.path, "a0099")
    assert missing.status == 2
    assert missing.err.startswith("clipmark audit: there is no attempt a0099 in ")


def test_an_event_without_a_journal_has_nothing_to_repeat(event, clipmark):
    ran = clipmark("audit", "replay", event.path)
    assert (ran.status, ran.out) == (0, "There is no reading to repeat.\n")


def test_a_copy_that_was_coded_again_is_never_used_silently(event, saved, clipmark, tmp_path):
    """Refused by its hash; on request measured as another clip, smaller by a half."""
    clip = event.path / saved.attempt.clip.path
    small = tmp_path / "from-phone.mp4"
    coded_again(clip, small, 2)
    refused = clipmark("audit", "replay", event.path, saved.id, "--clip", small)
    assert refused.status == 2
    assert "its content is another" in refused.err
    before = (event.path / "journal.jsonl").read_bytes()
    told = clipmark(
        "audit", "replay", event.path, saved.id, "--clip", small, "--as-another-clip", "--json"
    ).json
    assert told["is_the_recorded_clip"] is False
    [item] = told["readings"]
    assert (item["frame"], item["other_frame"], item["picture_scale"]) == (2, 2, 0.5)
    [ramp] = item["values"]
    assert ramp["within"] is True  # marks as set, scaled: the angle is that of the same line
    assert ramp["other"] == pytest.approx(ramp["saved"], abs=1e-9)
    assert (event.path / "journal.jsonl").read_bytes() == before
    shutil.move(clip, tmp_path / "away.mp4")
    gone = clipmark("audit", "replay", event.path, saved.id, "--clip", small, "--as-another-clip")
    assert gone.status == 2
    assert "give its width and height (--recorded-size), as 1920x1080" in gone.err
    sized = clipmark(
        "audit", "replay", event.path, saved.id, "--clip", small, "--as-another-clip",
        "--recorded-size", "640x360", "--json",
    ).json  # fmt: skip
    assert sized["readings"][0]["values"][0]["within"] is True
    here = clipmark("audit", "replay", event.path, saved.id, "--clip", tmp_path / "away.mp4")
    assert "away.mp4 is the recorded clip, byte for byte." in here.out
    assert "comes back to the last digit" in here.out


def test_another_shape_or_length_is_refused(event, saved, clipmark, tmp_path):
    clip = event.path / saved.attempt.clip.path
    square, long = tmp_path / "square.mp4", tmp_path / "long.mp4"
    coded_again(clip, square, 1, height=HEIGHT // 2)
    coded_again(clip, long, 2, times=6)
    for other, why in ((square, "cropped, turned or stretched"), (long, "it was cut or is of")):
        ran = clipmark(
            "audit", "replay", event.path, saved.id, "--clip", other, "--as-another-clip"
        )
        assert ran.status == 2
        assert why in ran.err


def coded_again(source_path, target_path, divided, height=None, times=1):
    width, height = WIDTH // divided, height or HEIGHT // divided
    with av.open(str(source_path)) as source, av.open(str(target_path), "w") as target:
        stream = target.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.options = {"crf": "20"}
        number = 0
        for frame in source.decode(video=0):
            small = frame.reformat(width, height, "yuv420p", interpolation="AREA")
            for _ in range(times):
                small.pts, small.time_base = number, Fraction(1, 30)
                target.mux(stream.encode(small))
                number += 1
        target.mux(stream.encode())
