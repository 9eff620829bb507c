"""Tone curves: from linear light to the luma a camera writes, by one parameter.

The family is that of IEC 61966-2-1 (sRGB): a power with a straight toe that joins it smoothly.
With strength 0 it is linear, with strength 1 it is the sRGB curve, and it goes on a little
beyond both ends::

    power = 1 + 1.4 strength,   lift = 0.055 strength,   joint = lift / (power - 1)
    light = ((luma + lift) / (1 + lift)) ** power          luma >= joint
    light = luma * light(joint) / joint                     luma <  joint, also below black

Luma and light are 0 at black and 1 at white. Pure maths: arrays in, arrays out.
"""

from dataclasses import dataclass
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Power 0.58 .. 5.2. No camera follows so steep a power, but the shoulder that phones bend their
# highlights with is as steep near white.
STRENGTH_LIMITS = (-0.3, 3.0)
PRIOR_STRENGTH = (0.6, 0.5)  # mean and sd: cameras are near 1, drawn pictures may be 0
_POWER_RISE, _LIFT_RISE = 1.4, 0.055
JOINT = _LIFT_RISE / _POWER_RISE  # luma at which toe and power meet, the same for every strength


def light_from_luma(luma: Floats, strength: float) -> Floats:
    """Linear light of encoded luma, any shape; `strength` within `STRENGTH_LIMITS`."""
    power, lift, toe = _constants(strength)
    above = np.power((np.maximum(luma, JOINT) + lift) / (1.0 + lift), power)
    return np.where(luma >= JOINT, above, luma * toe)


def luma_from_light(light: Floats, strength: float) -> Floats:
    """Encoded luma of linear light, any shape: the inverse of `light_from_luma`."""
    return Written.of(light, strength).luma


def luma_slope(light: Floats, strength: float) -> Floats:
    """Derivative of `luma_from_light` by light, any shape."""
    return Written.of(light, strength).slope


@dataclass(frozen=True, eq=False)
class Written:
    """Light as a camera writes it, any shape, with the derivatives: one power serves them all.

    ``raised`` is the light, or that of the joint where it is less; ``root`` its power.
    """

    light: Floats
    strength: float
    raised: Floats
    root: Floats

    @classmethod
    def of(cls, light: Floats, strength: float) -> Self:
        """Light written with a curve of that strength."""
        power, _, toe = _constants(strength)
        raised = np.maximum(light, JOINT * toe)
        return cls(light, strength, raised, np.power(raised, 1.0 / power))

    @cached_property
    def _in_toe(self) -> Bools:
        return self.light < JOINT * _constants(self.strength)[2]

    @cached_property
    def luma(self) -> Floats:
        """Encoded luma."""
        _, lift, toe = _constants(self.strength)
        return np.where(self._in_toe, self.light / toe, (1.0 + lift) * self.root - lift)

    @cached_property
    def slope(self) -> Floats:
        """Derivative of the luma by light."""
        power, lift, toe = _constants(self.strength)
        return np.where(self._in_toe, 1.0 / toe, (1.0 + lift) / power * self.root / self.raised)

    def by_strength(self) -> Floats:
        """Derivative of the luma by the strength, the light staying as it is."""
        power, lift, toe = _constants(self.strength)
        share = np.log((JOINT + lift) / (1.0 + lift)) * _POWER_RISE
        share += power * _LIFT_RISE * (1.0 / (JOINT + lift) - 1.0 / (1.0 + lift))
        turned = (1.0 + lift) * _POWER_RISE / power**2 * np.log(self.raised)
        above = self.root * (_LIFT_RISE - turned) - _LIFT_RISE
        return np.where(self._in_toe, -self.light * share / toe, above)


def _constants(strength: float) -> tuple[float, float, float]:
    """Power, lift, and slope of light by luma in the toe."""
    power = 1.0 + _POWER_RISE * strength
    lift = _LIFT_RISE * strength
    return power, lift, ((JOINT + lift) / (1.0 + lift)) ** power / JOINT
