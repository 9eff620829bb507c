"""Refusals of scenes that cannot be shown, each a sentence."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from clipmark.errors import FootageError

if TYPE_CHECKING:  # scenes ask to be checked
    from clipmark.sample.scene import Scene, Truck

TONES = ("srgb", "scurve", "linear")
RIMS = ("spoked", "even", "plain", "blank")
TYRES = ("knobbly", "smooth")
PLACES = ("world", "board")


def check_scene(scene: Scene) -> None:
    """Nothing, when a scene can be shown.

    Raises
    ------
    FootageError
        If the scene has no frames or asks for an impossible board, look or motion.
    """
    if not scene.timing.all_pts():
        raise FootageError("the scene has no frames; give it at least one")
    if not 0 <= scene.board.ramp_deg <= 85:
        raise FootageError(
            f"the board of the scene stands at {scene.board.ramp_deg:g} deg; "
            "give a slope from 0 to 85 and say with `rises` which end is higher"
        )
    _known("tone curve", scene.look.tone, TONES)
    if scene.truck is not None:
        _check_truck(scene.truck)
    for cover in scene.covers:
        _known("place of a cover", cover.place, PLACES)
    _check_repeats(scene)
    motion = scene.motion
    if motion.slip + abs(motion.slip_wave[0]) >= 1:
        raise FootageError(
            f"the slip of the scene reaches {motion.slip + abs(motion.slip_wave[0]):g}, where "
            "wheels turn without end; keep slip and its wave below 1, or add a spin"
        )


def _check_truck(truck: Truck) -> None:
    _known("rim style", truck.rim_style, RIMS)
    _known("tyre style", truck.tyre_style, TYRES)


def _check_repeats(scene: Scene) -> None:
    count = len(scene.timing.all_pts())
    wrong = [k for k in scene.timing.repeats if not 1 <= k < count]
    if wrong:
        raise FootageError(
            f"frame {wrong[0]} of the scene cannot repeat the one before; "
            f"name ordinals from 1 to {count - 1}"
        )


def _known(what: str, name: str, names: Collection[str]) -> None:
    if name not in names:
        *others, last = names
        raise FootageError(f"the {what} '{name}' is not known; use {', '.join(others)} or {last}")
