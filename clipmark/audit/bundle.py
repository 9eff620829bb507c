"""A bundle of evidence for one attempt: one file that convinces whoever does not trust its maker.

The same event in the same state gives the same bytes. The event folder is only read.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

from clipmark.audit.bundle_checks import integrity_of
from clipmark.audit.bundle_files import Gathered, KeptTrace, Progress, gather
from clipmark.audit.bundle_manifest import Manifest, manifest_of, sums_of, with_files
from clipmark.audit.bundle_page import page_of
from clipmark.audit.bundle_record import MANIFEST, PAGE, SUMS, BundleRecord, read_record
from clipmark.audit.bundle_zip import content_chunks, digest_of, write_container
from clipmark.audit.signature import SUFFIX, read_private_key, signature_file, statement_of
from clipmark.errors import AuditError, FolderError
from clipmark.record import disk
from clipmark.record.layout import JOURNAL_NAME, refuse_no_event
from clipmark.record.texts import plain


@dataclass(frozen=True)
class BundleMade:
    """A bundle that was written and checked.

    Attributes
    ----------
    path, signature : Path
        The file, and its signature where one was asked for.
    sha256 : str
    size : int
        Bytes.
    manifest : Manifest
    warnings : tuple of str
        What whoever hands it over must know.
    """

    path: Path
    sha256: str
    size: int
    manifest: Manifest
    warnings: tuple[str, ...]
    signature: Path | None = None

    def to_dict(self) -> dict[str, object]:
        """As plain data."""
        return {
            "bundle": str(self.path),
            "sha256": self.sha256,
            "size": self.size,
            "signature": None if self.signature is None else str(self.signature),
            "attempt": self.manifest.attempt.to_body(),
            "head": self.manifest.head.to_body(),
            "clip": None if self.manifest.clip is None else self.manifest.clip.to_body(),
            "files": len(self.manifest.files),
            "left_out": list(self.manifest.left_out),
            "warnings": list(self.warnings),
        }


def make_bundle(
    event: Path | str,
    attempt: str,
    target: Path | str,
    *,
    cut: bool = False,
    without_clip: bool = False,
    by: str = "",
    note: str = "",
    sign_with: Path | None = None,
    kept_trace: KeptTrace | None = None,
    progress: Progress | None = None,
) -> BundleMade:
    """Write the bundle of an attempt's newest revision.

    Parameters
    ----------
    event : Path or str
        The event folder; only read. A journal with faults is taken as it is, and said so.
    attempt : str
        Its id.
    target : Path or str
        The file to write; it must not exist.
    cut : bool
        Take only the frames that the readings need, where no picture changes by it.
    without_clip : bool
        Leave clip and frames out.
    by, note : str
        Who hands it over, and what they want to say with it.
    sign_with : Path, optional
        Private key (PEM); writes ``target.sig`` too.
    kept_trace : callable, optional
        Where the trace of a crawl lies that was kept, such as `clipmark.evidence.trace_path`.
    progress : callable, optional
        Called with frames done and frames in all, of what is measured.

    Raises
    ------
    AuditError
        When the attempt or its clip is not there, or the bundle would be too large.
    FolderError
        When the file exists, or something cannot be read or written; nothing half-written stays.
    """
    if cut and without_clip:
        raise AuditError(
            "a cut of the clip (--cut) and no clip at all (--without-clip) were both asked for; "
            "keep the one you mean"
        )
    event, target = Path(event), Path(target)
    signature = target.with_name(target.name + SUFFIX)
    for place in (target, *([signature] if sign_with else [])):
        if os.path.lexists(place):
            raise _there_already(place)
    key = read_private_key(sign_with) if sign_with else None
    record = read_record(_journal_of(event), attempt)
    with tempfile.TemporaryDirectory(prefix="clipmark-bundle-") as work:
        gathered = gather(
            event,
            record,
            Path(work),
            cut=cut,
            without_clip=without_clip,
            kept_trace=kept_trace,
            progress=progress,
        )
        made = _write(record, gathered, by, note, target)
    if key is not None:
        told = made.manifest
        statement = statement_of(made.sha256, plain(told.head), plain(told.attempt))
        try:
            disk.create_file(signature, signature_file(key, statement))
        except FileExistsError:
            raise _there_already(signature) from None
        except OSError as error:
            raise disk.explain(error, "write the signature", signature) from error
        made = BundleMade(
            made.path, made.sha256, made.size, made.manifest, made.warnings, signature
        )
    return made


def _there_already(path: Path) -> FolderError:
    return FolderError(f"{path} is there already; a bundle replaces nothing, give a new name")


def _journal_of(event: Path) -> bytes:
    """The journal as it now is, without locking or touching anything."""
    refuse_no_event(event)
    path = event / JOURNAL_NAME
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise AuditError(
            f"{path} is not there yet: nothing was saved in this event, so there is nothing to "
            "hand over"
        ) from None
    except OSError as error:
        raise disk.explain(error, "read the journal", path) from error


def _write(
    record: BundleRecord, gathered: Gathered, by: str, note: str, target: Path
) -> BundleMade:
    """Put everything into the file, check it, and only then give it its name."""
    manifest = manifest_of(
        record,
        by=by,
        note=note,
        clip=gathered.clip,
        frames=tuple(gathered.frames),
        traces=tuple(gathered.traces),
        left_out=tuple(gathered.left_out),
    )
    contents: dict[str, bytes | Path] = {**record.members, **gathered.contents}
    contents[PAGE] = page_of(record, manifest)
    part = disk.temporary_beside(target)
    try:
        digests = {name: digest_of(content_chunks(item)) for name, item in contents.items()}
        manifest = with_files(manifest, digests)
        for name, data in ((MANIFEST, manifest.to_bytes()), (SUMS, None)):
            contents[name] = sums_of(digests) if data is None else data
            digests[name] = digest_of(content_chunks(contents[name]))
        _refuse_changed_clip(gathered, digests[gathered.clip.member].sha256
                             if gathered.clip else "")  # fmt: skip
        with part.open("xb") as sink:
            write_container(sink.write, contents, digests)
            sink.flush()
            os.fsync(sink.fileno())
        integrity = integrity_of(part)
        sha256, size = disk.file_sha256(part), part.stat().st_size
        disk.publish_new(part, target)
    except FileExistsError:
        raise _there_already(target) from None
    except OSError as error:
        if isinstance(error, FolderError):
            raise
        raise disk.explain(error, "write the bundle", target) from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink()
    warnings = [*gathered.warnings]
    if manifest.journal.faults:
        warnings.insert(0, "THE JOURNAL HAS A FAULT, and the bundle shows it to everybody: "
                        + "; ".join(manifest.journal.faults))  # fmt: skip
    warnings += [stage.sentence for stage in integrity.failed if stage.name != "journal"]
    return BundleMade(target, sha256, size, manifest, tuple(warnings))


def _refuse_changed_clip(gathered: Gathered, sha256: str) -> None:
    clip = gathered.clip
    if clip is not None and clip.cut is None and clip.sha256 != sha256:
        raise AuditError(
            f"{clip.recorded_as}: the clip changed while it was read; wait until it is complete "
            "and repeat"
        )
