"""Invented attempts and readings, so that a whole event can be scored without footage."""

import math

from clipmark.record.folder import SavedAttempt
from clipmark.record.models import Attempt, JournalLine
from clipmark.scoring.rules import rules_of
from clipmark.scoring.score import score_attempts

K = 1.959963984540054


def saved(number: int, revision: int = 1, trusted: bool = True, **body) -> SavedAttempt:
    line = JournalLine(
        seq=number, at="2026-05-16T10:00:00.000Z", by="Fell", kind="attempt",
        id=f"a{number:04d}", revision=revision, body={}, previous="0" * 64, sha256="0" * 64,
    )  # fmt: skip
    return SavedAttempt(line, Attempt.model_validate(body), trusted)


def attempts(*bodies) -> list[SavedAttempt]:
    return [saved(number, **body) for number, body in enumerate(bodies, start=1)]


def reading(measure: str, name: str, value: float, own: float = 0.0, shared: float = 0.0) -> dict:
    """One reading with a budget of an own and a shared row, standard uncertainties."""
    head, _, unit = name.rpartition("_")
    stem, tail = (head, f"_{unit}") if unit in ("deg", "mm", "s") else (name, "")
    u95 = K * math.hypot(own, shared)
    rows = [
        {"source": "level line itself", "kind": "B", "u_deg": shared, "dof": None},
        {"source": "platform line in the picture", "kind": "A", "u_deg": own, "dof": 50},
    ]
    return {
        "measure": measure,
        "result": {
            name: value, f"{stem}_u95{tail}": u95, f"{stem}_low95{tail}": value - u95,
            f"{stem}_high95{tail}": value + u95, "frame": 7, "t_s": 0.2, "clip_sha256": "c1" * 32,
            "fingerprint": "f0", "warnings": [], "budget": {name: rows},
        },
    }  # fmt: skip


def tilt(value: float, own: float = 0.0, shared: float = 0.0) -> list[dict]:
    return [reading("tilt", "tilt_deg", value, own, shared)]


def ramp(value: float, own: float = 0.0, shared: float = 0.0) -> list[dict]:
    result = reading("angle", "ramp_deg", value, own, shared)
    return [result]


def score(sheet: str, *bodies, **options):
    return score_attempts(rules_of(sheet), attempts(*bodies), **options)


def sheet(tests: str, *entries: str, event: str = "") -> str:
    names = "".join(f'[[entry]]\nname = "{name}"\n' for name in entries)
    return f'[event]\nname = "Tarn Hollow Pocket Trials"\n{event}\n{tests}\n{names}'
