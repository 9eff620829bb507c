"""A reading as it was measured, whole, with what it takes to repeat it.

The journal keeps what the measurement printed (`to_dict()` of an angle, a crawl, ...), word for
word, and beside it the seed, the number of draws and the versions of the software. Nothing is
copied out of it into a second place; the properties read it.
"""

import contextlib
import functools
from collections.abc import Iterator, Mapping
from importlib import metadata
from typing import Literal, Self, cast

from pydantic import Field, JsonValue, model_validator

from clipmark import __version__
from clipmark.record.canonical import JsonObject
from clipmark.record.texts import Count, Fact, as_model, plain

Measure = Literal["angle", "tilt", "climb", "crawl"]
FOLLOWED: tuple[Measure, ...] = ("crawl", "tilt", "climb")  # measures that leave a trace
_ALWAYS = ("frame", "t_s", "clip_sha256", "fingerprint", "warnings")
# Values that may not stand in a reading without their expanded uncertainty.
HEADLINES: dict[str, tuple[str, ...]] = {
    "angle": ("ramp_deg", "chassis_deg", "chassis_to_ramp_deg"),
    "tilt": ("tilt_deg",),
    "climb": (),
    "crawl": ("mean_speed_mm_s", "ripple"),
}
_UNITS = ("_mm_s2", "_mm_s", "_deg_s", "_deg", "_mm", "_hz", "_px", "_s")


def beside(name: str, mark: str) -> str:
    """The name of a value's companion, unit last: ``ramp_deg``, ``u95`` -> ``ramp_u95_deg``."""
    for unit in _UNITS:
        if name.endswith(unit):
            return f"{name.removesuffix(unit)}_{mark}{unit}"
    return f"{name}_{mark}"


_PARTS = {  # name in the journal -> distributions that bring it
    "numpy": ("numpy",),
    "scipy": ("scipy",),
    "pandas": ("pandas",),
    "av": ("av",),
    "opencv": ("opencv-python", "opencv-python-headless", "opencv-contrib-python"),
}


def unit_split(name: str) -> tuple[str, str]:
    """A name without its unit, and the unit: ``mean_speed_mm_s`` is ``mean_speed, mm_s``."""
    for unit in _UNITS:
        if name.endswith(unit):
            return name.removesuffix(unit), unit[1:]
    return name, ""


def versions_in_use() -> dict[str, str]:
    """Versions of what a reading depends on: clipmark, and the libraries that decode and count."""
    return {"clipmark": __version__} | _versions_of_libraries()


@functools.cache  # each is read from a file of the installation, which takes milliseconds
def _versions_of_libraries() -> dict[str, str]:
    found: dict[str, str] = {}
    for name, distributions in _PARTS.items():
        for distribution in distributions:
            with contextlib.suppress(metadata.PackageNotFoundError):
                found[name] = metadata.version(distribution)
                break
    return found


class Reading(Fact):
    """One measurement of one clip.

    Attributes
    ----------
    measure : str
        Which measurement: angle, tilt, climb or crawl.
    result : dict
        What it gave, as printed by ``--json``.
    seed, draws : int or None
        Of the Monte Carlo interval.
    versions : dict
        Name and version of each program part.
    """

    measure: Measure
    result: dict[str, JsonValue]
    seed: Count | None = None
    draws: Count | None = None
    versions: dict[str, str] = Field(default_factory=dict)

    @classmethod
    def from_measured(
        cls,
        measure: str,
        result: Mapping[str, object],
        *,
        seed: int | None = None,
        draws: int | None = None,
        versions: Mapping[str, str] | None = None,
    ) -> Self:
        """Keep what a measurement gave.

        ``seed``, ``draws`` and ``versions`` are taken from `result` when it names them.

        Raises
        ------
        RecordError
            For NaN or infinity anywhere, a value without its uncertainty, or a result without
            frame, time, clip, fingerprint and warnings.
        """
        values = cast(JsonObject, plain(result))
        return as_model(
            cls,
            {
                "measure": measure,
                "result": values,
                "seed": values.get("seed") if seed is None else seed,
                "draws": values.get("draws") if draws is None else draws,
                "versions": versions
                or versions_in_use() | cast("dict[str, str]", values.get("versions") or {}),
            },
            f"the {measure} reading",
        )

    @model_validator(mode="after")
    def _stands_on_evidence(self) -> Self:
        missing = [name for name in _ALWAYS if name not in self.result]
        if missing:
            raise ValueError(
                f"a reading must say where it came from, but {', '.join(missing)} is missing"
            )
        for name in HEADLINES[self.measure]:
            if self.result.get(name) is not None and self.number(beside(name, "u95")) is None:
                raise ValueError(
                    f"{name} has no {beside(name, 'u95')} beside it; a number never travels alone"
                )
        for name in self.result:
            if "_u95" in name:
                self._check_interval(name)
        return self

    def _check_interval(self, name: str) -> None:
        u95 = self.number(name)
        low = self.number(name.replace("_u95", "_low95", 1))
        high = self.number(name.replace("_u95", "_high95", 1))
        if u95 is None:
            return
        if u95 < 0:
            raise ValueError(f"{name} is {u95:g}, but an uncertainty is never below 0")
        if low is None or high is None:
            raise ValueError(f"{name} is there, but not both ends of its 95 % interval")
        if low > high:
            raise ValueError(f"the 95 % interval of {name} ends before it begins")

    def number(self, name: str) -> float | None:
        """A finite number of the result, or None where it is unknown or not a number."""
        value = self.result.get(name)
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return float(value)
        return None

    @property
    def frame(self) -> int | None:
        """Ordinal of the frame it was taken on."""
        value = self.result.get("frame")
        return value if isinstance(value, int) and not isinstance(value, bool) else None

    @property
    def marked_frame(self) -> int | None:
        """Ordinal of the frame that marks were set on: of a tilt `frame` is that of an event."""
        marked = self.result.get("reference_frame")
        return marked if isinstance(marked, int) else self.frame

    @property
    def t_s(self) -> float | None:
        """Time of that frame, s from the first shown frame."""
        return self.number("t_s")

    @property
    def clip_sha256(self) -> str:
        """Hash of the clip it was taken from."""
        return str(self.result.get("clip_sha256") or "")

    @property
    def fingerprint(self) -> str:
        """Fingerprint of the decoded frame."""
        return str(self.result.get("fingerprint") or "")

    @property
    def warnings(self) -> tuple[str, ...]:
        """The sentences that must be read with the numbers."""
        found = self.result.get("warnings")
        return tuple(str(item) for item in found) if isinstance(found, list) else ()

    def values(self) -> Iterator[tuple[str, float, float]]:
        """Every value that has an uncertainty: name, value, expanded uncertainty (95 %)."""
        for name in self.result:
            value, u95 = self.number(name), self.number(beside(name, "u95"))
            if value is not None and u95 is not None:
                yield name, value, u95
