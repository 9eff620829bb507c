"""Whether a journal is whole: read anew from the disk, line by line, with all it refers to.

A check finds, it does not judge: what a finding means for a result is people's to say.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from clipmark.audit.journal_bodies import body_findings
from clipmark.audit.journal_files import clip_findings, copy_findings, table_findings
from clipmark.audit.journal_finding import JournalFinding
from clipmark.audit.journal_parts import Parting, part
from clipmark.audit.journal_source import JournalSource, read_source
from clipmark.errors import AuditError
from clipmark.record.chain import Chain, read_chain

Progress = Callable[[int, int], None]
_SHORTEST_HEAD = 12  # digits of a hash that nobody hits by chance
HeadState = Literal["found", "not found", "behind a fault"]


@dataclass(frozen=True)
class JournalCheck:
    """What was found of one journal.

    Attributes
    ----------
    path : Path
        What was checked.
    lines : int
        Of the journal, readable or not.
    records : dict
        How many lines of each kind.
    head : str
        Hash of the last line: made known, it proves that nothing up to there was changed later.
    first_at, last_at : str or None
        Times of the first and last readable line.
    findings : tuple of JournalFinding
        In order of lines; those of the whole come last.
    clips : int or None
        Clips that were read and are those recorded; None where they were left out.
    head_state : {'found', 'not found', 'behind a fault'} or None
        Of the published head hash that was asked about.
    against : Parting or None
        How another copy compares.
    """

    path: Path
    lines: int
    records: dict[str, int]
    head: str
    first_at: str | None
    last_at: str | None
    findings: tuple[JournalFinding, ...]
    clips: int | None
    head_state: HeadState | None = None
    against: Parting | None = None

    @property
    def whole(self) -> bool:
        """Whether nothing is wrong; notes, such as a clock set wrong, do not count."""
        return not any(item.is_fault for item in self.findings)

    @property
    def sentence(self) -> str:
        """The outcome in one sentence."""
        faults = sum(item.is_fault for item in self.findings)
        lines = "1 line" if self.lines == 1 else f"{self.lines} lines"
        if not faults:
            return f"The journal is whole: {lines}, each fits the one before it."
        what = "1 fault" if faults == 1 else f"{faults} faults"
        return f"The journal is not whole: {what} in {lines} and what belongs to them."

    def to_dict(self) -> dict[str, object]:
        """As plain data."""
        return {
            "path": str(self.path),
            "whole": self.whole,
            "sentence": self.sentence,
            "lines": self.lines,
            "records": self.records,
            "head": self.head,
            "first_at": self.first_at,
            "last_at": self.last_at,
            "clips_checked": self.clips,
            "head_state": self.head_state,
            "findings": [item.to_dict() for item in self.findings],
            "against": None if self.against is None else self.against.to_dict(),
        }


def check_journal(
    path: Path | str,
    *,
    clips: bool = True,
    head: str | None = None,
    against: Path | str | None = None,
    progress: Progress | None = None,
) -> JournalCheck:
    """Read a journal anew and check everything that can be checked without measuring.

    Parameters
    ----------
    path : path
        An event folder, a journal file, or a backup.
    clips : bool
        Hash the clips too, from the disk whatever was remembered; of a folder only.
    head : str, optional
        A head hash that was made known earlier, or its first twelve digits or more.
    against : path, optional
        Another copy of the same event.
    progress : callable, optional
        Called with clips read and clips in all.

    Raises
    ------
    FolderError
        When something cannot be read.
    AuditError
        When it is not a journal of clipmark, or the head hash cannot be one.
    """
    source = read_source(path)
    chain, torn = _chain_of(source)
    wanted = None if head is None else _head_digits(head)
    findings = [
        JournalFinding("chain", str(fault.reason), line=fault.line) for fault in chain.faults
    ]
    findings += body_findings(chain.entries)
    findings += _clock_findings(chain)
    findings.sort(key=lambda item: item.line or 0)
    findings += _torn_findings(source, torn)
    findings += table_findings(source, chain)
    findings += copy_findings(source, chain)
    checked: int | None = None
    if clips and source.folder is not None:
        checked, found = clip_findings(source.folder, chain, progress)
        findings += found
    state = None
    if wanted is not None:
        state, finding = _head_finding(chain, wanted)
        findings.append(finding)
    parting = None
    if against is not None:
        other = read_source(against)
        parting = part(source, chain, other, _chain_of(other)[0])
    times = [entry.whole().at for entry in (chain.entries[:1] + chain.entries[-1:])]
    return JournalCheck(
        path=source.path,
        lines=chain.lines,
        records=dict(Counter(entry.kind for entry in chain.entries)),
        head=chain.entries[-1].sha256 if chain.entries else "",
        first_at=str(times[0]) if times else None,
        last_at=str(times[-1]) if times else None,
        findings=tuple(findings),
        clips=checked,
        head_state=state,
        against=parting,
    )


def _chain_of(source: JournalSource) -> tuple[Chain, bytes]:
    chain, torn = read_chain(source.journal)
    if not chain.entries:
        why = f"({chain.faults[0]})" if chain.faults else "(it holds no whole line)"
        raise AuditError(
            f"{source.path}: this is not a journal of clipmark {why}; give the event folder, its "
            "journal.jsonl or a backup of it"
        )
    return chain, torn


def _clock_findings(chain: Chain) -> Iterator[JournalFinding]:
    """Lines whose time lies before that of the line before them."""
    before = None
    for entry in chain.entries:
        at = str(entry.whole().at)
        if before is not None and at < before[1]:
            yield JournalFinding(
                "clock",
                f"it was saved at {at}, before line {before[0]} ({before[1]}): a clock was set "
                "wrong or set back; the order is that of the lines",
                line=entry.line,
                is_fault=False,
            )
        before = (entry.line, at)


def _torn_findings(source: JournalSource, torn: bytes) -> Iterator[JournalFinding]:
    if torn:
        yield JournalFinding(
            "torn",
            f"The last line is torn ({len(torn)} bytes), as by a power cut; it was never "
            "acknowledged and does not count.",
            is_fault=False,
        )
    if source.torn_files:
        listed = ", ".join(source.torn_files)
        yield JournalFinding(
            "torn",
            f"Torn lines were set aside earlier, in {listed}; they were never acknowledged.",
            is_fault=False,
        )
    if source.others:
        listed = ", ".join(source.others)
        yield JournalFinding(
            "other journal",
            f"The folder holds another file that looks like a journal: {listed}. It is not read; "
            "see how the two compare (--against), and move the one that is not in use away.",
            is_fault=False,
        )


def _head_digits(head: str) -> str:
    digits = "".join(head.split()).lower().removesuffix("...")
    if not re.fullmatch(rf"[0-9a-f]{{{_SHORTEST_HEAD},64}}", digits):
        raise AuditError(
            f"the head hash '{head}' (--head) must be the 64 digits 0-9 and a-f of SHA-256, or at "
            f"least the first {_SHORTEST_HEAD} of them; copy it as it was made known"
        )
    return digits


def _head_finding(chain: Chain, wanted: str) -> tuple[HeadState, JournalFinding]:
    found = next((entry for entry in chain.entries if entry.sha256.startswith(wanted)), None)
    if found is None:
        return "not found", JournalFinding(
            "head",
            f"No line has the hash {wanted} that was made known: the chain was rewritten or cut "
            "short since, or this is another event.",
        )
    if not found.trusted:
        return "behind a fault", JournalFinding(
            "head",
            f"The hash that was made known is that of line {found.line}, but a line before it was "
            f"changed: line {chain.faults[0].line}.",
            line=found.line,
        )
    more = chain.lines - found.line
    after = (
        "it is the last line"
        if more == 0
        else "1 line was added since"
        if more == 1
        else f"{more} lines were added since"
    )
    return "found", JournalFinding(
        "head",
        f"The hash that was made known is that of line {found.line}, saved "
        f"{found.whole().at}: everything up to there is as it was then; {after}.",
        is_fault=False,
    )


__all__ = ["JournalCheck", "JournalFinding", "check_journal"]
