"""Files whose pictures are wrong without a word of the decoder are warned of, and stay readable."""

import os
import random

import av
import numpy as np
import pytest

from clipmark.clip import check, open_clip
from tests.clip.conftest import decode_straight, make_clip
from tests.clip.test_jumps import GROUP, filmed

X265 = f"keyint={GROUP}:min-keyint={GROUP}:scenecut=0:crf=24"
CODINGS = {
    "hevc.mp4": {"codec": "libx265", "params": X265 + ":bframes=0"},
    "hevc-open.mp4": {"codec": "libx265", "params": X265 + ":bframes=4"},
    "vp9.webm": {
        "codec": "libvpx-vp9",
        "options": {"deadline": "realtime", "cpu-used": "8", "g": str(GROUP), "crf": "30"},
    },
    "mjpeg.avi": {"codec": "mjpeg", "pix_fmt": "yuvj420p", "options": {"q:v": "4"}},
}
SAID = (
    "parts of the picture jump away and come back all at once, as where a file is damaged, though "
    "the decoder reported no fault; look at these frames, and compare the file with the camera's "
    "copy before measuring on them."
)


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    """A good clip of each coding, made when first asked for."""
    pictures, folder = filmed(), tmp_path_factory.mktemp("good")

    def get(name):
        path = folder / name
        if not path.exists():
            make_clip(path, count=len(pictures), picture=lambda k: pictures[k], **CODINGS[name])
        return path

    return get


def overwritten(path, number, place, count, to):
    """A copy with some bytes of one packet overwritten, from a part of the packet on."""
    with open_clip(path) as clip:
        size = clip.index.size[number]
    data, chance = bytearray(path.read_bytes()), random.Random(number)
    at = packet_places(path)[number] + int(size * place)
    data[at : at + count] = chance.randbytes(count)
    to.write_bytes(data)
    return to


def packet_places(path):
    with av.open(str(path)) as container:
        return [packet.pos for packet in container.demux(video=0) if packet.size]


def differing(path, other):
    """Ordinals of the pictures that are not the same in both."""
    both = zip(decode_straight(path).luma, decode_straight(other).luma, strict=True)
    return [k for k, (a, b) in enumerate(both) if not np.array_equal(a, b)]


BROKEN = {
    "HEVC, from the key frame on": ("hevc.mp4", 30, 0.6, 12),
    "HEVC, in the middle of a group": ("hevc.mp4", 54, 0.12, 40),
    "HEVC, a picture that no other is made from": ("hevc-open.mp4", 30, 0.3, 12),
    "VP9": ("vp9.webm", 37, 0.3, 12),
    "MJPEG": ("mjpeg.avi", 34, 0.4, 2),
}


@pytest.mark.parametrize("name", CODINGS)
def test_the_good_clip_gives_no_such_warning(name, good):
    with open_clip(good(name)) as clip:
        check(clip)
        assert "suspected-damage" not in [finding.code for finding in clip.findings]


@pytest.mark.parametrize("kind", BROKEN)
def test_wrong_pictures_of_a_silent_decoder_are_named(kind, good, tmp_path):
    name, number, place, count = BROKEN[kind]
    path = overwritten(good(name), number, place, count, tmp_path / name)
    wrong = differing(good(name), path)
    assert wrong
    with open_clip(path) as clip:
        health = check(clip)
        found = {finding.code: finding for finding in clip.findings}
        if "damaged" in found:  # another FFmpeg may have a word for it
            assert set(wrong) <= {*health.damaged, *health.missing}
            return
        assert found["suspected-damage"].ordinals == tuple(wrong)
        assert [said for said in clip.warnings if said.endswith(SAID)]
        # a suspicion is no proof: the frames can still be read
        assert health.damaged == health.missing == ()
        assert clip.frame(wrong[0]).ordinal == wrong[0]


@pytest.mark.skipif(os.name != "posix", reason="clips are guarded on POSIX only")
def test_a_guarded_check_suspects_the_same(good, tmp_path):
    path = overwritten(good("vp9.webm"), 37, 0.3, 12, tmp_path / "vp9.webm")
    found = []
    for guarded in (True, False):
        with open_clip(path, guarded=guarded) as clip:
            found.append(check(clip).findings)
            assert clip.findings[-len(found[-1]) :] == found[-1]
    assert found[0] == found[1] != ()
