"""Times are the container's own, exact; what is odd about them is said."""

from fractions import Fraction

import numpy as np
import pytest

from clipmark.clip import open_clip
from clipmark.errors import FootageError, FrameError


def sentences(clip):
    return {finding.code: str(finding) for finding in clip.findings}


def test_an_ordinary_clip_has_nothing_odd(footage):
    with open_clip(footage("short groups")) as clip:
        assert clip.findings == ()
        assert clip.warnings == []
        assert clip.nominal_fps == 30


def test_variable_rate_is_told_and_true_times_are_kept(footage):
    with open_clip(footage("variable rate")) as clip:
        assert clip.warnings == [
            "Frame times vary (least 13.3, median 18.3, most 23.3 ms from frame to frame); true "
            "times are used."
        ]
        assert clip.times[:4] == [
            0,
            Fraction(1200, 90000),
            Fraction(2850, 90000),
            Fraction(4950, 90000),
        ]


def test_a_rate_that_only_rounding_disturbs_is_not_called_variable(make, tmp_path):
    """Matroska keeps whole ms: at 60 pictures a second intervals are 16 and 17 ms."""
    path = make(tmp_path / "whole_ms.mkv", rate=Fraction(60), time_base=Fraction(1, 60), count=40)
    with open_clip(path) as clip:
        assert set(np.diff([int(t * 1000) for t in clip.times])) == {16, 17}
        assert clip.findings == ()


def test_dropped_frames_are_counted_and_placed(make, tmp_path):
    """Two pictures missing after frame 9, one after frame 19."""
    ticks = [k + 2 * (k > 9) + (k > 19) for k in range(30)]
    with open_clip(make(tmp_path / "gaps.mp4", count=30, ticks=ticks)) as clip:
        (finding,) = clip.findings
        assert str(finding) == (
            "3 frames were dropped by the camera after t = 0.300 s, 0.700 s; speed is not "
            "measured across the gaps."
        )
        assert finding.ordinals == (9, 19)


def test_repeated_times_are_told_once_and_are_not_taken_for_drops(footage):
    with open_clip(footage("Matroska, doubled times")) as clip:
        assert sentences(clip) == {
            "duplicated-times": "3 pairs of frames carry the same time, first 19 and 20; there is "
            "no speed between them."
        }
        assert clip.findings[0].ordinals == (19, 32, 46)


def test_a_late_start_is_a_note_and_times_count_from_the_first_frame(footage):
    for kind in ("starts late (empty edit)", "transport stream, late start"):
        with open_clip(footage(kind)) as clip:
            assert sentences(clip) == {
                "offset-start": "The first frame is shown at 1.500 s of the file's own clock; "
                "times here count from that frame."
            }
            assert clip.warnings == []
            assert clip.times[0] == 0


def test_pictures_hidden_by_an_edit_list_are_not_counted(footage):
    with open_clip(footage("lossless trim (edit list)")) as clip:
        assert clip.frame_count == 45
        assert sentences(clip) == {
            "edit-list": "The file's edit list hides 15 stored pictures; frames are counted "
            "without them."
        }


@pytest.mark.parametrize("true_fps", [240, 240.0, Fraction(240)])
def test_a_declared_true_rate_scales_every_time_exactly(true_fps, footage):
    """Stored at 30, recorded at 240: real time is an eighth, to the last digit."""
    with open_clip(footage("short groups"), true_fps=true_fps) as clip:
        assert clip.times == [Fraction(k, 240) for k in range(60)]
        assert clip.frame(7).time == Fraction(7, 240)
        assert clip.frame(7).pts == 7 * 512
        assert sentences(clip) == {
            "true-rate": "The true rate is declared as 240 frames per second and the file is "
            "stored at 30; stored times are multiplied by 1/8."
        }


def test_a_true_rate_is_exact_also_where_the_container_rounds_to_ms(make, tmp_path):
    """Matroska: scaled stamps keep their own rounding, the factor is exactly 30/119.88."""
    path = make(tmp_path / "slow.mkv", count=20)
    with open_clip(path, true_fps=119.88) as slow, open_clip(path) as plain:
        factor = Fraction(30) / Fraction(11988, 100)
        assert slow.times == [time * factor for time in plain.times]


def test_a_varying_slow_motion_clip_keeps_its_own_times(footage):
    with open_clip(footage("variable rate"), true_fps=240) as slow:
        with open_clip(footage("variable rate")) as plain:
            ratios = {b / a for a, b in zip(plain.times[1:], slow.times[1:], strict=True)}
        assert ratios == {plain.nominal_fps / 240}


@pytest.mark.parametrize("wrong", [0, -5, float("nan"), float("inf")])
def test_a_true_rate_that_is_no_rate_is_refused(wrong, footage):
    with pytest.raises(FootageError) as refusal:
        open_clip(footage("short groups"), true_fps=wrong)
    assert str(refusal.value) == (
        f"the true rate must be a number of frames per second above 0, but {wrong} was given; "
        "state the rate the camera recorded at, such as 240"
    )


