"""What can be told of a bundle without decoding its clip: is every byte what it should be?

Quick, and everything in memory or streamed: nothing of the bundle touches the disk here. Each stage
says in a sentence what it confirms or what it found.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from clipmark import __version__
from clipmark.audit.bundle_frames import MAX_PNG_BYTES, from_png
from clipmark.audit.bundle_manifest import MAX_MANIFEST_BYTES, Manifest, read_manifest, sums_of
from clipmark.audit.bundle_page import page_of
from clipmark.audit.bundle_record import (
    JOURNAL,
    MANIFEST,
    PAGE,
    SUMS,
    BundleRecord,
    contradicting,
    read_record,
)
from clipmark.audit.bundle_stage import Stage, stage_of
from clipmark.audit.bundle_zip import (
    Bytes,
    Container,
    Digest,
    FileBytes,
    HeldBytes,
    open_container,
)
from clipmark.errors import AuditError, ClipmarkError
from clipmark.record import disk
from clipmark.record.chain import read_chain
from clipmark.record.readings import FOLLOWED
from clipmark.record.texts import plain

MAX_JOURNAL_BYTES = 1 << 30
MAX_TEXT_BYTES = 256 << 20


@dataclass(frozen=True)
class Integrity:
    """Whether a bundle is whole, as far as can be told without decoding.

    Attributes
    ----------
    stages : tuple of Stage
    manifest : Manifest or None
        None where checking stopped before it was read.
    record : BundleRecord or None
        None where the journal cannot be read.
    """

    stages: tuple[Stage, ...]
    manifest: Manifest | None
    record: BundleRecord | None

    @property
    def failed(self) -> tuple[Stage, ...]:
        """Stages that found something changed."""
        return tuple(stage for stage in self.stages if stage.outcome == "failed")

    @property
    def untouched(self) -> bool:
        """Whether every byte is as clipmark wrote it, as far as was checked."""
        return all(stage.outcome in ("confirmed", "not checked") for stage in self.stages)


@contextlib.contextmanager
def opened(source: Path | bytes | bytearray) -> Iterator[Container]:
    """Open a bundle from a file or from memory.

    Raises
    ------
    FolderError
        When the file cannot be read.
    AuditError
        When it is no bundle.
    """
    if not isinstance(source, Path):
        yield open_container(HeldBytes(source))
        return
    try:
        with source.open("rb") as file:
            held: Bytes = FileBytes(file)
            yield open_container(held)
    except OSError as error:
        if isinstance(error, ClipmarkError):
            raise
        raise disk.explain(error, "read the bundle", source) from error


def integrity_of(source: Path | bytes | bytearray, *, stop_at_first: bool = False) -> Integrity:
    """Check everything that needs no decoding of the clip.

    Parameters
    ----------
    source : Path or bytes
    stop_at_first : bool
        Leave the rest as soon as one stage found something.

    Raises
    ------
    AuditError
        When it is no bundle, or one of a form that this version does not know.
    FolderError
        When it cannot be read.
    """
    with opened(source) as container:
        return check_integrity(container, stop_at_first=stop_at_first)


def check_integrity(container: Container, *, stop_at_first: bool = False) -> Integrity:
    """`integrity_of`, of an opened bundle."""
    for name in (MANIFEST, JOURNAL):
        if name not in container.members:
            raise AuditError(
                f"this ZIP file holds no {name}, so it is no bundle of clipmark; give the file "
                "that `clipmark audit bundle` wrote"
            )
    stages = [_container_stage(container)]
    if stop_at_first and stages[0].outcome == "failed":
        return Integrity(tuple(stages), None, None)
    digests = {name: container.digest(name) for name in container.members}
    manifest_bytes = container.read(MANIFEST, MAX_MANIFEST_BYTES)
    manifest = read_manifest(manifest_bytes)
    record: BundleRecord | None = None

    def more() -> bool:
        clean = all(stage.outcome in ("confirmed", "not checked") for stage in stages)
        return clean or not stop_at_first

    if more():
        stages.append(_files_stage(container, manifest, manifest_bytes, digests))
    if more():
        stage, record = _journal_stage(container, manifest)
        stages.append(stage)
    if record is not None:
        for check in (_record_stage, _clip_stage, _frames_stage, _page_stage):
            if more():
                stages.append(check(container, manifest, record, digests))
    return Integrity(tuple(stages), manifest, record)


def _container_stage(container: Container) -> Stage:
    """The sums of the ZIP form itself, which are quick, and the bytes between the files."""
    wrong = [
        f"{name} was changed after it was packed"
        for name, member in sorted(container.members.items())
        if container.crc32(name) != member.crc32
    ]
    if not wrong and not container.is_canonical():
        return Stage(
            "container",
            "repacked",
            "The file was packed again, or its list of files was touched, since clipmark wrote it; "
            "what the files hold is judged below.",
        )
    return stage_of(
        "container",
        wrong,
        f"The container is as clipmark writes it: {len(container.members)} files, none of which "
        "could reach out of its folder or grow on unpacking.",
        "The container does not fit its own sums",
    )


def _files_stage(
    container: Container, manifest: Manifest, manifest_bytes: bytes, digests: Mapping[str, Digest]
) -> Stage:
    listed = {item.path: item for item in manifest.files}
    found = []
    if len(listed) != len(manifest.files):
        found.append(f"{MANIFEST} lists a file twice")
    held = set(digests) - {MANIFEST, SUMS}
    for name in sorted(held | set(listed)):
        if name not in listed:
            found.append(f"{name} was added")
        elif name not in held:
            found.append(f"{name} is missing")
        elif (listed[name].size, listed[name].sha256) != (digests[name].size, digests[name].sha256):
            found.append(f"{name} was changed")
    if manifest.to_bytes() != manifest_bytes:
        found.append(f"{MANIFEST} is not in the form in which clipmark writes it")
    if SUMS not in digests:
        found.append(f"{SUMS} is missing")
    elif container.read(SUMS, MAX_MANIFEST_BYTES) != sums_of(digests):
        found.append(f"{SUMS} was changed, or does not fit the files")
    return stage_of(
        "files",
        found,
        f"Every file is the one that the manifest lists, by size and SHA-256 "
        f"({len(listed)} files).",
        "The files are not those that the manifest lists",
    )


def _journal_stage(container: Container, manifest: Manifest) -> tuple[Stage, BundleRecord | None]:
    bad = "The journal in the bundle is not whole"
    data = container.read(JOURNAL, MAX_JOURNAL_BYTES)
    try:
        record = read_record(data, manifest.attempt.id)
    except (ClipmarkError, RecursionError) as error:
        chain, _ = read_chain(data)
        faults = [f"journal {fault}" for fault in chain.faults]
        return stage_of("journal", [*faults, str(error).rstrip(".")], "", bad), None
    found = [f"journal {fault}" for fault in record.chain.faults]
    if len(record.members[JOURNAL]) != len(data):
        found.append("its last line is torn")
    if plain(manifest.head) != record.head:
        found.append("the manifest names another last line")
    if manifest.journal.lines != record.chain.lines:
        found.append(
            f"the manifest says {manifest.journal.lines} lines, but there are {record.chain.lines}"
        )
    if list(manifest.journal.faults) != record.state["faults"]:
        found.append("the manifest tells other faults of it")
    good = (
        f"The journal is whole: {record.chain.lines} lines, each made before the one after it; "
        f"head {record.head['sha256']}."
    )
    return stage_of("journal", found, good, bad), record


def _record_stage(
    container: Container,
    manifest: Manifest,
    record: BundleRecord,
    digests: Mapping[str, Digest],
) -> Stage:
    """Everything that is drawn from the journal, drawn anew and compared."""
    found = []
    if plain(manifest.attempt) != record.place:
        found.append("the manifest names another line for the attempt")
    if not record.entry.trusted:
        found.append("the attempt stands at or behind a fault of the journal")
    for name, data in sorted(record.members.items()):
        if name not in digests:
            found.append(f"{name} is missing")
        elif container.read(name, MAX_JOURNAL_BYTES) != data:
            found.append(f"{name} does not say what the journal says")
    found += _unexplained(manifest, record, digests)
    found += [
        f"two readings give different fingerprints of frame {ordinal}"
        for ordinal in contradicting(record.attempt)
    ]
    return stage_of(
        "record",
        found,
        f"Attempt {record.entry.id}, revision {record.entry.revision}, stands in line "
        f"{record.entry.seq} of the journal, and marks, readings, budget, lens, stand, rules, "
        "session and rulings say what the journal says.",
        "Files of the record do not fit the journal",
    )


def _unexplained(
    manifest: Manifest, record: BundleRecord, digests: Mapping[str, Digest]
) -> list[str]:
    """Members that nothing in record and manifest asks for, and pictures nobody named."""
    wanted = {MANIFEST, SUMS, PAGE, *record.members}
    named = {(frame.of, frame.ordinal): frame for frame in record.frames}
    found = []
    for told in manifest.frames:
        frame = named.get((told.of, told.frame))
        if frame is None:
            found.append(f"{told.member}: the journal names no such frame")
            continue
        expected = (frame.member, frame.fingerprint, frame.roles)
        if (told.member, told.fingerprint, told.roles) != expected or told.overlay not in (
            "",
            frame.overlay,
        ):
            found.append(f"{told.member}: the journal says otherwise of this frame")
        wanted |= {told.member, told.overlay}
    if len({told.member for told in manifest.frames}) != len(manifest.frames):
        found.append("the manifest tells of a frame twice")
    followed = {
        f"trace/{reading.measure}-{place}.csv"
        for place, reading in enumerate(record.attempt.readings, start=1)
        if reading.measure in FOLLOWED
    }
    found += [
        f"{name}: no such reading in the journal"
        for name in manifest.traces
        if name not in followed
    ]
    wanted |= set(manifest.traces)
    if manifest.clip is not None:
        wanted.add(manifest.clip.member)
        clip = record.attempt.clip
        if clip is None or (clip.path, clip.sha256) != (
            manifest.clip.recorded_as,
            manifest.clip.sha256,
        ):
            found.append("the manifest names another clip than the journal")
    found += [f"{name} belongs to nothing" for name in sorted(set(digests) - wanted)]
    return found + [f"{name} is missing" for name in sorted(wanted - set(digests) - {""})]


def _clip_stage(
    container: Container,
    manifest: Manifest,
    record: BundleRecord,
    digests: Mapping[str, Digest],
) -> Stage:
    clip, wanted = manifest.clip, record.attempt.clip
    if clip is None:
        what = "The bundle was made without the clip" if wanted else "The attempt has no clip"
        return Stage("clip", "not checked", f"{what}; readings cannot be repeated from it.")
    if clip.cut is not None:
        return Stage(
            "clip",
            "not checked",
            f"The clip is a cut of {clip.recorded_as} ({clip.cut.frames} frames, "
            f"{clip.cut.frames_before} before them left out), so its hash is not the recorded one; "
            "its frames are compared instead.",
        )
    found = []
    if clip.member not in digests or wanted is None:
        found.append(f"{clip.member} is missing")
    elif digests[clip.member].sha256 != wanted.sha256:
        found.append(f"{clip.member} is not the clip that was recorded (SHA-256 {wanted.sha256})")
    return stage_of(
        "clip",
        found,
        f"The clip is byte for byte the one that was recorded ({clip.sha256}).",
        "The clip was changed",
    )


def _frames_stage(
    container: Container,
    manifest: Manifest,
    record: BundleRecord,
    digests: Mapping[str, Digest],
) -> Stage:
    if not manifest.frames:
        return Stage("frames", "not checked", "The bundle holds no pictures.")
    found = []
    for told in manifest.frames:
        if told.member not in digests:
            found.append(f"{told.member} is missing")
            continue
        try:
            data = container.read(told.member, MAX_PNG_BYTES)
            picture = from_png(data, told.bit_depth, told.member)
        except AuditError as error:
            found.append(str(error))
            continue
        if picture.fingerprint != told.fingerprint:
            found.append(f"{told.member} is not the picture that was measured on")
        elif picture.luma.shape != (told.height, told.width):
            found.append(f"{told.member} has another size than the manifest says")
    count = len(manifest.frames)
    pictures = "The picture shows" if count == 1 else f"All {count} pictures show"
    return stage_of(
        "frames",
        found,
        f"{pictures} what was measured on, by the fingerprints in the journal.",
        "Pictures are not those that were measured on",
    )


def _page_stage(
    container: Container,
    manifest: Manifest,
    record: BundleRecord,
    digests: Mapping[str, Digest],
) -> Stage:
    made_with = manifest.software.get("clipmark")
    if made_with != __version__:
        return Stage(
            "page",
            "not checked",
            f"The page was written by clipmark {made_with}, so it is not written anew here; it is "
            "the file that the manifest lists.",
        )
    found = []
    try:
        if PAGE not in digests or container.read(PAGE, MAX_TEXT_BYTES) != page_of(record, manifest):
            found.append(PAGE)
    except ClipmarkError as error:
        found.append(str(error))
    return stage_of(
        "page",
        found,
        "The page to read first says what record and manifest say.",
        "The page to read first says something else than record and manifest",
    )
