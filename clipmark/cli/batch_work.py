"""What a process or a worker of a cluster does for one task of a batch."""

from __future__ import annotations

import contextlib
import hashlib
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from clipmark.batch_cluster import versions_differ
from clipmark.batch_pool import answer_last
from clipmark.cli.app import REFUSED
from clipmark.cli.batch_call import OUTPUTS, Called, call_verb
from clipmark.cli.batch_evidence import EVIDENCE, make_evidence
from clipmark.cli.hang_watch import ended_if_hung
from clipmark.cli.show import aside
from clipmark.record import disk
from clipmark.record.readings import versions_in_use

WORK = "clipmark.cli.batch_work:work"
FOLDERS = ("folder", "into", "rules")  # parameters that name an event folder


@dataclass(frozen=True)
class SentFile:
    """A file whose content is sent along.

    Attributes
    ----------
    parameter : str
        That names it, or the folder it lies in.
    inside : str
        Its path inside that folder; its bare name when the parameter names the file itself.
    sha256 : str
        Of its content.
    """

    parameter: str
    inside: str
    sha256: str


@dataclass(frozen=True)
class Job:
    """One task, fit for being done elsewhere.

    Attributes
    ----------
    verb : str
    arguments : tuple of str
        As typed after the verb.
    paths : mapping of str to str
        Files and folders by parameter, whole paths.
    hashes : mapping of str to str
        SHA-256 of those files by parameter, for a machine that sees them in a shared folder.
    versions : mapping of str to str
        Of the software that asks; a cluster's worker must have the same. Empty on this machine.
    sent : tuple of SentFile
        Files whose contents go along, in this order.
    """

    verb: str
    arguments: tuple[str, ...]
    paths: Mapping[str, str]
    hashes: Mapping[str, str] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)
    sent: tuple[SentFile, ...] = ()


@dataclass(frozen=True)
class Outcome:
    """How one task ended.

    Attributes
    ----------
    called : Called
    took_s : float
    files : mapping of str to bytes
        Contents of files that it wrote, by parameter or path inside the event folder, where they
        could not be written in place.
    """

    called: Called
    took_s: float
    files: Mapping[str, bytes] = field(default_factory=dict)


def work(job: Job, contents: Sequence[bytes] = ()) -> Outcome:
    """Do one task in this process."""
    begun = time.monotonic()
    before, aside.quiet = aside.quiet, True  # notes are in the result; the screen is not ours
    try:
        with ended_if_hung(f"clipmark {job.verb}", REFUSED, _hung):
            called, files = _done(job, contents)
    finally:
        aside.quiet = before
    return Outcome(called, time.monotonic() - begun, files)


def _done(job: Job, contents: Sequence[bytes]) -> tuple[Called, dict[str, bytes]]:
    refused = _wrong_place(job) if job.versions else ""
    if refused:
        return Called(REFUSED, refused), {}
    if not job.sent:
        return _call(job), {}
    with _unpacked(job, contents) as (there, folder):
        called = _call(there)
        return called, _written(there, folder, {item.inside for item in job.sent})


def _call(job: Job) -> Called:
    if job.verb == EVIDENCE:
        return make_evidence(Path(job.paths["folder"]), job.arguments[1])
    return call_verb(job.verb, job.arguments, job.paths)


def _hung(sentence: str) -> None:
    answer_last(Outcome(Called(REFUSED, sentence), 0.0))


def _wrong_place(job: Job) -> str:
    """Why this worker cannot do the job, as a sentence; empty when it can."""
    difference = versions_differ(job.versions, versions_in_use())
    if difference:
        return f"the worker has {difference}"
    if job.sent:
        return ""
    for parameter, sha256 in job.hashes.items():
        path = Path(job.paths[parameter])
        try:
            found = disk.file_sha256(path)
        except OSError:
            return (
                f"the worker does not see {path}; put it into a folder that every machine sees "
                "under the same path, or send the clips (--send)"
            )
        if found != sha256:
            return (
                f"the worker sees another file as {path} (SHA-256 {found[:16]}..., here "
                f"{sha256[:16]}...); share one folder, or send the clips (--send)"
            )
    return ""


@contextlib.contextmanager
def _unpacked(job: Job, contents: Sequence[bytes]) -> Iterator[tuple[Job, Path]]:
    """The job with what was sent laid into a folder of its own, which is removed afterwards."""
    with tempfile.TemporaryDirectory(prefix="clipmark-batch-") as name:
        folder = Path(name)
        paths = dict(job.paths)
        for item, content in zip(job.sent, contents, strict=True):
            place = folder / item.parameter / item.inside
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)
            if hashlib.sha256(content).hexdigest() != item.sha256:
                raise OSError(f"{item.inside} did not arrive as it was sent")
            whole = item.parameter in FOLDERS
            paths[item.parameter] = str(folder / item.parameter if whole else place)
        for parameter in OUTPUTS & set(paths):
            paths[parameter] = str(folder / f"{parameter}-{Path(paths[parameter]).name}")
        yield replace(job, paths=paths), folder


def _written(job: Job, folder: Path, sent: set[str]) -> dict[str, bytes]:
    """What the task wrote in that folder: files named by parameters, evidence of an event."""
    found = {}
    for parameter in OUTPUTS & set(job.paths):
        with contextlib.suppress(OSError):
            found[parameter] = Path(job.paths[parameter]).read_bytes()
    event = folder / "folder"
    for place in (event / "evidence").rglob("*"):
        inside = place.relative_to(event).as_posix()
        if place.is_file() and inside not in sent:
            found[inside] = place.read_bytes()
    return found