def test_the_cameras_own_rate_tag_is_asked_about_not_applied(make, tmp_path):
    path = make(
        tmp_path / "tagged.mp4",
        metadata={"com.android.capture.fps": "240"},
        muxer={"movflags": "use_metadata_tags"},
        count=20,
    )
    with open_clip(path) as clip:
        assert clip.warnings == [
            "The camera notes that it recorded at 240 frames per second, but the file is stored at "
            "30; if so, declare the true rate 240, and times are multiplied by 1/8."
        ]
        assert clip.times[1] == Fraction(1, 30)
    with open_clip(path, true_fps=240) as clip:
        assert list(sentences(clip)) == ["true-rate"]


def test_the_frame_on_screen_at_a_time(footage):
    with open_clip(footage("variable rate")) as clip:
        times = clip.times_s
        assert [clip.ordinal_at(time) for time in times] == list(range(90))
        middles = (times[1:] + times[:-1]) / 2
        assert [clip.ordinal_at(time) for time in middles] == list(range(89))


def test_of_frames_with_one_time_the_first_is_named(footage):
    with open_clip(footage("Matroska, doubled times")) as clip:
        assert clip.times_s[19] == clip.times_s[20]
        assert clip.ordinal_at(clip.times_s[20]) == 19


@pytest.mark.parametrize("time_s", [-0.001, 2.5, float("nan")])
def test_a_time_outside_the_clip_is_refused(time_s, footage):
    with open_clip(footage("short groups")) as clip, pytest.raises(FrameError) as refusal:
        clip.ordinal_at(time_s)
    assert str(refusal.value) == (
        f"the time {time_s:g} s lies outside the clip, which runs from 0 to 1.967 s; give a time "
        "inside"
    )


@pytest.mark.parametrize(("name", "container"), [("b.avi", "avi"), ("bare.h264", "h264")])
def test_files_without_times_give_every_frame_but_no_time(name, container, make, tmp_path, counter):
    """AVI numbers packets, a bare stream has nothing: ordinals are counted off the decoder."""
    path = make(tmp_path / name, file_format=container)
    with open_clip(path) as clip:
        assert not clip.has_times
        assert clip.warnings == [
            "The file carries no frame times; angles can be read, but motion cannot be timed."
        ]
        assert clip.findings[0].severity == "refuse-motion"
        assert np.isnan(clip.times_s).all()
        assert clip.times == []
        for ordinal in (40, 3, 59, 58, 0, 22):
            frame = clip.frame(ordinal)
            assert counter(frame.luma) == ordinal
            assert (frame.pts, frame.time) == (None, None)
            assert np.isnan(frame.time_s)
        assert [counter(f.luma) for f in clip.frames(20, 30)] == list(range(20, 31))
        with pytest.raises(FrameError) as refusal:
            clip.ordinal_at(0.5)
    assert str(refusal.value) == (
        "this file carries no frame times, so no frame belongs to a time; name frames by ordinal"
    )


def test_interlaced_clips_are_told_and_refused_for_motion(make, tmp_path):
    path = make(tmp_path / "fields.mp4", params="tff=1:interlaced=1", count=6)
    with open_clip(path) as clip:
        assert clip.interlaced
        assert [(f.severity, str(f)) for f in clip.findings] == [
            (
                "refuse-motion",
                "The clip is interlaced: each picture holds two moments; angles of what stands "
                "still can be read, but motion needs progressive video.",
            )
        ]


def test_hdr_and_several_videos_and_mirroring_are_told(make, tmp_path, footage):
    hdr = make(
        tmp_path / "hdr.mp4",
        params="transfer=arib-std-b67:colorprim=bt2020:colormatrix=bt2020nc",
        count=3,
    )
    two = make(tmp_path / "two.mp4", second_size=(160, 90), count=3)
    expected = {
        hdr: "The clip is HDR: colours on screen are approximate, measuring is not affected.",
        two: "The file holds 2 videos; the largest, 320 x 180 px, is used.",
        footage("mirrored"): "The file is marked mirrored; left and right were swapped back.",
    }
    for path, sentence in expected.items():
        with open_clip(path) as clip:
            assert clip.warnings == [sentence]


def test_a_turned_file_is_a_note(footage):
    with open_clip(footage("turned 270")) as clip:
        assert sentences(clip) == {
            "rotation": "The pictures are stored lying and were turned upright by 270 degrees to "
            "the right."
        }
        assert clip.warnings == []


def test_a_rate_that_changes_and_stays_is_no_row_of_dropped_frames():
    """60 frames/s, then 30 for a second, then 60: the usual interval follows; one drop is told."""
    from clipmark.clip.timing import GAP_FACTOR, usual_intervals

    steps = np.concatenate([np.full(40, 1500), np.full(30, 3000), np.full(40, 1500)])
    assert not np.any(steps > GAP_FACTOR * usual_intervals(steps))
    steps[90] = 3000
    assert np.flatnonzero(steps > GAP_FACTOR * usual_intervals(steps)).tolist() == [90]
