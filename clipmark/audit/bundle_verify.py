"""A bundle checked on another machine, from its own file alone.

First everything that needs no decoding (`clipmark.audit.bundle_checks`), then the clip is decoded
here, the readings are repeated, and what was published or signed is compared. The clip is put into
a private temporary folder for that and removed afterwards; nothing else of a bundle is unpacked.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import pandas as pd

from clipmark.audit.bundle_checks import Integrity, check_integrity, opened
from clipmark.audit.bundle_manifest import Manifest, software_in_use
from clipmark.audit.bundle_record import BundleRecord
from clipmark.audit.bundle_stage import Stage
from clipmark.audit.bundle_trace import trace_stage
from clipmark.audit.bundle_zip import Container
from clipmark.audit.repeat import true_fps_of
from clipmark.audit.replay import ReadingReplay, replay_readings
from clipmark.audit.signature import SUFFIX, read_public_key, read_signature
from clipmark.clip import open_clip
from clipmark.errors import AuditError, ClipmarkError
from clipmark.record import disk
from clipmark.record.texts import plain

Progress = Callable[[int, int], None]
_DIGITS = re.compile(r"[0-9a-f]{12,64}")  # nobody hits twelve by chance


@dataclass(frozen=True)
class BundleCheck:
    """What was found of a bundle.

    Attributes
    ----------
    path : Path
    sha256 : str
        Of the whole file.
    stages : tuple of Stage
        In order.
    replays : tuple of ReadingReplay
        Every reading, repeated; empty without a clip.
    manifest : Manifest
    cannot_tell : tuple of str
        What no bundle can show, or this one does not.
    """

    path: Path
    sha256: str
    stages: tuple[Stage, ...]
    replays: tuple[ReadingReplay, ...]
    manifest: Manifest
    cannot_tell: tuple[str, ...]

    @property
    def whole(self) -> bool:
        """Whether no stage found anything changed; a file packed again may still be whole."""
        return all(stage.outcome != "failed" for stage in self.stages)

    @property
    def repacked(self) -> bool:
        """Whether the container is not byte for byte as clipmark wrote it."""
        return any(stage.outcome == "repacked" for stage in self.stages)

    @property
    def sentence(self) -> str:
        """The outcome in one sentence."""
        which = f"attempt {self.manifest.attempt.id}, revision {self.manifest.attempt.revision}"
        failed = [stage.name for stage in self.stages if stage.outcome == "failed"]
        if failed:
            return f"The bundle of {which} is NOT confirmed: see {', '.join(failed)}."
        if self.repacked:
            return f"The bundle of {which} was repacked: contents unchanged."
        return f"The bundle of {which} is confirmed: nothing in it was changed."

    def to_dict(self) -> dict[str, object]:
        """As plain data."""
        return {
            "bundle": str(self.path),
            "sha256": self.sha256,
            "whole": self.whole,
            "repacked": self.repacked,
            "sentence": self.sentence,
            "attempt": self.manifest.attempt.to_body(),
            "head": self.manifest.head.to_body(),
            "stages": [stage.to_dict() for stage in self.stages],
            "readings": [replay.to_dict() for replay in self.replays],
            "cannot_tell": list(self.cannot_tell),
            "software": {"then": self.manifest.software, "now": software_in_use()},
        }


def verify_bundle(
    path: Path | str,
    *,
    public_key: Path | None = None,
    head: str | None = None,
    progress: Progress | None = None,
) -> BundleCheck:
    """Check a bundle in every way that is open.

    Parameters
    ----------
    path : Path or str
        The bundle; its signature is looked for beside it (``.sig``).
    public_key : Path, optional
        PEM file of the key that should have signed it, known from elsewhere.
    head : str, optional
        A head hash that was published earlier, 12 to 64 hexadecimal digits.
    progress : callable, optional
        Called with frames done and frames in all, of a crawl.

    Raises
    ------
    AuditError
        When it is no bundle, or one of a form that this version does not know, or `head` or
        `public_key` cannot be used.
    FolderError
        When something cannot be read, or the temporary folder cannot be written.
    """
    path = Path(path)
    wanted = None if head is None else _head_digits(head)
    key = None if public_key is None else read_public_key(public_key)
    replays: list[ReadingReplay] = []
    with opened(path) as container:
        integrity = check_integrity(container)
        manifest = integrity.manifest
        assert manifest is not None, "nothing was left out"
        stages = list(integrity.stages)
        if integrity.record is not None:
            more, replays = _decoded(container, integrity, manifest, integrity.record, progress)
            stages += more
    sha256 = disk.file_sha256(path)
    signature = _signature_stage(path, sha256, manifest, key)
    published = _head_stage(integrity.record, wanted)
    stages += [signature, published]
    vouched = "confirmed" in (signature.outcome, published.outcome)
    return BundleCheck(path, sha256, tuple(stages), tuple(replays), manifest, _cannot_tell(vouched))


def _head_digits(head: str) -> str:
    digits = head.strip().lower()
    if not _DIGITS.fullmatch(digits):
        raise AuditError(
            f"the head hash '{head[:80]}' cannot be used; give 12 to 64 of the digits 0-9 and a-f "
            "as they were published (--head)"
        )
    return digits


def _decoded(
    container: Container,
    integrity: Integrity,
    manifest: Manifest,
    record: BundleRecord,
    progress: Progress | None,
) -> tuple[list[Stage], list[ReadingReplay]]:
    """Stages that need the clip decoded."""
    clip = manifest.clip
    changed = any(stage.name == "clip" and stage.outcome == "failed" for stage in integrity.stages)
    if clip is None or clip.member not in container.members:
        why = "there is no clip in the bundle"
    elif changed:
        why = "the clip is not the one that was recorded, so it is not opened"
    else:
        with tempfile.TemporaryDirectory(prefix="clipmark-verify-") as work:
            place = Path(work) / f"clip{PurePosixPath(clip.member).suffix}"
            try:
                with place.open("xb") as sink:
                    for chunk in container.chunks(clip.member):
                        sink.write(chunk)
            except OSError as error:
                raise disk.explain(error, "put the clip for decoding", place) from error
            return _from_clip(container, place, manifest, record, progress)
    return [
        Stage("decoded", "not checked", f"No frame was decoded here: {why}."),
        Stage("readings", "not checked", f"No reading was repeated: {why}."),
    ], []


def _from_clip(
    container: Container,
    place: Path,
    manifest: Manifest,
    record: BundleRecord,
    progress: Progress | None,
) -> tuple[list[Stage], list[ReadingReplay]]:
    assert manifest.clip is not None, "there is a clip file"
    cut = manifest.clip.cut
    shift = 0 if cut is None else cut.frames_before
    stages = [_decoded_stage(place, manifest, record, shift)]
    tables: dict[int, pd.DataFrame] = {}
    replays = replay_readings(
        record.attempt,
        place,
        shift=shift,
        progress=progress,
        traced=lambda number, table: tables.update({number + 1: table}),
    )
    stages.append(_readings_stage(replays))
    if manifest.traces:
        stages.append(trace_stage(container, place.parent, manifest, tables, shift))
    return stages, replays


def _decoded_stage(place: Path, manifest: Manifest, record: BundleRecord, shift: int) -> Stage:
    """Whether the frames decode here to the pictures that the journal names."""
    readings = record.attempt.readings
    cut = manifest.clip.cut if manifest.clip else None
    found, count = [], 0
    try:
        rate = true_fps_of(record.attempt, readings[0]) if readings else None
        with open_clip(place, true_fps=rate) as clip:
            if cut is not None and clip.frame_count != cut.frames:
                found.append(f"the cut clip has {clip.frame_count} frames, not {cut.frames}")
            for frame in record.frames:
                if frame.of != "attempt":
                    continue
                count += 1
                now = clip.frame(frame.ordinal - shift, allow_damaged=True).fingerprint
                if now != frame.fingerprint:
                    found.append(f"frame {frame.ordinal} decodes to another picture")
    except ClipmarkError as error:
        found.append(str(error).rstrip("."))
    if found:
        return Stage(
            "decoded",
            "failed",
            f"The clip does not show what was measured on: {'; '.join(found)}.",
            tuple(found),
        )
    if not count:
        return Stage("decoded", "not checked", "No reading names a frame of the clip.")
    frames = "1 frame" if count == 1 else f"{count} frames"
    return Stage(
        "decoded",
        "confirmed",
        f"{frames} decoded here from the clip in the bundle: the same pictures, value for value.",
    )


def _readings_stage(replays: list[ReadingReplay]) -> Stage:
    if not replays:
        return Stage("readings", "not checked", "The attempt has no reading to repeat.")
    sentences = tuple(replay.sentence for replay in replays)
    good = all(replay.agrees for replay in replays)
    return Stage("readings", "confirmed" if good else "failed", " ".join(sentences), sentences)


def _signature_stage(path: Path, sha256: str, manifest: Manifest, key: bytes | None) -> Stage:
    place = path.with_name(path.name + SUFFIX)
    if not place.is_file():
        if key is None:
            return Stage("signature", "not checked", "The bundle is not signed.")
        return Stage(
            "signature",
            "failed",
            f"There is no signature beside the bundle ({place.name}), so the key vouches for "
            "nothing.",
        )
    try:
        signed = read_signature(place)
    except AuditError as error:
        return Stage("signature", "not checked" if key is None else "failed", str(error))
    found = []
    if not signed.holds:
        found.append("it does not fit what it says it signs")
    if key is not None and signed.public_key != key:
        found.append(f"it was made with another key (fingerprint {signed.key_print})")
    if signed.statement.get("bundle_sha256") != sha256:
        found.append("it is of another bundle, or this one was changed since")
    elif signed.statement.get("head") != plain(manifest.head) or signed.statement.get(
        "attempt"
    ) != plain(manifest.attempt):
        found.append("it names another attempt or another state of the journal")
    if found:
        return Stage(
            "signature", "failed", f"The signature does not hold: {'; '.join(found)}.", tuple(found)
        )
    if key is None:
        return Stage(
            "signature",
            "not checked",
            f"The bundle is signed with the key of fingerprint {signed.key_print}; whose key that "
            "is must be known from elsewhere (--public-key).",
        )
    return Stage(
        "signature",
        "confirmed",
        "The signature holds: whoever has the key of the given public key signed exactly this "
        f"bundle (fingerprint {signed.key_print}).",
    )


def _head_stage(record: BundleRecord | None, wanted: str | None) -> Stage:
    if wanted is None:
        return Stage("head", "not checked", "No head hash that was published earlier was given.")
    if record is None:
        return Stage("head", "failed", "The journal cannot be read, so the head is not in it.")
    found = next((e for e in record.chain.entries if e.sha256.startswith(wanted)), None)
    if found is None:
        return Stage(
            "head",
            "failed",
            "The head hash is not one of the journal's lines: the journal was written anew since, "
            "or the hash is of another event, or younger than this bundle.",
        )
    if not found.trusted:
        return Stage("head", "failed", f"The head hash is line {found.line}, behind a fault.")
    covers = (
        "the attempt's line among them"
        if record.entry.line <= found.line
        else f"but the attempt stands in line {record.entry.line}, which was saved later"
    )
    return Stage(
        "head",
        "confirmed" if record.entry.line <= found.line else "not checked",
        f"The head hash is line {found.line}: nothing up to there was changed since it was "
        f"published, {covers}.",
    )


def _cannot_tell(vouched: bool) -> tuple[str, ...]:
    first = (
        "That nothing was changed before the head hash was published or the bundle was signed."
        if vouched
        else "That the journal was not written anew, with all its hashes, before it was handed "
        "over: only a head hash that was published earlier (--head) or a signature (--public-key) "
        "shows that."
    )
    return (
        first,
        "That the clip shows what is said of it: which truck, which day, nothing staged or moved.",
        "That the marks lie where they should; look at the drawings in overlays/, or have the "
        "attempt marked again blind.",
    )
