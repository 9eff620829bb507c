"""What is a number at all, and how many decimals it deserves."""

from __future__ import annotations

import math


def digits_for(u: float | None) -> int:
    """Decimals that show an uncertainty to two figures (JCGM 100:2008, 7.2.6), 0 to 6."""
    if u is None or not math.isfinite(u) or u <= 0:
        return 3
    return min(6, max(0, 1 - math.floor(math.log10(u))))


def number_of(value: object) -> float | None:
    """A finite number as it stands in plain data, or None."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    return float(value) if math.isfinite(value) else None
