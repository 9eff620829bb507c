"""``--sheet`` and ``--sheet-size`` belong together."""

from __future__ import annotations

from clipmark.errors import MarkError
from clipmark.marks import Sheet


def sheet_from(corners: str | None, size: str | None, side_u_mm: float) -> Sheet | None:
    """The sheet as marked, or None; raises `MarkError` when one of the two is missing."""
    if corners is None and size is None:
        return None
    if corners is None or size is None:
        missing = "--sheet-size" if size is None else "--sheet"
        raise MarkError(f"a sheet needs its corners and its size, but {missing} is missing; add it")
    return Sheet.parse(corners, size, side_u_mm)
