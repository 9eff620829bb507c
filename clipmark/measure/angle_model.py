"""The measurement model of the angles, and what each source contributes to their uncertainty.

Pure numerics on what was marked and fitted. One function gives the three angles for any lines,
camera and plane; the estimate is that function at the best values, the Monte Carlo (JCGM
101:2008) the same function over draws, and a budget line the same with one source drawn alone.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.angles import facing, fold_line, nose_elevation, unfold_near, wrap_turn
from clipmark.geometry.camera import Group
from clipmark.geometry.line_mark import LineMark, Reference
from clipmark.geometry.viewing import Viewing
from clipmark.measure.angle_draws import elevation, level_directions

FloatArray = NDArray[np.float64]
Facing = Literal["left", "right"]
VALUES = ("ramp", "chassis", "chassis_to_ramp")
TURNING = "board turning during the frame"
HUBS = "hub centres in the picture"


@dataclass(frozen=True, eq=False)
class HubsMark:
    """Two hub centres, rear first, px of the square picture, with the covariance of each."""

    points_px: FloatArray
    covariance_px2: FloatArray
    dof: float = math.inf

    def draw(self, rng: np.random.Generator, n: int) -> FloatArray:
        """Possible centres, shape (n, 2, 2)."""
        unit = rng.standard_normal((n, 2, 2))
        if self.dof <= 1000:
            unit *= np.sqrt(self.dof / rng.chisquare(self.dof, (n, 2, 1)))
        factors = np.linalg.cholesky(self.covariance_px2 + 1e-16 * np.eye(2))
        return np.asarray(self.points_px + np.einsum("kij,nkj->nki", factors, unit))


@dataclass(frozen=True, eq=False)
class AngleModel:
    """Everything the angles depend on.

    Attributes
    ----------
    viewing : Viewing
        Camera and plane of motion. Where several lines say where level is, they speak for the
        plane as well, and the view has them.
    ramp : LineMark
        The board's edge.
    references : tuple of Reference
        The lines known to be level or plumb, at least one.
    chassis : LineMark or HubsMark or None
        A rail (unordered) or both hubs (rear first).
    facing : {'left', 'right'} or None
        Which way the truck faces; told from the hubs when None.
    turning_u_deg : float
        Standard uncertainty of the board's turn in a frame's time.
    """

    viewing: Viewing
    ramp: LineMark
    references: tuple[Reference, ...]
    chassis: LineMark | HubsMark | None
    facing: Facing | None
    turning_u_deg: float = 0.0

    @property
    def alone(self) -> Reference | None:
        """The single line that says where level is; None where the view knows it from several."""
        return None if self.viewing.references else self.references[0]

    def sources(self) -> tuple[Group, ...]:
        """Independent sources of uncertainty, besides those that are exactly zero."""
        longer = "mark a longer stretch of it, nearer or sharper in the picture"
        again = "mark it more often, or let the edge fit place it"
        found: list[Group] = []
        named = [("ramp line", self.ramp)]
        if self.alone is not None:
            named.insert(0, (self.alone.name, self.alone.line))
        if isinstance(self.chassis, LineMark):
            named.append(("chassis line", self.chassis))
        for name, line in named:
            if line.u_offset_px or line.u_turn_rad:
                kind: Literal["A", "B"] = "B" if math.isinf(line.dof) else "A"
                found.append(Group(f"{name} in the picture", kind, line.dof, longer))
            if line.repeat_u_rad:
                found.append(Group(f"{name}, repeated marks", "A", line.repeat_dof, again))
        if isinstance(self.chassis, HubsMark):
            advice = "film nearer or sharper, so that the rims are larger in the picture"
            kind = "B" if math.isinf(self.chassis.dof) else "A"
            found.append(Group(HUBS, kind, self.chassis.dof, advice))
        if self.alone is not None and self.alone.itself_u_rad:
            found.append(Group(self.alone.itself, "B", math.inf, self.alone.advice))
        if self.turning_u_deg:
            found.append(Group(TURNING, "B", math.inf, "read a frame where the board is at rest"))
        return tuple(found) + self.viewing.groups

    def estimate_rad(self) -> dict[str, float]:
        """The deterministic solution, rad, in the sign convention of each value."""
        ramp_seen, chassis_seen = self._seen_rad()
        found = {"ramp": float(fold_line(ramp_seen))}
        if chassis_seen is not None:
            way = self._way(chassis_seen)
            chassis = self._nose_up(chassis_seen, way)
            found["chassis"] = float(chassis)
            found["chassis_to_ramp"] = float(wrap_turn(chassis - way * found["ramp"]))
        return found

    def _seen_rad(self) -> tuple[float, float | None]:
        """Angles from level to the ramp line and the chassis as they are marked, estimate only."""
        camera, normal = self.viewing.camera, self.viewing.normal
        level = self.viewing.level
        if level is None:
            only = self.references[0]
            level = level_directions(only.line.points_px, camera, normal, only.plumb)
        ramp = float(elevation(level, self.ramp.points_px, camera, normal))
        if self.chassis is None:
            return ramp, None
        return ramp, float(elevation(level, self.chassis.points_px, camera, normal))

    def draw_rad(self, seed: int, n: int, only: str | None = None) -> dict[str, FloatArray]:
        """Draws of every value, rad, shape (n,), from all sources or from one by name.

        Each source has its own stream, so that its draws do not depend on which others run.
        """

        def stream(name: str) -> np.random.Generator:
            return np.random.default_rng([seed, zlib.crc32(name.encode())])

        def on(name: str) -> bool:
            return only is None or only == name

        def points(name: str, line: LineMark) -> FloatArray:
            repeat = on(f"{name}, repeated marks")
            return line.draw(stream(name), n, on(f"{name} in the picture"), repeat)

        camera, normal, level = self._drawn_view(stream("viewing"), n, only)
        lean = np.zeros(n)
        if self.alone is not None:
            if on(self.alone.itself):
                lean += self.alone.itself_u_rad * stream(self.alone.itself).standard_normal(n)
            seen = points(self.alone.name, self.alone.line)
            level = level_directions(seen, camera, normal, self.alone.plumb)
        estimate = self.estimate_rad()
        turn = np.zeros(n)
        if on(TURNING):
            turn += math.radians(self.turning_u_deg) * stream(TURNING).standard_normal(n)
        ramp_seen = elevation(level, points("ramp line", self.ramp), camera, normal)
        ramp = unfold_near(ramp_seen + lean, estimate["ramp"]) + turn
        draws = {"ramp": ramp}
        _, chassis_seen = self._seen_rad()
        if self.chassis is not None and chassis_seen is not None:
            if isinstance(self.chassis, HubsMark):
                hubs_on = on(HUBS)
                drawn = self.chassis.draw(stream("hubs"), n) if hubs_on else self.chassis.points_px
            else:
                drawn = points("chassis line", self.chassis)
            seen = elevation(level, drawn, camera, normal) + lean
            way = self._way(chassis_seen)
            chassis = unfold_near(self._nose_up(seen, way), estimate["chassis"], self._period)
            draws["chassis"] = chassis + way * turn
            to_ramp = draws["chassis"] - way * ramp
            draws["chassis_to_ramp"] = unfold_near(
                to_ramp, estimate["chassis_to_ramp"], 2 * math.pi
            )
        return {name: np.broadcast_to(values, (n,)) for name, values in draws.items()}

    def _drawn_view(
        self, rng: np.random.Generator, n: int, only: str | None
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Cameras, normals and level directions; the estimate where the view is not drawn."""
        names = {group.name for group in self.viewing.groups}
        if only is None or only in names:
            drawn = self.viewing.draw_all(rng, n, only)
            return drawn.camera, drawn.normal, drawn.level
        best = self.viewing.fit.best
        return best.camera[0], best.normal[0], best.level[0]

    @property
    def _period(self) -> float:
        """A rail has no front, so half a turn brings it back; hubs need a whole one."""
        return math.pi if isinstance(self.chassis, LineMark) else 2 * math.pi

    def _way(self, seen_rad: float) -> float:
        """1 for a truck facing right, -1 for one facing left; a rail counts as facing right."""
        if self.facing is None and isinstance(self.chassis, LineMark):
            return 1.0
        return 1.0 if (self.facing or facing(seen_rad)) == "right" else -1.0

    def _nose_up(self, seen_rad: FloatArray | float, way: float) -> FloatArray:
        """Elevation of the nose from the angle seen of rear to front, or of the rail."""
        if isinstance(self.chassis, LineMark):
            return np.asarray(way * fold_line(seen_rad), dtype=np.float64)
        return nose_elevation(seen_rad, "right" if way > 0 else "left")
