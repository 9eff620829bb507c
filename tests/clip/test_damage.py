"""Damaged, cut and half-missing clips: what is left is read, what is lost is said."""

import subprocess
import sys

import av
import numpy as np
import pytest

from clipmark.clip import check, open_clip
from clipmark.errors import FrameError

LOST = (
    "frame {} cannot be decoded: its picture is missing or damaged in the file; use another frame, "
    "or copy the clip from the camera again"
)


def packets_of(path):
    with av.open(str(path)) as container:
        return [(p.pos, p.size) for p in container.demux(video=0) if p.size]


@pytest.fixture(scope="module")
def cut_clip(make, tmp_path_factory):
    """Index first, then pictures, cut off inside the picture of frame 26's packet."""
    path = make(
        tmp_path_factory.mktemp("cut") / "cut.mp4", muxer={"movflags": "faststart"}, count=60
    )
    place, size = packets_of(path)[26]
    path.write_bytes(path.read_bytes()[: place + size // 3])
    return path


@pytest.fixture(scope="module")
def damaged_clip(make, tmp_path_factory):
    """The second half of ten packets overwritten, all in the second group (packets 20 to 39)."""
    path = make(tmp_path_factory.mktemp("hurt") / "hurt.mp4", count=60)
    data = bytearray(path.read_bytes())
    for number in range(22, 32):
        place, size = packets_of(path)[number]
        data[place + size // 2 : place + size] = bytes(range(1, 256))[: size - size // 2].ljust(
            size - size // 2, b"\x5a"
        )
    path.write_bytes(data)
    return path


def test_a_cut_clip_says_so_and_all_whole_pictures_are_read(cut_clip, counter):
    with open_clip(cut_clip) as clip:
        assert clip.warnings == [
            "The file breaks off: it promises 60 pictures and holds 27; the rest is lost."
        ]
        lost = clip.index.ordinal_of_number[26]
        for ordinal in [k for k in range(clip.frame_count) if k != lost]:
            count = counter(clip.frame(ordinal).luma)
            assert count == round(clip.frame(ordinal).time * 30)
        with pytest.raises(FrameError) as refusal:
            clip.frame(lost)
        assert str(refusal.value) == LOST.format(lost)


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_a_pass_leaves_the_lost_picture_out_and_says_which(threads, cut_clip, counter):
    """However many threads decode: near a refused packet a pass goes on in one."""
    with open_clip(cut_clip) as clip:
        lost = clip.index.ordinal_of_number[26]
        reading = clip.frames(threads=threads)
        read = list(reading)
        assert [f.ordinal for f in read] == [k for k in range(clip.frame_count) if k != lost]
        assert reading.missing == [lost]
        assert all(counter(f.luma) == round(f.time * 30) for f in read)


def test_the_check_pass_of_a_cut_clip_loses_only_the_cut_picture(cut_clip):
    with open_clip(cut_clip) as clip:
        health = check(clip)
        lost = clip.index.ordinal_of_number[26]
        assert health.missing == (lost,)
        assert health.damaged == ()
        assert str(health.findings[0]) == (
            f"Frame {lost} is missing or damaged in the file and is not used."
        )


def test_a_file_that_breaks_off_between_pictures_keeps_all_that_it_holds(make, tmp_path, counter):
    """One group of pictures only: the reader's word about the file is not held against them."""
    path = make(tmp_path / "off.mkv", count=60, params="keyint=250:min-keyint=250:scenecut=0")
    place, size = packets_of(path)[41]
    path.write_bytes(path.read_bytes()[: place + size // 2])
    with open_clip(path) as clip:
        health = check(clip)
        assert clip.frame_count == 41
        assert (health.missing, health.damaged) == ((), ())
        assert [str(f) for f in clip.findings if f.code == "truncated"] == [
            "The file breaks off after frame 40: its last part was never written or not copied; "
            "what came after is lost."
        ]
        shown = [clip.frame(k) for k in range(41)]
        assert [counter(f.luma) for f in shown] == [round(f.time * 30) for f in shown]


def test_damage_inside_the_file_marks_its_whole_group(damaged_clip, footage, straight):
    """The decoder logs some of the damage; every wrong picture must be among the marked."""
    truth = straight("short groups").luma
    with open_clip(damaged_clip) as clip:
        health = check(clip)
        wrong = [
            frame.ordinal
            for frame in clip.frames(allow_damaged=True)
            if not np.array_equal(frame.luma, truth[frame.ordinal])
        ]
        assert wrong
        assert set(wrong) <= {*health.damaged, *health.missing}
        unusable = sorted({*health.damaged, *health.missing})
        assert unusable == list(range(unusable[0], unusable[-1] + 1))
        assert 18 <= unusable[0] <= 20
        assert 39 <= unusable[-1] <= 41
        assert [str(f) for f in clip.findings if f.code == "damaged"] == [
            f"Frames {unusable[0]} to {unusable[-1]} are missing or damaged in the file and are "
            "not used."
        ]


def test_frames_known_to_be_damaged_are_shown_but_not_measured_on(damaged_clip):
    with open_clip(damaged_clip) as clip:
        check(clip)
        hurt = sorted(clip.damaged)[3]
        with pytest.raises(FrameError) as refusal:
            clip.frame(hurt)
        assert str(refusal.value) == (
            f"frame {hurt} lies in a damaged part of the file and cannot be measured on; use "
            "another frame, or copy the clip from the camera again"
        )
        assert clip.frame(hurt, allow_damaged=True).ordinal == hurt
        reading = clip.frames(hurt - 1, hurt + 1)
        assert list(reading) == []
        assert reading.missing == [hurt - 1, hurt, hurt + 1]


@pytest.mark.parametrize("name", ["late.ts", "late.mp4"])
def test_a_clip_that_starts_without_a_key_frame_keeps_its_ordinals(name, make, tmp_path, counter):
    """The first seven packets are cut away; the next key frame is picture 20."""
    path = make(tmp_path / name, keep=lambda number, packet: number >= 7)
    with open_clip(path) as clip:
        assert clip.warnings == [
            "The first 13 pictures cannot be decoded, because the file starts without a key frame."
        ]
        assert clip.frame_count == 53
        for ordinal in (52, 13, 30):
            assert counter(clip.frame(ordinal).luma) == ordinal + 7
        with pytest.raises(FrameError) as refusal:
            clip.frame(12)
        assert str(refusal.value) == LOST.format(12)
        reading = clip.frames()
        assert [counter(f.luma) for f in reading] == list(range(20, 60))
        assert reading.missing == list(range(13))


def test_a_sound_clip_passes_the_check_and_progress_runs_to_the_end(footage):
    told = []
    with open_clip(footage("open group")) as clip:
        health = check(clip, lambda done, total: told.append((done, total)))
    assert (health.missing, health.damaged, health.duplicated, health.findings) == ((), (), (), ())
    assert told[-1] == (60, 60)
    assert [done for done, _ in told] == list(range(1, 61))


@pytest.mark.parametrize("kind", ["HEVC open group", "transport stream, late start", "Matroska"])
def test_open_groups_and_other_containers_raise_no_false_alarm(kind, footage):
    with open_clip(footage(kind)) as clip:
        assert check(clip).findings == ()


@pytest.mark.parametrize("name", ["bikes.mp4", "carphone_pristine.mp4"])
def test_real_footage_raises_no_false_alarm_of_damage(name, real_clip):
    with open_clip(real_clip(name)) as clip:
        health = check(clip)
        assert (health.missing, health.damaged) == ((), ())


def test_repeated_pictures_are_found(make, counter, tmp_path):
    """Lossless, so that a repeated picture is the very same: 9 and 10, 20 and 21."""
    from_truth = [k - (k >= 10) - (k >= 21) for k in range(30)]
    rng = np.random.default_rng(1)
    pictures = rng.integers(20, 200, (30, 180, 320)).astype(np.uint8)
    path = make(
        tmp_path / "twice.mkv",
        codec="ffv1",
        count=30,
        picture=lambda index: pictures[from_truth[index]],
    )
    with open_clip(path) as clip:
        health = check(clip)
        assert health.duplicated == (10, 21)
        assert str(health.findings[0]) == (
            "2 frames, first frame 10, show exactly the picture of the frame before; if anything "
            "moved there, the recording repeated pictures and the speed shown is not real."
        )


def test_brightness_and_sharpness_follow_the_picture(make, tmp_path):
    """Plain grey 126 of 16..235 is 0.502 bright; columns 60 levels apart step by 60/219."""
    stripes = np.tile(np.where(np.arange(320) % 2, 96, 156).astype(np.uint8), (180, 1))
    plain = np.full((180, 320), 126, np.uint8)
    path = make(
        tmp_path / "two.mkv",
        codec="ffv1",
        count=2,
        picture=lambda index: stripes if index else plain,
    )
    with open_clip(path) as clip:
        health = check(clip)
    assert health.brightness == pytest.approx([110 / 219, 110 / 219], abs=1e-6)
    assert health.sharpness == pytest.approx([0, 60 / 219], abs=1e-6)


def test_ffmpeg_prints_nothing_whatever_the_file(damaged_clip, cut_clip):
    """Neither while opening, nor in a threaded pass, nor in the check; afterwards neither."""
    script = (
        "import sys\n"
        "from clipmark.clip import check, open_clip\n"
        "for path in sys.argv[1:]:\n"
        "    with open_clip(path) as clip:\n"
        "        check(clip)\n"
        "        list(clip.frames(threads=2, allow_damaged=True))\n"
        "        clip.frame(40 % clip.frame_count, allow_damaged=True)\n"
    )
    answer = subprocess.run(
        [sys.executable, "-c", script, str(damaged_clip), str(cut_clip)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert (answer.stdout, answer.stderr) == ("", "")


def test_a_check_may_run_while_threaded_passes_come_and_go(damaged_clip):
    """The log is captured in one thread while others open, decode damage and close: no waiting."""
    import threading

    with open_clip(damaged_clip) as clip:
        stop = threading.Event()

        def keep_reading():
            while not stop.is_set():
                with clip.frames(threads=2, allow_damaged=True) as reading:
                    for _, _frame in zip(range(30), reading, strict=False):
                        pass

        reader = threading.Thread(target=keep_reading, daemon=True)
        reader.start()
        results = {check(clip).damaged for _ in range(5)}
        stop.set()
        reader.join(timeout=20)
        assert not reader.is_alive()
        assert len(results) == 1
