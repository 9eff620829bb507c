"""One step of checking a bundle, and what it found. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Outcome = Literal["confirmed", "repacked", "failed", "not checked"]
_SHOWN = 6


@dataclass(frozen=True)
class Stage:
    """One step of checking.

    Attributes
    ----------
    name : str
    outcome : {'confirmed', 'repacked', 'failed', 'not checked'}
    sentence : str
        What it confirms, or what was found.
    details : tuple of str
        Every single finding.
    """

    name: str
    outcome: Outcome
    sentence: str
    details: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, object]:
        """As plain data."""
        return {
            "stage": self.name,
            "outcome": self.outcome,
            "sentence": self.sentence,
            "details": list(self.details),
        }


def stage_of(name: str, findings: Sequence[str], good: str, bad: str) -> Stage:
    """A stage that is confirmed with the words `good`, or failed with `bad` and what was found."""
    if not findings:
        return Stage(name, "confirmed", good)
    shown = "; ".join(findings[:_SHOWN])
    more = f"; and {len(findings) - _SHOWN} more" if len(findings) > _SHOWN else ""
    return Stage(name, "failed", f"{bad}: {shown}{more}.", tuple(findings))
