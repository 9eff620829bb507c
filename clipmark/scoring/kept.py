"""Scorings kept in the journal, and what changed since one of them."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping

from clipmark.errors import RecordError
from clipmark.record.canonical import JsonObject
from clipmark.record.folder import EventFolder
from clipmark.record.models import JournalLine
from clipmark.record.texts import checked_name
from clipmark.scoring.result import Change, EventResult, plain_of, points_text

KIND = "scoring"


def record_id(name: str) -> str:
    """Id of a scoring from its name: letters, digits and dashes.

    Raises
    ------
    RecordError
        When nothing of the name is left.
    """
    name = checked_name(name, "the name of the scoring (--name)")
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    found = re.sub(r"[^A-Za-z0-9]+", "-", plain).strip("-").lower()[:60].strip("-")
    if not found:
        raise RecordError(
            f"the name of the scoring (--name) is '{name[:60]}', which has no letter or digit; "
            'give one such as "after round 1"'
        )
    return found


def keep(event: EventFolder, result: EventResult, *, by: str) -> JournalLine:
    """Keep a scoring in the journal, with the head of the journal that it was made from."""
    body = {
        "name": result.name,
        "journal_seq": result.journal_seq,
        "journal_sha256": result.journal_sha256,
        "rules_sha256": result.rules_sha256,
        "draws": result.draws,
        "seed": result.seed,
        "software": result.software,
        "rows": [
            {
                "key": row.key,
                "class_name": row.class_name,
                "entry": row.entry,
                "setup": row.setup,
                "place": row.place,
                "tied": row.tied,
                "total": None if row.total is None else str(row.total),
                "points": {s.test: None if s.points is None else str(s.points) for s in row.tests},
                "place_p": plain_of(row.place_p),
            }
            for row in result.rows
        ],
    }
    name = record_id(result.name)
    before = event.journal.newest(KIND, name)
    return event.save_record(
        KIND, body, by=by, id=name, base_revision=before.revision if before else None
    )


def earlier(event: EventFolder, name: str) -> JsonObject:
    """The newest revision of an earlier scoring, by its name.

    Raises
    ------
    RecordError
        When there is none, with the names of those that are there.
    """
    event.journal.refresh()
    body = event.newest_body(KIND, record_id(name))
    if body is not None:
        return body
    names = [
        f"'{entry.body.get('name')}'"
        for (kind, _), entry in event.journal.chain.newest.items()
        if kind == KIND
    ]
    there = f"there are {', '.join(names)}" if names else "none was kept yet; keep one (--name)"
    raise RecordError(f"there is no scoring named '{name[:60]}' in {event.path}; {there}")


def changes(
    before: Mapping[str, object], now: EventResult, event: EventFolder
) -> tuple[Change, ...]:
    """What changed for each row since: place, total, points; new attempts and revisions."""
    found: list[Change] = []
    rows = before.get("rows")
    old = {
        str(row["key"]): row
        for row in (rows if isinstance(rows, list) else [])
        if isinstance(row, Mapping)
    }
    for row in now.rows:
        was = old.pop(row.key, None)
        if was is None:
            found.append(Change(row.key, "row", "", "new", f"{row.key} is new"))
            continue
        pairs: list[tuple[str, object, object]] = [("place", was.get("place"), row.place)]
        pairs.append(("total", was.get("total"), None if row.total is None else str(row.total)))
        points = was.get("points")
        for score in row.tests:
            had = points.get(score.test) if isinstance(points, Mapping) else None
            pairs.append((score.test, had, None if score.points is None else str(score.points)))
        for what, a, b in pairs:
            if a != b:
                left, right = _text(a), _text(b)
                sentence = f"{row.key}: {what} was {left}, is {right}"
                found.append(Change(row.key, what, left, right, sentence))
    found += [Change(key, "row", "was there", "", f"{key} is gone") for key in old]
    if before.get("rules_sha256") != now.rules_sha256:
        found.append(Change("", "rules", "", "", "the rule sheet was changed since"))
    seq = before.get("journal_seq")
    for saved in now.attempts:
        if isinstance(seq, int) and saved.journal_seq > seq:
            what = "is new" if saved.revision == 1 else f"was revised (revision {saved.revision})"
            found.append(
                Change("", "attempt", "", saved.attempt, f"{saved.attempt} of {saved.entry} {what}")
            )
    if isinstance(seq, int) and not _stands(event, seq, before.get("journal_sha256")):
        sentence = (
            f"line {seq} of the journal is no longer the one that the earlier scoring was made "
            "from; the journal was replaced"
        )
        found.append(Change("", "journal", "", "", sentence))
    return tuple(found)


def _stands(event: EventFolder, seq: int, sha256: object) -> bool:
    return seq == 0 or any(e.seq == seq and e.sha256 == sha256 for e in event.journal.entries)


def _text(value: object) -> str:
    if value is None:
        return "-"
    if isinstance(value, str):
        from decimal import Decimal, InvalidOperation

        try:
            return points_text(Decimal(value))
        except InvalidOperation:
            return value
    return str(value)
