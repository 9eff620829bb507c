"""The software that a reading was taken with, beside the software in use now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from clipmark.record.readings import versions_in_use


@dataclass(frozen=True)
class VersionDifference:
    """One program part that is not of the version it was; None where it is not there at all."""

    name: str
    then: str
    now: str | None

    def __str__(self) -> str:
        now = "not installed" if self.now is None else f"now {self.now}"
        return f"{self.name} {self.then}, {now}"


def versions_that_differ(then: Mapping[str, str]) -> tuple[VersionDifference, ...]:
    """Parts of another version than those in use, of the parts that the reading names."""
    now = versions_in_use()
    return tuple(
        VersionDifference(name, version, now.get(name))
        for name, version in then.items()
        if now.get(name) != version
    )
