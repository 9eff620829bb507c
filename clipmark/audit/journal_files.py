"""What belongs to a journal and lies outside it: attempts file, rule sheet, lens files, clips."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from pathlib import Path

from clipmark.audit.journal_finding import JournalFinding
from clipmark.audit.journal_source import JournalSource
from clipmark.errors import FolderError, RecordError
from clipmark.record.attempts_file import CSV_NAME, file_text, read_rows, row_of
from clipmark.record.canonical import JsonObject
from clipmark.record.chain import Chain
from clipmark.record.clips import clip_files, clip_sha256
from clipmark.record.sheets import EVENT_NAME, event_name

Progress = Callable[[int, int], None]
_CELLS_SHOWN = 4


def table_findings(source: JournalSource, chain: Chain) -> Iterator[JournalFinding]:
    """Whether ``attempts.csv`` says what the journal says."""
    if source.folder is None and CSV_NAME not in source.beside:
        return
    data = source.beside.get(CSV_NAME)
    if data is None:
        yield _table(
            f"{CSV_NAME} is not there; `clipmark attempts {source.path} --rebuild` writes it from "
            "the journal.",
            is_fault=False,
        )
        return
    try:
        shown = {row["attempt"]: row for row in read_rows(data.decode("utf-8"))}
    except UnicodeDecodeError:
        yield _table(f"{CSV_NAME} is not UTF-8 text; rebuild it from the journal (--rebuild).")
        return
    except RecordError as error:
        yield _table(f"{CSV_NAME} cannot be compared: {error}.", is_fault=False)
        return
    held = {id: entry for (kind, id), entry in chain.newest.items() if kind == "attempt"}
    for id, entry in held.items():
        if id not in shown:
            yield _table(f"{CSV_NAME} lacks attempt {id}, which the journal has.")
            continue
        try:
            text = file_text([row_of(entry, shown[id]["event"])])
        except RecordError:
            continue  # told where bodies are read
        differing = [
            f"{name} is {shown[id][name] or 'empty'}, the journal has {cell or 'nothing'}"
            for name, cell in read_rows(text)[0].items()
            if shown[id][name] != cell
        ]
        if differing:
            more = len(differing) - _CELLS_SHOWN
            rest = f"; and {more} more" if more > 0 else ""
            yield _table(
                f"{CSV_NAME} does not say what the journal says of attempt {id}: "
                f"{'; '.join(differing[:_CELLS_SHOWN])}{rest}."
            )
    for id in shown:
        if id not in held:
            seq = shown[id]["journal_seq"]
            yield _table(
                f"{CSV_NAME} shows attempt {id} from journal line {seq}, which the journal does "
                "not have: lines were lost, or this is another event's table."
            )


def copy_findings(source: JournalSource, chain: Chain) -> Iterator[JournalFinding]:
    """Rule sheet and lens files that are not as the journal last kept them."""
    rules = chain.newest.get(("rules", "event"))
    sheet = source.beside.get(EVENT_NAME)
    if rules is not None and sheet is not None and not _is_text_of(sheet, rules.body):
        name = _name_of(sheet)
        yield JournalFinding(
            "rule sheet",
            f"{EVENT_NAME}{name} was changed since the journal last kept it (line {rules.line}); "
            "results saved before stand under the sheet that the journal holds.",
            is_fault=False,
        )
    for (kind, _), entry in chain.newest.items():
        if kind != "lens":
            continue
        path = str(entry.body.get("path"))
        data = source.beside.get(path)
        if data is not None and not _is_text_of(data, entry.body):
            yield JournalFinding(
                "lens file",
                f"{path} is not the lens that the journal last kept (line {entry.line}); readings "
                "carry the lens that they were measured with.",
                is_fault=False,
            )


def clip_findings(
    folder: Path, chain: Chain, progress: Progress | None
) -> tuple[int, list[JournalFinding]]:
    """Read every clip of the folder; how many of those recorded are there, and what is wrong."""
    wanted = _clips_named(chain)
    found: dict[str, str] = {}
    unread = []
    files = clip_files(folder)
    for number, path in enumerate(files):
        try:
            found[clip_sha256(path, fresh=True)] = path.relative_to(folder).as_posix()
        except FolderError as error:
            unread.append(JournalFinding("clip", f"{error}."))
        if progress is not None:
            progress(number + 1, len(files))
    findings = list(unread)
    for sha256, (recorded, users) in wanted.items():
        if sha256 in found:
            continue
        altered = (folder / recorded).is_file()
        state = (
            "was changed: the file at its place has another content" if altered else "is not there"
        )
        findings.append(
            JournalFinding(
                "clip",
                f"The clip {recorded} of {', '.join(users)} {state} (SHA-256 {sha256[:16]}...), "
                "and no file in clips/ has its content; put the original back, under any name.",
            )
        )
    return sum(sha256 in found for sha256 in wanted), findings


def _clips_named(chain: Chain) -> dict[str, tuple[str, list[str]]]:
    """Hash -> path as recorded, and the records that name it."""
    found: dict[str, tuple[str, list[str]]] = {}
    for entry in chain.entries:
        if entry.kind not in ("attempt", "stand"):
            continue
        body = entry.body
        further = body.get("further_clips")
        named = [body.get("clip"), body.get("reference_clip")]
        if isinstance(further, list):
            named += [item.get("clip") for item in further if isinstance(item, dict)]
        for clip in named:
            if isinstance(clip, dict) and isinstance(clip.get("sha256"), str):
                _, users = found.setdefault(str(clip["sha256"]), (str(clip.get("path")), []))
                user = f"{entry.kind} {entry.id}"
                if user not in users:
                    users.append(user)
    return found


def _table(text: str, *, is_fault: bool = True) -> JournalFinding:
    return JournalFinding("attempts file", text, is_fault=is_fault)


def _is_text_of(data: bytes, body: JsonObject) -> bool:
    return body.get("sha256") == hashlib.sha256(data).hexdigest()


def _name_of(sheet: bytes) -> str:
    try:
        return f" ({event_name(sheet.decode('utf-8-sig'))})"
    except (RecordError, UnicodeDecodeError):
        return ""


__all__ = ["clip_findings", "copy_findings", "table_findings"]
