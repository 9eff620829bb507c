"""Tone curves: from linear light to the luma a camera writes, by one parameter.

The family is that of IEC 61966-2-1 (sRGB): a power with a straight toe that joins it smoothly.
With strength 0 it is linear, with strength 1 it is the sRGB curve, and it goes on a little
beyond both ends::

    power = 1 + 1.4 strength,   lift = 0.055 strength,   joint = lift / (power - 1)
    light = ((luma + lift) / (1 + lift)) ** power          luma >= joint
    light = luma * light(joint) / joint                     luma <  joint, also below black

Luma and light are 0 at black and 1 at white. Pure maths: arrays in, arrays out.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Power 0.58 .. 5.2. No camera follows so steep a power, but the shoulder that phones bend their
# highlights with is as steep near white.
STRENGTH_LIMITS = (-0.3, 3.0)
PRIOR_STRENGTH = (0.6, 0.5)  # mean and sd: cameras are near 1, drawn pictures may be 0
JOINT = 0.055 / 1.4  # luma at which toe and power meet, the same for every strength


def light_from_luma(luma: Floats, strength: float) -> Floats:
    """Linear light of encoded luma, any shape; `strength` within `STRENGTH_LIMITS`."""
    power, lift, toe = _constants(strength)
    above = np.power((np.maximum(luma, JOINT) + lift) / (1.0 + lift), power)
    return np.where(luma >= JOINT, above, luma * toe)


def luma_from_light(light: Floats, strength: float) -> Floats:
    """Encoded luma of linear light, any shape: the inverse of `light_from_luma`."""
    power, lift, toe = _constants(strength)
    knee = JOINT * toe
    above = (1.0 + lift) * np.power(np.maximum(light, knee), 1.0 / power) - lift
    return np.where(light >= knee, above, light / toe)


def luma_slope(light: Floats, strength: float) -> Floats:
    """Derivative of `luma_from_light` by light, any shape."""
    power, lift, toe = _constants(strength)
    knee = JOINT * toe
    above = (1.0 + lift) / power * np.power(np.maximum(light, knee), 1.0 / power - 1.0)
    return np.where(light >= knee, above, 1.0 / toe)


def _constants(strength: float) -> tuple[float, float, float]:
    """Power, lift, and slope of light by luma in the toe."""
    power = 1.0 + 1.4 * strength
    lift = 0.055 * strength
    return power, lift, ((JOINT + lift) / (1.0 + lift)) ** power / JOINT
