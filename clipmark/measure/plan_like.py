"""How sharp the edges of a planned stand will be, from a reading of a trial clip.

The reading says of each line how it was found: contrast, blur, noise, and its uncertainty. That
uncertainty over the bound of such an edge is the factor that stands for everything correlated in
that footage: compression, texture, what lies behind the edge. A trial clip shows all this; a check
of the file alone does not, since its noise is that of even surfaces.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import cast

import numpy as np

from clipmark.errors import MarkError
from clipmark.geometry.planned_edge import (
    EdgeQuality,
    PictureQuality,
    bound_rad,
)

SMALLEST, LARGEST = 1e-9, 1e6


def quality_like(path: Path, otherwise: PictureQuality) -> PictureQuality:
    """Quality of the edges of a trial reading; what it does not show is as `otherwise`.

    Parameters
    ----------
    path : Path
        What ``clipmark angle --json`` printed.
    otherwise : PictureQuality

    Raises
    ------
    MarkError
        If the file cannot be read or is no reading of an angle with fitted lines.
    """
    lines = _lines(path)
    seen = {name: _seen(lines.get(name)) for name in ("ramp", "level", "plumb", "sheet")}
    hub_u_px = _hub_u_px(lines.get("hubs"))
    found = PictureQuality(
        ramp=seen["ramp"] or otherwise.ramp,
        level=seen["level"] or otherwise.level,
        plumb=seen["plumb"] or otherwise.plumb,
        sheet=seen["sheet"] or otherwise.sheet,
        hub_u_px=hub_u_px or otherwise.hub_u_px,
        by_scale=seen["ramp"] is None,
    )
    if found == otherwise:
        raise MarkError(
            f"the trial reading {path.name} has no line that was found by the edge fit; measure "
            "the trial clip without --no-edge-fit"
        )
    return found


def _seen(found: object) -> EdgeQuality | None:
    """The edges of one kind as the reading has them, or None."""
    edges = [edge for line in _several(found) if (edge := _edge(line)) is not None]
    return _middle(edges) if edges else None


def _hub_u_px(hubs: object) -> float | None:
    """Standard uncertainty of a hub per axis, px, or None where none was fitted."""
    if not isinstance(hubs, Mapping) or not hubs.get("hub_fit"):
        return None
    try:
        spread = np.asarray(hubs.get("covariance_px2"), dtype=np.float64)
    except (TypeError, ValueError):
        return None
    if spread.ndim != 3 or spread.shape[1:] != (2, 2) or not np.isfinite(spread).all():
        return None
    variance = float(np.mean([np.trace(one) / 2 for one in spread]))
    return math.sqrt(variance) if variance > 0 else None


def _lines(path: Path) -> Mapping[str, object]:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise MarkError(
            f"the trial reading {path.name} cannot be read ({error.strerror}); check its path"
        ) from error
    except (json.JSONDecodeError, UnicodeDecodeError):
        data = None
    lines = data.get("lines") if isinstance(data, dict) else None
    if not isinstance(lines, Mapping):
        raise MarkError(
            f"the trial reading {path.name} is not what clipmark angle prints; make it with: "
            "clipmark angle CLIP ... --json > trial.json"
        )
    return lines


def _several(found: object) -> list[Mapping[str, object]]:
    """A line, several or none, as a list."""
    if isinstance(found, Mapping):
        return [found]
    if isinstance(found, Sequence) and not isinstance(found, str):
        return [item for item in found if isinstance(item, Mapping)]
    return []


def _edge(line: Mapping[str, object]) -> EdgeQuality | None:
    fit = line.get("edge_fit")
    if not isinstance(fit, Mapping):
        return None
    try:
        contrast, blur, noise = (float(fit[name]) for name in ("contrast", "blur_px", "noise"))
        x1, y1, x2, y2 = (float(value) for value in cast(Sequence[float], line["measured"]))
        u_rad = math.radians(float(cast(float, line["u_angle_deg"])))
        step = fit["kind"] != "string"
    except (KeyError, TypeError, ValueError):
        return None
    length = math.hypot(x2 - x1, y2 - y1)
    parts = (contrast, blur, noise, length, u_rad)
    if not all(SMALLEST < part < LARGEST for part in parts):  # what no picture shows
        return None
    factor = u_rad / bound_rad(contrast, blur, noise, length)
    return EdgeQuality(contrast, blur, noise, factor, step)


def _middle(edges: list[EdgeQuality]) -> EdgeQuality:
    """One edge that stands for several of a kind: their geometric mean."""

    def mean(name: str) -> float:
        return float(np.exp(np.mean([math.log(getattr(edge, name)) for edge in edges])))

    return EdgeQuality(
        mean("contrast"), mean("blur_px"), mean("noise"), mean("factor"), edges[0].step
    )
