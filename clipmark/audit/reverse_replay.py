"""The call of a reverse once more, by the rule sheet that was in force when it was saved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from clipmark.audit.replay_checks import sheet_in_force
from clipmark.errors import RecordError
from clipmark.record.canonical import JsonObject
from clipmark.record.chain import Entry
from clipmark.record.models import Attempt
from clipmark.record.readings import Reading


@dataclass(frozen=True)
class ReverseReplay:
    """What the rule sheet of then calls the facts of now.

    Attributes
    ----------
    revision : int
        Of the rule sheet in the journal.
    saved, repeated : str or None
        The call in the reading, and of the repetition.
    agrees : bool
    sentence : str
    """

    revision: int
    saved: str | None
    repeated: str | None
    agrees: bool
    sentence: str


def replay_reverse(
    reading: Reading, result: JsonObject, called_by: Attempt, entries: Sequence[Entry]
) -> ReverseReplay | None:
    """Call a repeated descent as the rule sheet did when the reading was saved.

    Parameters
    ----------
    reading, result
        The climb as saved, and as repeated.
    called_by : Attempt
        The revision in which the reading was first saved.
    entries : sequence of Entry
        Of the journal.

    Returns
    -------
    ReverseReplay or None
        None where no call was saved, or nothing names a sheet.
    """
    saved = _call(reading.result)
    ref = called_by.rules
    if reading.measure != "climb" or saved is None or ref is None:
        return None
    try:
        rules = sheet_in_force(called_by, entries)
    except RecordError as error:
        return ReverseReplay(ref.revision, saved, None, False, f"No call of a reverse: {error}.")
    repeated = _call(rules.graded("climb", result)) if rules is not None else None
    what = f"by revision {ref.revision} of the rule sheet"
    if rules is None:
        told = f"The journal does not hold revision {ref.revision} of the rule sheet; no call."
    elif repeated == saved:
        told = f"Called once more {what}: {repeated}, as saved."
    else:
        told = f"Called once more {what}: {repeated}; the reading was saved as {saved}."
    return ReverseReplay(ref.revision, saved, repeated, repeated == saved, told)


def _call(result: Mapping[str, object]) -> str | None:
    found = result.get("reverse_call")
    call = found.get("call") if isinstance(found, Mapping) else None
    return str(call) if call else None
