"""Annotated clips and clips side by side: every frame at its own time, nothing else comes along."""

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from clipmark.clip import open_clip
from clipmark.errors import FolderError, FootageError
from clipmark.evidence import kept_trace
from clipmark.record.folder import EventFolder
from clipmark.report.annotated import Asked, write_annotated
from clipmark.report.moving import COARSE, ClipWriter, location_of, ticks_for
from clipmark.report.pictures import Footage
from clipmark.report.side_by_side import Half, start_of, write_side_by_side
from clipmark.report.story import stories_of
from clipmark.report.strip import SpeedStrip
from tests.report.report_kit import TICKS, crawl_result, make_event, trace_table, write_clip

TIMES = [Fraction(tick, 90000) for tick in TICKS]


def times_of(path: Path) -> list[Fraction]:
    with av.open(str(path)) as container:
        return [frame.pts * frame.time_base for frame in container.decode(video=0)]


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """An event with a crawl: its folder and the stories of its two attempts."""
    folder = tmp_path_factory.mktemp("told") / "event"
    with make_event(folder, ["Siskin"]) as event:
        return folder, stories_of(event)


@pytest.fixture(scope="module")
def annotated(told, tmp_path_factory) -> Path:
    folder, stories = told
    path = tmp_path_factory.mktemp("out") / "a.mp4"
    write_annotated(stories[1], Footage(folder), trace_table(), path, Asked())
    return path


def test_an_annotated_clip_keeps_the_uneven_time_of_every_frame(annotated):
    assert times_of(annotated) == TIMES


def test_an_annotated_clip_is_h264_that_every_player_takes(annotated):
    with av.open(str(annotated)) as container:
        stream = container.streams.video[0]
        assert (stream.codec_context.name, stream.codec_context.pix_fmt) == ("h264", "yuv420p")
        assert stream.width % 2 == stream.height % 2 == 0
        assert len(container.streams) == 1


def test_the_cursor_goes_along_the_speed_with_time(annotated):
    columns = []
    with av.open(str(annotated)) as container:
        for frame in container.decode(video=0):
            shown = frame.to_ndarray(format="gray").astype(int)
            strip = shown[-150:-90]  # in the panel of the speed, off its axis
            columns.append(int(np.argmin(strip.mean(axis=0))))
    assert columns[0] < columns[10] < columns[-1]
    share = (columns[9] - columns[0]) / (columns[-1] - columns[0])
    assert share == pytest.approx(float(TIMES[9] / TIMES[-1]), abs=0.01)


def test_what_is_known_at_a_frame_is_written_below_it(told):
    from clipmark.report.annotated import Annotator

    folder, stories = told
    footage = Footage(folder)
    draw = Annotator(stories[1], footage.clip(stories[1].attempt), trace_table(), footage,
                     (640, 360), 16)  # fmt: skip
    assert draw.now(9) == "0.367 s; frame 9; speed 22.43 ± 0.78 mm/s"


def test_a_declared_true_rate_gives_true_times(told, tmp_path):
    folder, _ = told
    with EventFolder.open(folder) as event:
        body = event.attempt("a0001").attempt.model_dump() | {"declared": {"true_fps": 300.0}}
        line = event.save_attempt(body | {"entry": "Slow"}, by="Fell")
        story = stories_of(event, [line.id])[0]
    write_annotated(story, Footage(folder), None, tmp_path / "a.mp4", Asked())
    with open_clip(next((folder / "clips").iterdir()), true_fps=300.0) as clip:
        true = [float(time) for time in clip.times]
    got = [float(time) for time in times_of(tmp_path / "a.mp4")]
    assert got == pytest.approx(true, abs=1e-6)
    assert got[-1] < 0.1


