"""Keeping rule sheet, session record and lens files in the journal, so that it stands alone."""

from pathlib import Path, PurePosixPath

from clipmark.errors import RecordError
from clipmark.record import sheets
from clipmark.record.chain import is_id
from clipmark.record.journal import Draft, Journal
from clipmark.record.models import EmbeddedFile, FileRef, LensRecord
from clipmark.record.texts import as_model

RULES_ID = "event"
SESSION_ID = "session"


def embedded_drafts(folder: Path, journal: Journal) -> list[Draft]:
    """Revisions for the rule sheet and the session record where their files are new or changed.

    Raises
    ------
    RecordError
        When one of them cannot be read; nothing is saved under rules nobody can read.
    """
    drafts = []
    rules_text = sheets.read_text(folder / sheets.EVENT_NAME)
    if rules_text is not None:
        rules = sheets.rules_of(rules_text)
        held = journal.newest("rules", RULES_ID)
        if held is None or held.body.get("sha256") != rules.sha256:
            base = held.revision if held else 0
            drafts.append(Draft("rules", RULES_ID, rules.to_body(), base))
    session_text = sheets.read_text(folder / sheets.SESSION_NAME)
    # What was kept once is not read again: it holds whatever this version asks of a new record.
    if session_text is not None and sheets.source_sha256(session_text) != last_session_source(
        journal
    ):
        session = sheets.session_of(session_text)
        held = journal.newest("session", SESSION_ID)
        base = held.revision if held else 0
        drafts.append(Draft("session", SESSION_ID, session.to_body(), base))
    return drafts


def last_session_source(journal: Journal) -> object:
    """Hash of ``session.toml`` when it was last kept; saves from the page have none."""
    for entry in reversed(journal.chain.of_kind["session"]):
        if found := entry.body.get("source_sha256"):
            return found
    return None


def lens_draft(folder: Path, journal: Journal, wanted: FileRef) -> tuple[FileRef, Draft | None]:
    """The lens reference with its hash, and a revision to save when that text is not kept yet.

    Raises
    ------
    RecordError
        When the file is missing, not a lens file, or not the one the reading was made with.
    """
    lens_id = PurePosixPath(wanted.path).stem
    held = journal.newest("lens", lens_id)
    if wanted.sha256 and _is_kept(journal, lens_id, wanted.sha256):
        return wanted, None
    path = folder / wanted.path
    text = sheets.read_text(path)
    if text is None:
        raise RecordError(
            f"{path}: the lens file is not there; put it into lenses/ and name it from there"
        )
    if not is_id(lens_id):
        raise RecordError(
            f"{path}: a lens file needs a name of letters, digits, dots, dashes and underscores; "
            "rename it"
        )
    found = as_model(LensRecord, EmbeddedFile.of(wanted.path, text).to_body(), str(path))
    if wanted.sha256 and wanted.sha256 != found.sha256:
        raise RecordError(
            f"{path}: the lens file was changed since it was used; measure again with the new "
            "one, or put the old one back"
        )
    reference = FileRef(path=wanted.path, sha256=found.sha256)
    if held is not None and held.body.get("sha256") == found.sha256:
        return reference, None
    base = held.revision if held else 0
    return reference, Draft("lens", lens_id, found.to_body(), base)


def _is_kept(journal: Journal, lens_id: str, sha256: str) -> bool:
    return any(
        entry.id == lens_id and entry.body.get("sha256") == sha256
        for entry in journal.chain.of_kind["lens"]
    )
