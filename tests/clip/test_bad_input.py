"""What cannot be measured is refused in a sentence that says what is wrong and what to do."""

import os
import subprocess
import sys
import wave

import cv2
import numpy as np
import pytest

from clipmark.clip import check, open_clip
from clipmark.errors import ClipmarkError, FolderError, FootageError, FrameError

NO_VIDEO = (
    "{} is not footage: no moving picture can be read in it; take the clip as the camera wrote it"
)
PICTURE = "{} is a single picture, not a clip; take a recorded video instead"


def refusal_of(path):
    with pytest.raises(ClipmarkError) as refusal:
        open_clip(path)
    return type(refusal.value), str(refusal.value)


def test_a_missing_file(tmp_path):
    sentence = "none.mp4 does not exist; check the name and the folder"
    assert refusal_of(tmp_path / "none.mp4") == (FolderError, sentence)


def test_a_folder(tmp_path):
    (tmp_path / "run.mp4").mkdir()
    sentence = "run.mp4 is a folder, not a clip; name the video file inside it"
    assert refusal_of(tmp_path / "run.mp4") == (FolderError, sentence)


def test_something_that_is_no_plain_file(tmp_path):
    """A pipe would be waited for without end."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("no named pipes on this system")
    os.mkfifo(tmp_path / "pipe.mp4")
    sentence = "pipe.mp4 is not a plain file; copy the clip to disk and name the copy"
    assert refusal_of(tmp_path / "pipe.mp4") == (FolderError, sentence)


def test_links_that_go_in_a_circle(tmp_path):
    (tmp_path / "run.mp4").symlink_to("again.mp4")
    (tmp_path / "again.mp4").symlink_to("run.mp4")
    sentence = (
        "run.mp4 cannot be read (too many levels of symbolic links); copy the clip to another disk "
        "and name the copy"
    )
    assert refusal_of(tmp_path / "run.mp4") == (FolderError, sentence)


def test_a_file_without_the_right_to_read(tmp_path, make):
    if not hasattr(os, "geteuid"):
        pytest.skip("rights as on POSIX systems")
    path = make(tmp_path / "secret.mp4", count=2)
    path.chmod(0)
    user = os.geteuid()
    if user == 0:
        os.seteuid(65534)  # the superuser may read everything
    try:
        found = refusal_of(path)
    finally:
        os.seteuid(user)
    sentence = "secret.mp4 may not be read; give yourself the right to read it"
    assert found == (FolderError, sentence)


def test_an_empty_file(tmp_path):
    (tmp_path / "run.mp4").touch()
    sentence = "run.mp4 is empty (0 bytes); copy it from the camera again"
    assert refusal_of(tmp_path / "run.mp4") == (FootageError, sentence)


@pytest.mark.parametrize("name", ["notes.txt", "run.mp4", "run.mov"])
def test_a_text(name, tmp_path):
    """Also under the name of a video, and where FFmpeg would draw the text as video."""
    (tmp_path / name).write_text("step 12 cleared, step 13 not\n" * 60)
    assert refusal_of(tmp_path / name) == (FootageError, NO_VIDEO.format(name))


def test_a_playlist_reaches_no_other_file(tmp_path, make):
    clip = make(tmp_path / "run.mp4", count=5)
    texts = {
        "list.m3u8": f"#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:1,\n{clip}\n#EXT-X-ENDLIST\n",
        "list.ffconcat": f"ffconcat version 1.0\nfile '{clip}'\n",
    }
    for name, text in texts.items():
        (tmp_path / name).write_text(text)
        assert refusal_of(tmp_path / name) == (FootageError, NO_VIDEO.format(name))


@pytest.mark.parametrize("name", ["still.png", "still.jpg", "still.tif", "still.bmp"])
def test_a_picture_file(name, tmp_path):
    cv2.imwrite(str(tmp_path / name), np.zeros((90, 160, 3), np.uint8))
    assert refusal_of(tmp_path / name) == (FootageError, PICTURE.format(name))


def test_a_picture_file_named_as_a_video(tmp_path):
    cv2.imwrite(str(tmp_path / "still.png"), np.zeros((90, 160, 3), np.uint8))
    (tmp_path / "still.png").rename(tmp_path / "run.mp4")
    assert refusal_of(tmp_path / "run.mp4") == (FootageError, PICTURE.format("run.mp4"))


def test_sound_only(tmp_path):
    with wave.open(str(tmp_path / "calls.wav"), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(8000)
        file.writeframes(bytes(16000))
    sentence = "calls.wav holds only sound; take a recorded video instead"
    assert refusal_of(tmp_path / "calls.wav") == (FootageError, sentence)


def test_a_video_whose_index_was_never_written(tmp_path, make):
    """The battery fell out: pictures are there, the table that finds them is not."""
    whole = make(tmp_path / "whole.mp4", count=20).read_bytes()
    (tmp_path / "run.mp4").write_bytes(whole[: whole.rindex(b"moov") - 8])
    sentence = (
        "run.mp4 has no usable index: the camera did not finish this file, or the copy broke off; "
        "copy it again or have it repaired from the camera's card"
    )
    assert refusal_of(tmp_path / "run.mp4") == (FootageError, sentence)


TOO_LARGE = (
    "bomb.mov states no picture size that can be used (none at all, or above the limit of 40 "
    "Mpx); copy it from the camera again, or export it at 8K or smaller"
)


def test_a_small_file_of_enormous_pictures_costs_no_memory(tmp_path, make):
    """16000 x 16000 in about 280 kB: refused before a picture is decoded (256 MB each)."""
    path = make(
        tmp_path / "bomb.mov",
        codec="png",
        pix_fmt="gray",
        count=1,
        size=(16000, 16000),
        picture=lambda index: np.zeros((16000, 16000), np.uint8),
    )
    script = (
        "import resource, sys\n"
        "from clipmark.clip import open_clip\n"
        "used = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "before = used()\n"
        "try:\n    open_clip(sys.argv[1])\n"
        "except ValueError as refusal:\n    print(refusal)\n"
        "print(used() - before)\n"
    )
    answer = subprocess.run(
        [sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=True
    )
    sentence, grown_kb = answer.stdout.splitlines()
    assert sentence == TOO_LARGE
    assert int(grown_kb) < 50_000
    assert answer.stderr == ""


def test_a_clip_none_of_whose_pictures_decode(tmp_path, make):
    """All groups start with a key frame that was cut away."""
    path = make(tmp_path / "run.ts", count=18, keep=lambda number, packet: number > 0)
    kind, sentence = refusal_of(path)
    assert kind is FootageError
    assert sentence in {
        "run.ts holds no picture that can be decoded; copy it from the camera again",
        "run.ts states no picture size that can be used (none at all, or above the limit of 40 "
        "Mpx); copy it from the camera again, or export it at 8K or smaller",
    }


def test_a_frame_that_is_not_in_the_clip(footage):
    with open_clip(footage("short groups")) as clip:
        for ordinal in (-1, 60):
            for ask in (clip.frame, clip.frames):
                with pytest.raises(FrameError) as refusal:
                    ask(ordinal)
                assert str(refusal.value) == (
                    f"frame {ordinal} is not in the clip, which has frames 0 to 59; name one of "
                    "these"
                )


def test_a_span_that_runs_backwards(footage):
    with open_clip(footage("short groups")) as clip, pytest.raises(FrameError) as refusal:
        clip.frames(20, 10)
    assert str(refusal.value) == (
        "the span 20:10 with step 1 cannot be read; give the earlier frame first and a step of 1 "
        "or more"
    )


def test_a_closed_clip(footage):
    clip = open_clip(footage("short groups"))
    clip.close()
    clip.close()
    for ask in (lambda: clip.frame(3), clip.frames, lambda: check(clip)):
        with pytest.raises(FrameError) as refusal:
            ask()
        assert str(refusal.value) == "the clip has been closed; open it again"


def test_the_file_is_never_written_to_and_its_hash_is_the_files(footage):
    import hashlib

    path = footage("open group")
    before = path.read_bytes(), path.stat().st_mtime_ns
    with open_clip(path) as clip:
        list(clip.frames())
        assert clip.sha256 == hashlib.sha256(before[0]).hexdigest()
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def test_a_file_that_changes_or_goes_while_it_is_open(make, tmp_path):
    path = make(tmp_path / "run.mp4", count=5)
    with open_clip(path) as clip:
        path.write_bytes(path.read_bytes() + b"more")
        with pytest.raises(FootageError) as changed:
            next(clip.frames())
        path.unlink()
        with pytest.raises(FolderError) as gone:
            next(clip.frames())
    assert str(changed.value) == "run.mp4 has changed since it was opened; open it again"
    assert str(gone.value) == "run.mp4 does not exist; check the name and the folder"


@pytest.mark.parametrize("seed", range(12))
def test_mutilated_files_are_read_or_refused_never_a_defect(seed, footage, tmp_path):
    """Cut anywhere or with 40 bytes overwritten: a clip, or a sentence."""
    rng = np.random.default_rng(seed)
    kind = ("short groups", "Matroska", "transport stream, late start", "MJPEG in AVI")[seed % 4]
    data = bytearray(footage(kind).read_bytes())
    if seed % 3 == 0:
        del data[int(rng.integers(100, len(data))) :]
    else:
        for place in rng.integers(0, len(data), 40):
            data[place] = int(rng.integers(256))
    path = tmp_path / ("run" + footage(kind).suffix)
    path.write_bytes(data)
    try:
        clip = open_clip(path)
    except ClipmarkError:
        assert refusal_of(path)[1].startswith(path.name)
        return
    with clip:
        health = check(clip)
        unusable = {*health.missing, *health.damaged}
        for ordinal in range(0, clip.frame_count, 7):
            if ordinal in unusable:
                with pytest.raises(FrameError):
                    clip.frame(ordinal)
            else:
                assert clip.frame(ordinal).ordinal == ordinal
