"""The traces in a bundle beside those measured here."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from clipmark.audit.bundle_checks import MAX_TEXT_BYTES
from clipmark.audit.bundle_manifest import Manifest
from clipmark.audit.bundle_stage import Stage
from clipmark.audit.bundle_zip import Container
from clipmark.errors import ClipmarkError
from clipmark.measure.crawl_table import write_table

ROUNDED = 2.1e-5  # in the column's unit: the fifth decimal, rounded once on either side
OF_THE_CLIP = ("frame",)  # counted from the first frame of the whole clip


def trace_stage(
    container: Container,
    work: Path,
    manifest: Manifest,
    tables: Mapping[int, pd.DataFrame],
    shift: int,
) -> Stage:
    """Compare every trace with the one measured here, row by row.

    Parameters
    ----------
    container : Container
        The bundle.
    work : Path
        A private folder, in which the new trace is written.
    manifest : Manifest
    tables : mapping
        Traces measured here, by the place of the reading from 1.
    shift : int
        Frames that were cut off.
    """
    found = []
    for member in manifest.traces:
        number = next((n for n in tables if member.endswith(f"-{n}.csv")), 0)
        if not number or member not in container.members:
            found.append(f"{member} could not be measured again")
            continue
        try:
            write_table(tables[number], work / "trace.csv")
            now = (work / "trace.csv").read_bytes()
            then = container.read(member, MAX_TEXT_BYTES)
            if then != now:
                found += _differences(member, then, now, shift)
        except (ClipmarkError, ValueError) as error:
            found.append(f"{member} ({str(error).rstrip('.')})")
    if found:
        return Stage(
            "trace", "failed", f"The trace does not come out again: {'; '.join(found)}.",
            tuple(found),
        )  # fmt: skip
    return Stage("trace", "confirmed", "What was followed frame by frame comes out again.")


def _differences(member: str, then: bytes, now: bytes, shift: int) -> list[str]:
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
        scale = np.maximum(1.0, np.nan_to_num(np.abs(a)))
        return bool(np.all(np.isclose(a, b, rtol=0, atol=ROUNDED * scale, equal_nan=True)))
    return bool((old.fillna("") == new.fillna("")).all())
