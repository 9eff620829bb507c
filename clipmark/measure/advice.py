"""What would make one contribution smaller, said about this very picture."""

from __future__ import annotations

from clipmark.geometry.camera import Group
from clipmark.geometry.viewing import PROMISE
from clipmark.measure.angle_model import AngleModel
from clipmark.measure.view import Picture

NEAR_SHARE = 0.05  # of the picture's height or width: nearer the middle, moving the line is idle


def advice_for(source: Group, model: AngleModel, picture: Picture) -> str:
    """One sentence for a line of the budget.

    A level line leans with yaw in proportion to how far it lies over or under the middle row, a
    plumb line with pitch in proportion to how far it hangs from the middle column (docs/method.md).
    """
    if source.name != PROMISE:
        return source.advice
    only = model.alone
    if only is None:
        return source.advice
    middle = only.line.points_px.mean(axis=0)
    if only.plumb:
        off = abs(float(middle[0]) - picture.width * picture.aspect / 2)
        far = off > NEAR_SHARE * picture.width
        where, line = "middle column", "plumb line"
    else:
        off = abs(float(middle[1]) - picture.height / 2)
        far = off > NEAR_SHARE * picture.height
        where, line = "middle row", "level line"
    if not far:
        return source.advice
    return (
        f"the {line} lies {off:.0f} px off the {where}, where a camera not square on makes it "
        "lean; put it nearer the middle, or put a sheet in the plane of motion"
    )
