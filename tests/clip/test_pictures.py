"""What a frame shows: exact luma, upright, with its proof; colours for the eye."""

import hashlib
from fractions import Fraction

import numpy as np
import pytest

from clipmark.clip import open_clip
from clipmark.clip.upright import UprightTransform
from clipmark.errors import FootageError


def test_the_fingerprint_is_the_documented_hash_of_the_stored_plane(footage, straight):
    """Recomputed here from the definition; turned clips hash the plane as stored."""
    for kind in ("short groups", "HEVC 10-bit", "turned 90"):
        luma = straight(kind).luma[17]
        depth = 8 if luma.dtype == np.uint8 else 10
        head = b"".join(n.to_bytes(4, "little") for n in (320, 180, depth))
        expected = hashlib.sha256(head + luma.tobytes()).hexdigest()
        with open_clip(footage(kind)) as clip:
            assert clip.frame(17).fingerprint == expected
            assert next(clip.frames(17, 17)).fingerprint == expected


def test_ten_bits_stay_ten_bits(footage):
    with open_clip(footage("HEVC 10-bit")) as clip:
        luma = clip.frame(3).luma
        assert (clip.bit_depth, clip.black_level, clip.white_level) == (10, 64, 940)
        assert luma.dtype == np.uint16
        assert luma.max() > 255
        assert np.unique(luma % 4).size == 4  # the low bits carry values


@pytest.mark.parametrize(
    ("kind", "levels"),
    [
        ("short groups", (8, 16, 235)),
        ("MJPEG in AVI", (8, 0, 255)),
        ("grey", (8, 0, 255)),
        ("4:2:2 10-bit", (10, 64, 940)),
    ],
)
def test_black_and_white_follow_depth_and_range(kind, levels, footage):
    with open_clip(footage(kind)) as clip:
        assert (clip.bit_depth, clip.black_level, clip.white_level) == levels
        frame = clip.frame(0)
        assert (frame.bit_depth, frame.black_level, frame.white_level) == levels


def test_luma_cannot_be_written_to(footage):
    with open_clip(footage("short groups")) as clip:
        for frame in (clip.frame(2), next(clip.frames(2, 2))):
            with pytest.raises(ValueError, match="read-only"):
                frame.luma[0, 0] = 1


@pytest.mark.parametrize(
    ("kind", "upright"),
    [
        ("turned 90", lambda stored: np.rot90(stored, -1)),
        ("turned 180", lambda stored: np.rot90(stored, 2)),
        ("turned 270", lambda stored: np.rot90(stored, 1)),
        ("mirrored", np.fliplr),
    ],
)
def test_a_turned_or_mirrored_file_is_shown_upright(kind, upright, footage, straight):
    """Whole pixels moved, none resampled; a turn of 90 degrees is to the right."""
    expected = upright(straight(kind).luma[8])
    with open_clip(footage(kind)) as clip:
        luma = clip.frame(8).luma
        assert (clip.height, clip.width) == expected.shape
        assert np.array_equal(luma, expected)
        assert luma.flags.c_contiguous
        assert clip.frame(8).bgr().shape == (*expected.shape, 3)


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_the_display_matrix_moves_each_pixel_where_it_says(turns, mirror):
    """Each of the eight upright positions, against the matrix applied to pixel centres."""
    angle = turns * np.pi / 2
    x_axis = np.rint([np.cos(angle), np.sin(angle)]).astype(int)
    y_axis = np.rint([-np.sin(angle), np.cos(angle)]).astype(int) * (-1 if mirror else 1)
    matrix = np.zeros((3, 3), np.int32)
    matrix[0, :2], matrix[1, :2], matrix[2, 2] = x_axis * 65536, y_axis * 65536, 1 << 30
    turn = UprightTransform.from_matrix(matrix.ravel())
    stored = np.arange(15).reshape(3, 5)
    shown = turn.apply(stored)
    places = np.array([(x * x_axis + y * y_axis) for y in range(3) for x in range(5)])
    places -= places.min(axis=0)
    for value, (x, y) in zip(stored.ravel(), places, strict=True):
        assert shown[y, x] == value
    assert turn.mirrored == mirror
    assert turn.size(5, 3) == shown.shape[::-1]


