"""What becomes of one broken file: read as work reads it, and compared with the good clip."""

from dataclasses import dataclass
from pathlib import Path

from clipmark.clip import Clip, check, open_clip
from clipmark.errors import ClipmarkError, FitError, FrameError
from clipmark.measure.angle import measure_angle

MOST_LOOKED_AT = 5


@dataclass(frozen=True)
class Read:
    """A file that could be opened.

    Attributes
    ----------
    codes, warnings : tuple of str
        Codes of all findings; the sentences that an operator must see.
    pictures : dict
        Fingerprint of every picture that may be measured on, by ordinal.
    times : tuple of float
        Of all frames, s.
    size : tuple
        Width, height and pixel aspect.
    withheld : int
        Frames that are missing or called damaged.
    unsteady : int
        Frames that may be measured on, but showed other pictures when they were read again.
    angle : float or str
        The angle measured on a frame, deg, or the sentence why there is none.
    """

    codes: tuple[str, ...]
    warnings: tuple[str, ...]
    pictures: dict[int, str]
    times: tuple[float, ...]
    size: tuple[int, int, str]
    withheld: int
    unsteady: int
    angle: float | str


def read(path: Path) -> Read:
    """Open, check every picture, look at a few, measure an angle; raises what they raise."""
    prints: dict[int, str] = {}
    with open_clip(path) as clip:
        health = check(clip, observe=lambda n, picture: prints.update({n: picture.fingerprint()}))
        for number in {*health.missing, *health.damaged}:
            prints.pop(number, None)
        unsteady = _look(clip, prints)
        return Read(
            codes=tuple(finding.code for finding in clip.findings),
            warnings=tuple(clip.warnings),
            pictures=prints,
            times=tuple(float(t) for t in clip.times_s),
            size=(clip.width, clip.height, str(clip.pixel_aspect)),
            withheld=len({*health.missing, *health.damaged}),
            unsteady=len(unsteady),
            angle=_angle(clip, prints),
        )


def _look(clip: Clip, prints: dict[int, str]) -> set[int]:
    """Some frames in no order, and a pass in threads: those whose pictures are not the check's."""
    unsteady = set()
    step = max(1, clip.frame_count // MOST_LOOKED_AT)
    for ordinal in (*range(clip.frame_count - 1, -1, -step), 0):
        try:
            frame = clip.frame(ordinal)
        except FrameError:
            continue
        if frame.fingerprint != prints.get(ordinal, frame.fingerprint):
            unsteady.add(ordinal)
        frame.bgr()
    for frame in clip.frames(threads=2):
        if frame.fingerprint != prints.get(frame.ordinal, frame.fingerprint):
            unsteady.add(frame.ordinal)
    return unsteady


def _angle(clip: Clip, prints: dict[int, str]) -> float | str:
    usable = sorted(prints)
    ordinal = usable[len(usable) // 2] if usable else 0
    w, h = clip.width, clip.height
    marks = {
        "ramp": (0.2 * w, 0.8 * h, 0.8 * w, 0.3 * h),
        "plumb": (0.1 * w, 0.1 * h, 0.1 * w, 0.9 * h),
    }
    for fit in (True, False):
        try:
            reading = measure_angle(clip, ordinal, **marks, edge_fit=fit, draws=200, budget_draws=0)
        except FitError:
            continue
        except ClipmarkError as refusal:
            return str(refusal)
        return float(reading.to_dict()["ramp_deg"])
    return "no edge"


def verdict(found: Read, good: Read | None) -> str:
    """How a file that opened compares with the clip it came from.

    - ``warned``: the operator is told that something is wrong;
    - ``same``: nothing is said, and pictures, times and size are the good clip's;
    - ``other pictures`` and ``other times``: nothing is said, and they are not.
    """
    if found.warnings and (good is None or set(found.warnings) - set(good.warnings)):
        return "warned"
    if good is None:
        return "other pictures"
    if found.pictures != good.pictures or found.size != good.size:
        return "other pictures"
    same = len(found.times) == len(good.times) and all(
        abs(a - b) < 1e-6 for a, b in zip(found.times, good.times, strict=True)
    )
    return "same" if same else "other times"
