"""What an angle measurement gives: values with intervals, budget and provenance."""

from __future__ import annotations

from dataclasses import dataclass

from clipmark import __version__
from clipmark.measure.angle_model import VALUES, AngleModel
from clipmark.measure.values import Value, named


@dataclass(frozen=True, eq=False)
class AngleReading:
    """Angles read on one frame.

    Attributes
    ----------
    values : dict of str to Value
        "ramp", and "chassis" and "chassis_to_ramp" when a chassis was marked; degrees.
    budget : dict
        Keyed by value ("ramp_deg", ...): rows of source, kind, u_deg, dof, advice, largest first.
    linear : dict
        The linear GUM result beside the Monte Carlo: u_deg, dof, k, u95_deg for each value.
    lines : dict
        What was marked and where the fits put it, px of the upright picture.
    frame, t_s, clip_sha256, fingerprint
        The picture it was read on.
    warnings : tuple of str
        What an operator should know.
    seed, draws : int
        Of the Monte Carlo behind the intervals.
    model : AngleModel or None
        What the draws are made from, so that they can be made again; it is not printed or saved.
    """

    values: dict[str, Value]
    budget: dict[str, list[dict[str, str | float | None]]]
    linear: dict[str, dict[str, float | None]]
    lines: dict[str, object]
    frame: int
    t_s: float | None
    clip_sha256: str
    fingerprint: str
    warnings: tuple[str, ...]
    seed: int
    draws: int
    settings: dict[str, object]
    model: AngleModel | None = None

    def _estimate(self, name: str) -> float | None:
        return self.values[name].estimate if name in self.values else None

    def _u95(self, name: str) -> float | None:
        return self.values[name].u95 if name in self.values else None

    @property
    def ramp_deg(self) -> float:
        """Angle of the board, positive when its right end is higher."""
        return self.values["ramp"].estimate

    @property
    def ramp_u95_deg(self) -> float:
        """Expanded uncertainty of `ramp_deg` at 95 %."""
        return self.values["ramp"].u95

    @property
    def chassis_deg(self) -> float | None:
        """Elevation of the truck's nose (hubs), or angle of the rail."""
        return self._estimate("chassis")

    @property
    def chassis_u95_deg(self) -> float | None:
        """Expanded uncertainty of `chassis_deg` at 95 %."""
        return self._u95("chassis")

    @property
    def chassis_to_ramp_deg(self) -> float | None:
        """Nose up from the board."""
        return self._estimate("chassis_to_ramp")

    @property
    def chassis_to_ramp_u95_deg(self) -> float | None:
        """Expanded uncertainty of `chassis_to_ramp_deg` at 95 %."""
        return self._u95("chassis_to_ramp")

    def to_dict(self) -> dict[str, object]:
        """What ``--json`` prints: every value with its interval, and all it came from."""
        result: dict[str, object] = {}
        for name in VALUES:
            result.update(named(name, "deg", self.values.get(name)))
        result.update(
            budget=self.budget,
            linear=self.linear,
            lines=self.lines,
            frame=self.frame,
            t_s=self.t_s,
            clip_sha256=self.clip_sha256,
            fingerprint=self.fingerprint,
            warnings=list(self.warnings),
            settings=self.settings,
            seed=self.seed,
            draws=self.draws,
            software=f"clipmark {__version__}",
        )
        return result
