"""The manifest of a bundle: what is in it, and what was done to the clip.

Every model refuses unknown fields. What the journal says too is compared with it on checking; only
what no journal knows (software, cut, who hands over) is taken from here alone.
"""

from __future__ import annotations

import json
import platform
from collections.abc import Mapping
from fractions import Fraction
from typing import Literal

import av
import cv2
import numpy as np
import pandas as pd
import scipy
from pydantic import Field

from clipmark import __version__
from clipmark.audit.bundle_record import MANIFEST, SUMS, BundleRecord, pretty
from clipmark.audit.bundle_zip import Digest
from clipmark.errors import AuditError, RecordError
from clipmark.record.texts import (
    Count,
    Fact,
    FilePath,
    Instant,
    Label,
    Name,
    Note,
    Number,
    Ordinal,
    Sha256,
    as_model,
)

FORMAT = "clipmark bundle 1"
MAX_MANIFEST_BYTES = 8 << 20


class Place(Fact):
    """The journal line that holds the attempt."""

    id: Name
    revision: Ordinal
    seq: Ordinal
    sha256: Sha256


class Head(Fact):
    """The last line of the journal when the bundle was made."""

    seq: Ordinal
    at: Instant
    sha256: Sha256


class JournalState(Fact):
    """How many lines, and what is wrong with them."""

    lines: Count
    faults: tuple[str, ...]


class CutFacts(Fact):
    """How a clip was cut."""

    frames_before: Count  # cut off in front
    frames: Ordinal  # left
    begins_s: str = Field(pattern=r"^\d{1,18}(/\d{1,18})?$")  # of the whole clip, exact
    first_needed: Count
    last_needed: Count

    @property
    def begins(self) -> Fraction:
        """Stored time of the first frame left, s."""
        return Fraction(self.begins_s)


class ClipFacts(Fact):
    """The clip in the bundle."""

    member: Name
    recorded_as: FilePath
    sha256: Sha256  # of the whole clip, as recorded
    cut: CutFacts | None
    not_cut_because: str
    holds: tuple[str, ...]  # beside pictures


class FrameFacts(Fact):
    """One frame in the bundle."""

    member: Name
    overlay: Label  # empty where none could be drawn
    of: Literal["attempt", "stand"]
    frame: Count
    t_s: Number | None
    width: Ordinal
    height: Ordinal
    bit_depth: Ordinal = Field(ge=8, le=16)
    fingerprint: Sha256  # as the journal gives it
    roles: tuple[str, ...]


class FileFact(Fact):
    """One file of the bundle."""

    path: Name
    size: Count
    sha256: Sha256


class Manifest(Fact):
    """The whole manifest; ``files`` names every member but itself and the sums."""

    format: Literal["clipmark bundle 1"]
    attempt: Place
    head: Head
    journal: JournalState
    handed_over_by: Label
    note: Note
    clip: ClipFacts | None
    frames: tuple[FrameFacts, ...]
    traces: tuple[Name, ...]
    left_out: tuple[str, ...]
    software: dict[str, str]
    files: tuple[FileFact, ...] = ()

    def to_bytes(self) -> bytes:
        """The one form in which it is written."""
        return pretty(self.to_body())


def manifest_of(
    record: BundleRecord,
    *,
    by: str,
    note: str,
    clip: ClipFacts | None,
    frames: tuple[FrameFacts, ...],
    traces: tuple[str, ...],
    left_out: tuple[str, ...],
) -> Manifest:
    """A manifest without its list of files."""
    return as_model(
        Manifest,
        {
            "format": FORMAT,
            "attempt": record.place,
            "head": record.head,
            "journal": record.state,
            "handed_over_by": by,
            "note": note,
            "clip": clip,
            "frames": frames,
            "traces": traces,
            "left_out": left_out,
            "software": software_in_use(),
        },
        "the manifest of the bundle",
    )


def with_files(manifest: Manifest, digests: Mapping[str, Digest]) -> Manifest:
    """The manifest with every member listed."""
    files = tuple(
        FileFact(path=name, size=digests[name].size, sha256=digests[name].sha256)
        for name in sorted(digests)
    )
    return manifest.model_copy(update={"files": files})


def sums_of(digests: Mapping[str, Digest]) -> bytes:
    """The list that ``sha256sum -c`` reads: every member but the list itself."""
    rows = [f"{digests[name].sha256}  {name}\n" for name in sorted(digests) if name != SUMS]
    return "".join(rows).encode("ascii")


def read_manifest(data: bytes) -> Manifest:
    """Read a manifest; raises `AuditError` when it is not one that this version knows."""
    try:
        told = json.loads(data.decode("utf-8"))
    except (ValueError, RecursionError):
        raise AuditError(
            f"{MANIFEST} in the bundle cannot be read; it was changed, ask for the bundle anew"
        ) from None
    found = told.get("format") if isinstance(told, dict) else None
    if found != FORMAT:
        raise AuditError(
            f"the form of this bundle ({str(found)[:40]}) is not known to this version; check it "
            "with the version of clipmark that made it"
        )
    try:
        return as_model(Manifest, told, MANIFEST)
    except (RecordError, RecursionError) as error:
        raise AuditError(
            f"{MANIFEST} in the bundle does not say what it must ({error}); ask for the bundle anew"
        ) from None


def software_in_use() -> dict[str, str]:
    """Versions of what the bundle was made with, or is checked with."""
    libraries = {
        f"ffmpeg {name}": ".".join(str(part) for part in version)
        for name, version in av.library_versions.items()
        if name in ("libavcodec", "libavformat", "libswscale")
    }
    return {
        "clipmark": __version__,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "opencv": cv2.__version__,
        "pandas": pd.__version__,
        "av": av.__version__,
        **libraries,
    }