def test_a_file_turned_by_an_odd_angle_is_refused(make, tmp_path):
    """10 degrees: cosine 0.98481, sine 0.17365, in 16.16 fixed point."""
    path = make(
        tmp_path / "leaning.mp4", matrix=[64540, 11380, 0, -11380, 64540, 0, 0, 0, 1 << 30], count=3
    )
    with pytest.raises(FootageError) as refusal:
        open_clip(path)
    assert str(refusal.value) == (
        "leaning.mp4 asks to be shown turned by 10.0 degrees, and angles would be wrong; export "
        "it upright from the camera's own program"
    )


def test_pixel_aspect_swaps_with_a_quarter_turn(make, tmp_path):
    turned = [0, 1 << 16, 0, -(1 << 16), 0, 0, 0, 0, 1 << 30]
    for matrix, expected in ((None, Fraction(4, 3)), (turned, Fraction(3, 4))):
        path = make(tmp_path / "wide.mp4", aspect=Fraction(4, 3), matrix=matrix, count=3)
        with open_clip(path) as clip:
            assert clip.pixel_aspect == expected
            assert f"Pixels are {expected.numerator}:{expected.denominator} wide" in str(
                clip.findings[-1]
            )


@pytest.mark.parametrize("pix_fmt", ["yuv420p", "yuv420p10le"])
def test_colours_for_show_are_near_the_luma(pix_fmt, make, tmp_path):
    """Grey clips: the colour of a pixel is (luma - 16) * 255 / 219, to one step of rounding."""
    path = make(tmp_path / "grey.mkv", codec="ffv1", pix_fmt=pix_fmt, count=2)
    with open_clip(path) as clip:
        frame = clip.frame(1)
        bgr = frame.bgr()
        span = clip.white_level - clip.black_level
        expected = (frame.luma.astype(float) - clip.black_level) * 255 / span
        assert bgr.dtype == np.uint8
        # 10 bits lose up to 3/4 of an 8-bit step by cutting, 255/219 steps after expansion
        assert np.abs(bgr.astype(float) - expected[..., None]).max() <= 2.0


def test_colours_come_back_for_a_frame_of_a_pass(footage):
    """A pass keeps luma only; colours are decoded again and are the same."""
    with open_clip(footage("open group")) as clip:
        passed = next(clip.frames(31, 31))
        assert np.array_equal(passed.bgr(), clip.frame(31).bgr())


def test_colours_keep_red_red(make, tmp_path):
    """Pure red, stored as RGB, comes back blue-green-red ordered."""
    import av

    path = tmp_path / "red.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=30)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "bgr0"
        red = np.zeros((48, 64, 3), np.uint8)
        red[..., 0] = 255
        frame = av.VideoFrame.from_ndarray(red, "rgb24").reformat(format="bgr0")
        container.mux(stream.encode(frame))
        container.mux(stream.encode())
    with open_clip(path) as clip:
        frame = clip.frame(0)
        assert frame.bgr()[20, 20].tolist() == [0, 0, 255]
        assert frame.luma[20, 20] == round(0.299 * 255)  # ITU-R BT.601, 2.5.1


def test_packed_and_rgb_pictures_give_exact_luma(make, tmp_path, counter):
    """YUYV: every second byte. Grey stored as RGB: luma is the grey itself."""
    for name, pix_fmt, codec in (("p.nut", "yuyv422", "rawvideo"), ("r.mkv", "bgr0", "ffv1")):
        path = make(tmp_path / name, codec=codec, pix_fmt=pix_fmt, count=6)
        with open_clip(path) as clip:
            assert [counter(frame.luma) for frame in clip.frames()] == list(range(6))


def test_pictures_without_exact_luma_are_refused(make, tmp_path):
    path = make(tmp_path / "deep.mkv", codec="ffv1", pix_fmt="gbrp10le", count=2)
    with pytest.raises(FootageError) as refusal:
        open_clip(path)
    assert str(refusal.value) == (
        "deep.mkv stores its pictures as gbrp10le, from which brightness cannot be read exactly; "
        "convert a copy to H.264 without changing its times"
    )
