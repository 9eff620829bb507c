"""What the rules of an event say of how a crawl is measured: the hold time and the ripple's band.

A slowest speed means nothing without the time it was held, nor a ripple without its band. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

HOLD_S = 2.0  # where nothing is said
BAND_HZ = (0.5, 5.0)


@dataclass(frozen=True)
class CrawlTerms:
    """How a crawl is to be measured, as far as it is said.

    Attributes
    ----------
    hold_s : float or None
        How long the slowest speed must be held.
    band_hz : tuple of float, or None
        Low and high end of the ripple's band.
    """

    hold_s: float | None = None
    band_hz: tuple[float, float] | None = None

    def settings(
        self, hold_s: float | None = None, band_hz: tuple[float, float] | None = None
    ) -> tuple[float, tuple[float, float]]:
        """Hold time, s, and band, Hz: as given here, else as these terms say, else the usual."""
        holds = (hold_s, self.hold_s, HOLD_S)
        return (
            next(time for time in holds if time is not None),  # 0 s is refused, not passed over
            band_hz or self.band_hz or BAND_HZ,
        )

    def why_not(self, measure: str, result: Mapping[str, object]) -> str:
        """Why a measured value does not stand on these terms; empty where it does.

        Parameters
        ----------
        measure : str
            Name of the value.
        result : mapping
            ``CrawlReading.to_dict()``, or what the journal keeps of it. One that does not say on
            which terms it was taken is not doubted.
        """
        settings = result.get("settings")
        told = settings if isinstance(settings, Mapping) else {}
        if measure == "ripple":
            taken, wanted = told.get("band_hz"), self.band_hz or ()
            if wanted and isinstance(taken, Sequence) and tuple(taken) != wanted:
                return (
                    f"the ripple was taken from {_band(taken)} Hz, but the rule sheet grades it "
                    f"from {_band(wanted)} Hz; measure again in that band"
                )
        if measure == "slowest_speed_mm_s":
            held = told.get("hold_s")
            asked = self.hold_s
            if asked and isinstance(held, (int, float)) and held != asked:
                return (
                    f"the slowest speed was held for {held:g} s, but the rule sheet asks for "
                    f"{asked:g} s; measure again with that hold time"
                )
        return ""

    def were_those_of(self, result: Mapping[str, object]) -> bool:
        """Whether a result was measured on these terms, as far as they say anything."""
        return not any(self.why_not(name, result) for name in ("ripple", "slowest_speed_mm_s"))


NOTHING_SAID = CrawlTerms()


def _band(ends: Sequence[object]) -> str:
    return " to ".join(f"{end:g}" if isinstance(end, (int, float)) else "?" for end in ends)
