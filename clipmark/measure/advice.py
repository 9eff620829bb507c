"""What would make one contribution smaller, said about this very picture, with figures."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clipmark.geometry.camera import Group
from clipmark.geometry.line_mark import LineMark, Reference
from clipmark.geometry.plane_fit import CORNERS, PROMISE, SIZE
from clipmark.measure.angle_model import HUBS, AngleModel
from clipmark.measure.view import Picture

FloatArray = NDArray[np.float64]

NEAR_SHARE = 0.05  # of the picture's height or width: nearer the middle, moving the line is idle
TRIAL_DRAWS = 1000  # of a what-if, good to about 2 %
TRIAL_SEED = 7
WORTH = 0.7  # a change is worth naming when it leaves less than this share
LENS_SOURCES = ("lens", "view angle", "picture centre", "lens distortion")


def advice_for(source: Group, model: AngleModel, picture: Picture) -> str:
    """One sentence for a line of the budget.

    Parameters
    ----------
    source : Group
        One of the sources of `model`.
    model : AngleModel
    picture : Picture
        Gives the size that places are judged by.

    Returns
    -------
    str
        What makes the contribution as large as it is in this picture, and what would reduce it.
        A level line leans with yaw in proportion to how far it lies over or under the middle row, a
        plumb line with pitch in proportion to how far it hangs from the middle column
        (docs/method.md); what moving it would leave is computed with the model itself.
    """
    if source.name == PROMISE:
        return _about_promise(source, model, picture)
    if source.name in LENS_SOURCES:
        return _about_lens(source, model, picture)
    for name, line in _lines(model):
        if source.name == f"{name} in the picture":
            return _about_line(name, line)
    for item in model.references:
        if source.name == item.itself:
            return (
                f"the {item.name} was stated to be good to {math.degrees(item.itself_u_rad):g} deg "
                f"(standard); {source.advice}"
            )
    if source.name in (CORNERS, SIZE):
        return _about_sheets(source, model)
    if source.name == HUBS and model.chassis is not None:
        ends = model.chassis.points_px
        apart = float(np.hypot(*(ends[-1] - ends[0])))
        return (
            f"the hubs stand {apart:.0f} px apart; filmed twice as large this is half or less, so "
            f"{source.advice}"
        )
    return source.advice


def _lines(model: AngleModel) -> list[tuple[str, LineMark]]:
    """Every line of the model with its name for people."""
    named = [(item.name, item.line) for item in model.references]
    named.append(("ramp line", model.ramp))
    if isinstance(model.chassis, LineMark):
        named.append(("chassis line", model.chassis))
    return named


def _about_line(name: str, line: LineMark) -> str:
    """A line is placed the better the longer it is."""
    if math.isinf(line.dof):
        return (
            f"the {name} was taken as marked over {line.length_px:.0f} px; let the edge fit place "
            "it, mark it several times, or mark a longer stretch"
        )
    return (
        f"the {name} was fitted over {line.length_px:.0f} px; twice the length leaves about a "
        "third of it, so mark a longer stretch, nearer or sharper in the picture"
    )


def _about_promise(source: Group, model: AngleModel, picture: Picture) -> str:
    """What a line off the middle costs, and what it would cost in the middle."""
    only = model.alone
    if only is None:
        return (
            "the lines together leave this much of yaw and pitch open; add a second plumb line or "
            "a second level line well apart from the first, or put a sheet in the plane of motion"
        )
    middle = only.line.points_px.mean(axis=0)
    if only.plumb:
        off = float(middle[0]) - (picture.width * picture.aspect - picture.aspect) / 2
        far = abs(off) > NEAR_SHARE * picture.width
        where, turned, moved = "middle column", "pitch", np.array([-off, 0.0])
    else:
        off = float(middle[1]) - (picture.height - 1) / 2
        far = abs(off) > NEAR_SHARE * picture.height
        where, turned, moved = "middle row", "yaw", np.array([0.0, -off])
    if not far:
        return source.advice
    within = math.degrees(model.viewing.fit.evidence.square_within_rad or 0.0)
    now, then = _promise_u_deg(model), _promise_u_deg(_moved(model, only, moved))
    rest = (
        f"nearer the middle this would be {then:.2f} deg"
        if then < WORTH * now
        else "the ramp line itself lies far off the middle as well"
    )
    return (
        f"the {only.name} lies {abs(off):.0f} px off the {where}, where a {turned} of up to "
        f"{within:g} deg makes it lean; {rest}; or put a sheet in the plane of motion"
    )


def _moved(model: AngleModel, only: Reference, by_px: FloatArray) -> AngleModel:
    """The same model with its one reference elsewhere in the picture."""
    line = replace(only.line, points_px=only.line.points_px + by_px)
    return replace(model, references=(replace(only, line=line),))


def _promise_u_deg(model: AngleModel) -> float:
    """What the promise alone costs the ramp angle, deg."""
    ramp = model.draw_rad(TRIAL_SEED, TRIAL_DRAWS, PROMISE)["ramp"]
    off = np.degrees(ramp - model.estimate_rad()["ramp"])
    return float(np.sqrt(np.mean(off**2)))


def _about_lens(source: Group, model: AngleModel, picture: Picture) -> str:
    """Lines far from the middle are where the lens tells."""
    middle = np.array([picture.width * picture.aspect - picture.aspect, picture.height - 1.0]) / 2
    corner = float(np.hypot(*middle))
    far = [
        (float(np.hypot(*(line.points_px - middle).T).max()) / corner, name)
        for name, line in _lines(model)
    ]
    share, name = max(far)
    return (
        f"the {name} reaches {100 * share:.0f} % of the way from the picture's middle to its "
        f"corner; {source.advice}"
    )


def _about_sheets(source: Group, model: AngleModel) -> str:
    """Corners by the sheet's size in the picture, size by what was stated."""
    sheets = model.viewing.fit.evidence.sheets
    if source.name == SIZE:
        side_u = max(sheet.side_u_mm for sheet in sheets)
        return f"its sides were stated to be good to {side_u:g} mm (standard); {source.advice}"
    largest = max(_shorter_side_px(sheet.corners_px) for sheet in sheets)
    return (
        f"the sheet's shorter side is {largest:.0f} px in the picture; one twice as large leaves "
        f"about a quarter of it, so {source.advice}"
    )


def _shorter_side_px(corners_px: FloatArray) -> float:
    sides = np.roll(corners_px, -1, axis=0) - corners_px
    return float(np.hypot(*sides.T).min())
