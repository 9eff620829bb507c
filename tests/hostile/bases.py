"""Good clips to be broken: every container and coding that clips of events come in, made small."""

from collections.abc import Callable
from pathlib import Path

from tests.clip.conftest import SHORT_GOP, make_clip

COUNT = 24
_GROUPS = "keyint=8:min-keyint=8:bframes=2:scenecut=0"
_FRAGMENTS = {"movflags": "frag_keyframe+empty_moov+default_base_moof"}
_SAMPLES = Path(__file__).parent.parent.parent / "sample_media"


def _small(name: str, **how: object) -> Callable[[Path], Path]:
    return lambda folder: make_clip(folder / name, count=COUNT, **how)  # type: ignore[arg-type]


RECIPES: dict[str, Callable[[Path], Path]] = {
    "h264.mp4": _small("h264.mp4", params=_GROUPS),
    "h264.mov": _small("h264.mov", params=_GROUPS),
    "fragments.mp4": _small("fragments.mp4", params=_GROUPS, muxer=_FRAGMENTS),
    "trimmed.mp4": _small(
        "trimmed.mp4", params=_GROUPS, shift=-5, muxer={"avoid_negative_ts": "disabled"}
    ),
    "hevc.mp4": _small("hevc.mp4", codec="libx265", params=_GROUPS),
    "hevc10.mkv": _small("hevc10.mkv", codec="libx265", params=_GROUPS, pix_fmt="yuv420p10le"),
    "mpeg4.avi": _small("mpeg4.avi", codec="mpeg4", options={"g": "8"}),
    "mpeg4.mov": _small("mpeg4.mov", codec="mpeg4", options={"g": "8"}),
    "mjpeg.avi": _small("mjpeg.avi", codec="mjpeg", pix_fmt="yuvj420p"),
    "mjpeg.mov": _small("mjpeg.mov", codec="mjpeg", pix_fmt="yuvj420p"),
    "h264.ts": _small("h264.ts", params=_GROUPS),
    "h264.mkv": _small("h264.mkv", params=_GROUPS),
    "vp9.webm": _small("vp9.webm", codec="libvpx-vp9", options={"deadline": "realtime", "g": "8"}),
    "mpeg2.mpg": _small("mpeg2.mpg", codec="mpeg2video", options={"bf": "2", "g": "12"}),
    "ffv1.mkv": _small("ffv1.mkv", codec="ffv1"),
    "prores.mov": _small("prores.mov", codec="prores", pix_fmt="yuv422p10le"),
    "turned.mp4": _small(
        "turned.mp4", params=SHORT_GOP, matrix=[0, 1 << 16, 0, -(1 << 16), 0, 0, 0, 0, 1 << 30]
    ),
}
SAMPLES = ("siskin-climb.mp4", "dipper-climb-upright.mp4")


class Bases:
    """Good clips by name, made when first asked for and kept as bytes."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._kept = folder, dict[str, bytes]()
        folder.mkdir(parents=True, exist_ok=True)

    def path(self, name: str) -> Path:
        """The good clip itself."""
        if name in SAMPLES:
            return _SAMPLES / name
        path = self._folder / name
        return path if path.exists() else RECIPES[name](self._folder)

    def data(self, name: str) -> bytes:
        """Its bytes."""
        if name not in self._kept:
            self._kept[name] = self.path(name).read_bytes()
        return self._kept[name]