def test_sound_and_place_go_out_only_when_asked_for(tmp_path):
    write_clip(tmp_path / "source.mov", sound=True, location="+54.5000-003.1000/")
    assert location_of(tmp_path / "source.mov") == "+54.5000-003.1000/"
    folder = tmp_path / "event"
    with EventFolder.create(folder) as event:
        clip = event.add_clip(tmp_path / "source.mov")
        event.save_attempt({"entry": "Siskin", "test": "creep", "clip": clip}, by="Fell")
        story = stories_of(event)[0]
    footage = Footage(folder)
    write_annotated(story, footage, None, tmp_path / "quiet.mp4", Asked())
    asked = Asked(sound=True, location="+54.5000-003.1000/")
    write_annotated(story, footage, None, tmp_path / "all.mp4", asked)
    for name, sound, place in (("quiet.mp4", 0, ""), ("all.mp4", 1, "+54.5000-003.1000/")):
        with av.open(str(tmp_path / name)) as container:
            assert len(container.streams.audio) == sound
            if sound:
                assert sum(1 for _ in container.decode(audio=0)) >= 8
        assert location_of(tmp_path / name) == place
        assert (b"loci" in (tmp_path / name).read_bytes()) == bool(place)
    assert times_of(tmp_path / "all.mp4") == TIMES


def test_a_clip_whose_writing_fails_is_taken_away(tmp_path):
    def stops() -> None:
        with ClipWriter(tmp_path / "a.mp4", (64, 64), TIMES, Fraction(1, 30)) as out:
            out.write(np.zeros((64, 64, 3), np.uint8))
            assert (tmp_path / "a.mp4").exists()
            raise RuntimeError

    with pytest.raises(RuntimeError):
        stops()
    assert not list(tmp_path.iterdir())


def test_a_folder_that_is_not_there_is_refused_with_a_sentence(tmp_path):
    with pytest.raises(FolderError, match="cannot write the clip: it is not there"):
        ClipWriter(tmp_path / "no" / "a.mp4", (64, 64), TIMES, Fraction(1, 30))


def test_times_without_a_common_base_go_to_a_millionth_of_a_second():
    assert ticks_for(TIMES) == 90000
    assert ticks_for([Fraction(1, 3), Fraction(1, 30_000_001)]) == COARSE


def test_side_by_side_shows_every_frame_of_both_at_its_time_from_the_start(told, tmp_path):
    folder, stories = told
    late = crawl_result(stories[1].clip_sha256, stood=0.1)
    with EventFolder.open(folder) as event:
        body = stories[1].attempt.model_dump() | {
            "entry": "Wren", "readings": [{"measure": "crawl", "result": late}]
        }  # fmt: skip
        line = event.save_attempt(body, by="Fell")
        other = stories_of(event, [line.id])[0]
    both = (stories[1], other)
    footages = Footage(folder), Footage(folder)
    write_side_by_side(both, footages, (trace_table(), trace_table()), tmp_path / "b.mp4")
    later = [time - TIMES[3] for time in TIMES[3:]]  # it stood until the frame at 0.1 s
    assert times_of(tmp_path / "b.mp4") == sorted({*TIMES, *later})


def test_the_start_is_the_first_motion_where_the_crawl_saw_it(told):
    _, stories = told
    assert start_of(stories[0], None) == (None, "first frame of the attempt")
    assert start_of(stories[1], trace_table()) == (None, "first frame of the attempt")


def test_who_is_over_first_stays_on_its_last_frame(told):
    folder, stories = told
    half = Half(stories[1], Footage(folder), None, 16)
    assert [half.ordinal(Fraction(t)) for t in (0, Fraction(1, 3), 5)] == [0, 8, 19]
    assert half.has_ended(Fraction(5))
    assert not half.has_ended(TIMES[-1])


def test_an_unknown_stretch_of_speed_stays_open():
    table = trace_table()
    table.loc[8:12, "v_mm_s"] = np.nan
    strip = SpeedStrip(640, 180, 16, [table], (0.0, float(TIMES[-1])))
    middle = round(strip.x(float(TIMES[10])))
    assert (strip.base.pixels[round(strip.y(24)) : round(strip.y(16)), middle - 3 : middle + 3]
            >= 0xD8).all()  # fmt: skip


def test_a_clip_without_times_is_refused_for_moving_pictures(told, tmp_path, monkeypatch):
    folder, stories = told
    from clipmark.clip.clip import Clip

    monkeypatch.setattr(Clip, "has_times", property(lambda self: False))
    with pytest.raises(FootageError, match="carries no frame times"):
        write_annotated(stories[0], Footage(folder), None, tmp_path / "a.mp4", Asked())


def test_the_kept_trace_is_what_the_report_draws(told):
    folder, stories = told
    reading = stories[1].attempt.reading("crawl")
    assert kept_trace(folder, stories[1].id, reading.result) is not None
