"""``--sheet`` and ``--sheet-size`` belong together; ``--tags`` are sheets that find themselves."""

from __future__ import annotations

from collections.abc import Sequence

from clipmark.errors import MarkError
from clipmark.geometry.paper import parse_size_or_name
from clipmark.marks import Sheet
from clipmark.measure.tags import Tags


def sheets_from(
    corners: Sequence[str] | None, sizes: Sequence[str] | None, side_u_mm: float
) -> tuple[Sheet, ...]:
    """The sheets as marked, often none.

    Raises
    ------
    MarkError
        When corners or sizes are missing, or cannot be read.
    """
    if not corners and not sizes:
        return ()
    if not corners or not sizes:
        missing = "--sheet" if sizes else "--sheet-size"
        raise MarkError(f"a sheet needs its corners and its size, but {missing} is missing; add it")
    if len(sizes) not in (1, len(corners)):
        raise MarkError(
            f"{len(corners)} sheets were given with {len(sizes)} sizes; give --sheet-size once for "
            "all, or once for each sheet in the same order"
        )
    every = sizes if len(sizes) == len(corners) else list(sizes) * len(corners)
    return tuple(
        Sheet.from_corners(text, parse_size_or_name(size, "the sheet size"), side_u_mm)
        for text, size in zip(corners, every, strict=True)
    )


def tags_from(text: str | None) -> Tags | None:
    """The tags as declared, or None; raises `MarkError` when they cannot be read."""
    return None if text is None else Tags.parse(text)
