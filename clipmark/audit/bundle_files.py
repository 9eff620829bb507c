"""What goes into a bundle: clip, frames, drawings, traces, beside the record."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from clipmark.audit.bundle_cut import NotCutError, cut_clip, file_facts
from clipmark.audit.bundle_frames import stored_frame, to_png
from clipmark.audit.bundle_manifest import ClipFacts, CutFacts, FrameFacts
from clipmark.audit.bundle_overlay import draw_frame
from clipmark.audit.bundle_record import BundleRecord, NamedFrame, clip_member, contradicting
from clipmark.audit.repeat import repeat_traced, true_fps_of
from clipmark.audit.replay import replay_readings
from clipmark.clip import Clip, open_clip
from clipmark.errors import AuditError, ClipmarkError, FolderError
from clipmark.measure.crawl_table import write_table
from clipmark.record import disk
from clipmark.record.clips import find_clip
from clipmark.record.readings import FOLLOWED

Progress = Callable[[int, int], None]
KeptTrace = Callable[[Path, str, Mapping[str, object], str], Path]


@dataclass
class Gathered:
    """Everything of a bundle that is not drawn from the journal alone.

    Attributes
    ----------
    contents : dict
        Bytes, or the path of a file, by member name.
    clip : ClipFacts or None
    frames : list of FrameFacts
    traces : list of str
    left_out : list of str
        What is not in the bundle and why, for its page.
    warnings : list of str
        What whoever makes the bundle must know.
    """

    contents: dict[str, bytes | Path] = field(default_factory=dict)
    clip: ClipFacts | None = None
    frames: list[FrameFacts] = field(default_factory=list)
    traces: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def gather(
    event: Path,
    record: BundleRecord,
    work: Path,
    *,
    cut: bool = False,
    without_clip: bool = False,
    kept_trace: KeptTrace | None = None,
    progress: Progress | None = None,
) -> Gathered:
    """Collect clip, frames, drawings and traces.

    Parameters
    ----------
    event : Path
        The event folder; only read.
    record : BundleRecord
    work : Path
        A private folder for files that are made on the way.
    cut : bool
        Take only the span that the readings need, where that can be done without loss.
    without_clip : bool
        Leave clip and frames out.
    kept_trace : callable, optional
        Where the trace of a crawl would lie, given event, attempt and result.
    progress : callable, optional
        Called with frames done and frames in all.

    Raises
    ------
    AuditError
        When the clip is not there.
    """
    found = Gathered()
    path = _whole_clip(event, record, found, without_clip)
    if path is not None:
        _add_clip(record, path, work, cut, found, progress)
        _add_frames(record, path, found)
        _add_traces(event, record, path, work, kept_trace, found, progress)
        _add_stand(event, record, found)
    elif record.frames:
        found.left_out.append("the frames that the readings name, since the clip is not here")
    for further in record.attempt.further_clips:
        found.left_out.append(
            f"a further clip of the attempt, {further.clip.path} (SHA-256 {further.clip.sha256})"
        )
    return found


def _whole_clip(
    event: Path, record: BundleRecord, found: Gathered, without_clip: bool
) -> Path | None:
    wanted = record.attempt.clip
    if wanted is None:
        found.left_out.append("a clip: the attempt has none")
        return None
    if without_clip:
        found.left_out.append(f"the clip {wanted.path} (SHA-256 {wanted.sha256})")
        found.warnings.append(
            "the bundle is without its clip, so nobody can repeat the readings from it; hand the "
            "clip over some other way"
        )
        return None
    try:
        return find_clip(event, wanted, fresh=True)
    except FolderError as error:
        raise AuditError(f"{error}; or make the bundle without it (--without-clip)") from None


def _add_clip(
    record: BundleRecord,
    path: Path,
    work: Path,
    cut: bool,
    found: Gathered,
    progress: Progress | None,
) -> None:
    wanted = record.attempt.clip
    assert wanted is not None, "a clip was found, so the attempt names one"
    member, facts, reason = clip_member(wanted.path), None, ""
    packed = path
    if cut:
        try:
            done = cut_clip(path, record.attempt, work)
            _refuse_other_readings(record, done.path, done.shift, progress)
            member = f"{member.rpartition('.')[0] or member}-cut{done.path.suffix}"
            packed = done.path
            facts = CutFacts(
                frames_before=done.shift,
                frames=done.frames,
                begins_s=str(done.begins),
                first_needed=done.first,
                last_needed=done.last,
            )
        except NotCutError as error:
            reason = str(error)
            found.warnings.append(f"the clip was not cut but taken whole: {reason}")
    holds = () if facts else tuple(file_facts(path).words)
    if holds:
        found.warnings.append(
            f"the whole clip holds {', '.join(holds)}, and whoever gets the bundle gets that too"
            + ("" if cut else "; take only the span of the attempt to leave it out (--cut)")
        )
    found.contents[member] = packed
    found.clip = ClipFacts(
        member=member,
        recorded_as=wanted.path,
        sha256=wanted.sha256,
        cut=facts,
        not_cut_because=reason,
        holds=holds,
    )


def _refuse_other_readings(
    record: BundleRecord, path: Path, shift: int, progress: Progress | None
) -> None:
    """A cut is of use only when the readings come out of it as they were."""
    for replayed in replay_readings(record.attempt, path, shift=shift, progress=progress):
        if not replayed.agrees:
            raise NotCutError(
                "the readings do not come out of the cut as they were: "
                f"{replayed.sentence.rstrip('.')}"
            )


def _add_frames(record: BundleRecord, path: Path, found: Gathered) -> None:
    for ordinal in contradicting(record.attempt):
        found.warnings.append(f"two readings give different fingerprints of frame {ordinal}")
    named = [frame for frame in record.frames if frame.of == "attempt"]
    readings = record.attempt.readings
    rate = true_fps_of(record.attempt, readings[0]) if readings else None
    with open_clip(path, true_fps=rate) as clip:
        for frame in named:
            _add_frame(clip, frame, record, found)


def _add_stand(event: Path, record: BundleRecord, found: Gathered) -> None:
    """The reference picture of the stand, where its clip is still there."""
    named = [frame for frame in record.frames if frame.of == "stand"]
    if not named or record.stand is None:
        return
    wanted = record.stand.reference_clip
    try:
        if wanted is None:
            raise FolderError("the stand names no clip")
        with open_clip(find_clip(event, wanted)) as clip:
            _add_frame(clip, named[0], record, found)
    except ClipmarkError as error:
        found.left_out.append(f"the reference picture of the stand ({str(error).rstrip('.')})")


def _add_frame(clip: Clip, named: NamedFrame, record: BundleRecord, found: Gathered) -> None:
    try:
        frame = clip.frame(named.ordinal, allow_damaged=True)
    except ClipmarkError as error:
        found.left_out.append(f"{named.member} ({str(error).rstrip('.')})")
        found.warnings.append(f"frame {named.ordinal} is not in the bundle: {error}")
        return
    stored = stored_frame(frame, clip.upright_transform)
    if stored.fingerprint != named.fingerprint:
        found.warnings.append(
            f"frame {named.ordinal} does not decode to the picture that the journal names; the "
            "bundle shows it as it decodes here, and checking it will say so"
        )
    t_s = frame.time_s if clip.has_times else None
    found.contents[named.member] = to_png(stored)
    found.contents[named.overlay] = draw_frame(frame.bgr(), named, record, t_s)
    found.frames.append(
        FrameFacts(
            member=named.member,
            overlay=named.overlay,
            of="stand" if named.of == "stand" else "attempt",
            frame=named.ordinal,
            t_s=t_s,
            width=stored.luma.shape[1],
            height=stored.luma.shape[0],
            bit_depth=stored.bit_depth,
            fingerprint=named.fingerprint,
            roles=named.roles,
        )
    )


def _add_traces(
    event: Path,
    record: BundleRecord,
    path: Path,
    work: Path,
    kept_trace: KeptTrace | None,
    found: Gathered,
    progress: Progress | None,
) -> None:
    """Every trace: as it was kept beside the journal, or measured anew."""
    for place, reading in enumerate(record.attempt.readings, start=1):
        if reading.measure not in FOLLOWED:
            continue
        member, kept = f"trace/{reading.measure}-{place}.csv", None
        if kept_trace is not None:
            kept = kept_trace(event, record.entry.id, reading.result, reading.measure)
        if kept is not None and kept.is_file():
            try:
                found.contents[member] = kept.read_bytes()
            except OSError as error:
                raise disk.explain(error, "read the trace", kept) from error
            found.traces.append(member)
            continue
        try:
            with open_clip(path, true_fps=true_fps_of(record.attempt, reading)) as clip:
                _, table = repeat_traced(clip, record.attempt, reading, progress=progress)
            write_table(table, work / "trace.csv")
        except ClipmarkError as error:
            found.left_out.append(f"the trace of reading {place} ({str(error).rstrip('.')})")
            continue
        found.contents[member] = (work / "trace.csv").read_bytes()
        found.traces.append(member)
