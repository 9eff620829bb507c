"""The trace of a crawl in a bundle beside the one measured here."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from clipmark.audit.bundle_checks import MAX_TEXT_BYTES, Stage
from clipmark.audit.bundle_manifest import Manifest
from clipmark.audit.bundle_record import BundleRecord
from clipmark.audit.bundle_zip import Container
from clipmark.audit.repeat import repeat_crawl, true_fps_of
from clipmark.clip import open_clip
from clipmark.errors import ClipmarkError
from clipmark.measure.crawl_table import write_table

ROUNDED = 2.1e-5  # in the column's unit: the fifth decimal, rounded once on either side
OF_THE_CLIP = ("frame",)  # counted from the first frame of the whole clip


def trace_stage(
    container: Container,
    place: Path,
    manifest: Manifest,
    record: BundleRecord,
    shift: int,
    progress: Callable[[int, int], None] | None,
) -> Stage:
    """Measure every crawl once more and compare its trace, row by row.

    Parameters
    ----------
    container : Container
        The bundle.
    place : Path
        Its clip, unpacked into a private folder, in which the new trace is written.
    manifest, record
        Of the bundle.
    shift : int
        Frames that were cut off.
    progress : callable or None
    """
    found = []
    for member in manifest.traces:
        number = int(member.removeprefix("trace/crawl-").removesuffix(".csv"))
        reading = record.attempt.readings[number - 1]
        try:
            with open_clip(place, true_fps=true_fps_of(record.attempt, reading)) as clip:
                crawl = repeat_crawl(clip, record.attempt, reading, shift=shift, progress=progress)
            write_table(crawl.table, place.with_name("trace.csv"))
            now = place.with_name("trace.csv").read_bytes()
            then = container.read(member, MAX_TEXT_BYTES)
            if then != now:
                found += _differences(member, then, now, shift, reading.t_s or 0.0)
        except (ClipmarkError, ValueError) as error:
            found.append(f"{member} ({str(error).rstrip('.')})")
    if found:
        return Stage(
            "trace", "failed", f"The trace does not come out again: {'; '.join(found)}.",
            tuple(found),
        )  # fmt: skip
    return Stage("trace", "confirmed", "The trace of travel and speed comes out again.")


def _differences(member: str, then: bytes, now: bytes, shift: int, t_s: float) -> list[str]:
    """Columns that differ by more than the decimals they are written with."""
    old, new = pd.read_csv(io.BytesIO(then)), pd.read_csv(io.BytesIO(now))
    if list(old.columns) != list(new.columns) or len(old) != len(new):
        return [f"{member} has other rows or columns"]
    columns = [str(name) for name in old.columns if not _same(old[name], new[name], name, shift)]
    return [f"{member}: column {', '.join(columns)}"] if columns else []


def _same(old: pd.Series, new: pd.Series, name: str, shift: int) -> bool:
    if name in OF_THE_CLIP:
        return bool((old == new + shift).all())
    if old.dtype.kind in "fi" and new.dtype.kind in "fi":
        a, b = old.to_numpy(float), new.to_numpy(float)
        if name == "t_s" and shift and len(a):
            b = b + (a[0] - b[0])
        scale = np.maximum(1.0, np.abs(a))
        return bool(np.all(np.isclose(a, b, rtol=0, atol=ROUNDED * scale, equal_nan=True)))
    return bool((old.fillna("") == new.fillna("")).all())
