"""Reading entry, test and try out of file names, by a pattern such as ``{entry}_{test}_{try}``.

Pure. A part of a name is taken for an entry or a test of the rule sheet whichever way its words
are joined: ``board-ladder``, ``Board_Ladder`` and ``boardladder`` are all "board ladder". Where a
name can be read in several ways, the first in which every part is known is taken.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from clipmark.errors import RecordError

FIELDS = ("entry", "test", "try", "setup", "step")
LONGEST_PATTERN, LONGEST_NAME = 200, 255
_MOST_READINGS = 5_000  # ways of cutting one name that are looked at
_LARGEST_TRY = 1_000_000


@dataclass(frozen=True)
class Pairing:
    """What one file name says; None is not said. `sentence` says why it does not fit."""

    name: str
    entry: str | None = None
    test: str | None = None
    try_no: int | None = None
    setup: str | None = None
    step_deg: float | None = None
    sentence: str | None = None


@dataclass(frozen=True)
class Pattern:
    """A pattern, cut into literal text and fields: ``literals[0] field[0] literals[1] ...``."""

    literals: tuple[str, ...]
    fields: tuple[str, ...]
    text: str

    @classmethod
    def parse(cls, text: str) -> Pattern:
        """Read a pattern.

        Raises
        ------
        RecordError
            When a field is not known or comes twice, two fields touch, or there is none.
        """
        if len(text) > LONGEST_PATTERN:
            raise RecordError(
                f"the pattern is {len(text)} characters long; give one of at most "
                f"{LONGEST_PATTERN}, such as {{entry}}_{{test}}_{{try}}"
            )
        parts = re.split(r"\{([^{}]*)\}", text)
        literals, fields = tuple(parts[0::2]), tuple(part.strip() for part in parts[1::2])
        known = ", ".join(f"{{{name}}}" for name in FIELDS)
        if any("{" in literal or "}" in literal for literal in literals):
            raise RecordError(
                f"the pattern '{text}' has a brace without its partner; write fields as {known}"
            )
        if not fields:
            raise RecordError(
                f"the pattern '{text}' names no field; use some of {known}, such as "
                "{entry}_{test}_{try}"
            )
        for name in fields:
            if name not in FIELDS:
                raise RecordError(
                    f"the pattern '{text}' has the field '{name}', which is not known; use some of "
                    f"{known}"
                )
            if fields.count(name) > 1:
                raise RecordError(f"the pattern '{text}' has {{{name}}} twice; keep one")
        if any(not literal for literal in literals[1:-1]):
            raise RecordError(
                f"in the pattern '{text}' two fields touch, so nobody can tell where one ends; put "
                "a character between them, such as _"
            )
        return cls(literals, fields, text)


def pair_names(
    pattern: str,
    names: Iterable[str],
    *,
    entries: Sequence[str] = (),
    tests: Sequence[str] = (),
) -> list[Pairing]:
    """Read every file name by one pattern.

    Parameters
    ----------
    pattern : str
        Literal text with some of ``{entry} {test} {try} {setup} {step}``; what stands between
        braces is read, the ending of the file (``.mp4``) is left out.
    names : iterable of str
        File names, without folders.
    entries, tests : sequence of str
        Those of the rule sheet; with none given, any text is taken.

    Raises
    ------
    RecordError
        When the pattern cannot be used.
    """
    parsed = Pattern.parse(pattern)
    known = {"entry": _by_key(entries), "test": _by_key(tests)}
    return [_read(parsed, name, known) for name in names]


def _key(text: str) -> str:
    """Letters and digits only, without case: how names are compared."""
    return "".join(character for character in text.casefold() if character.isalnum())


def _by_key(names: Sequence[str]) -> dict[str, str]:
    return {_key(name): name for name in names}


def _read(pattern: Pattern, name: str, known: dict[str, dict[str, str]]) -> Pairing:
    stem = name.rsplit(".", 1)[0] if "." in name.lstrip(".") else name
    first: str | None = None
    for count, parts in enumerate(_cuts(pattern, stem[:LONGEST_NAME])):
        found, sentence = _understood(pattern, name, parts, known)
        if sentence is None:
            return found
        first = first or sentence
        if count >= _MOST_READINGS:
            break
    if first is None:
        first = (
            f"{name} does not fit the pattern '{pattern.text}'; rename it, change the pattern, or "
            "fill the form in by hand"
        )
    return Pairing(name=name, sentence=first)


def _cuts(pattern: Pattern, stem: str) -> Iterator[tuple[str, ...]]:
    """Every way to cut a name by the pattern, shortest parts first."""
    lowered = stem.casefold()
    literals = [literal.casefold() for literal in pattern.literals]
    if len(lowered) != len(stem):  # folding changed lengths: compare as written
        lowered, literals = stem, list(pattern.literals)
    if not lowered.startswith(literals[0]):
        return

    def cut(at: int, field: int) -> Iterator[tuple[str, ...]]:
        after = literals[field + 1]
        if field == len(pattern.fields) - 1:
            end = len(stem) - len(after)
            if end > at and lowered.endswith(after):
                yield (stem[at:end],)
            return
        place = lowered.find(after, at + 1)
        while place >= 0:
            for rest in cut(place + len(after), field + 1):
                yield (stem[at:place], *rest)
            place = lowered.find(after, place + 1)

    yield from cut(len(literals[0]), 0)


def _understood(
    pattern: Pattern, name: str, parts: tuple[str, ...], known: dict[str, dict[str, str]]
) -> tuple[Pairing, str | None]:
    """What the parts mean, or a sentence about the first that means nothing."""
    values: dict[str, object] = {}
    for field, part in zip(pattern.fields, parts, strict=True):
        text = part.strip()
        if field in ("entry", "test"):
            options = known[field]
            if options and _key(text) not in options:
                return Pairing(name), (
                    f"{name}: '{text}' is no {field} of the rule sheet; name one of "
                    f"{', '.join(list(options.values())[:8])}, or add it to event.toml"
                )
            values[field] = options.get(_key(text), text)
        elif field == "try":
            digits = text.casefold().removeprefix("try").strip(" -_")
            if not (digits.isascii() and digits.isdigit() and 0 < int(digits[:12]) < _LARGEST_TRY):
                return Pairing(name), f"{name}: '{text}' is not the number of a try; give 1, 2, ..."
            values["try_no"] = int(digits)
        elif field == "step":
            number = text.casefold().removesuffix("deg").strip(" -_").replace(",", ".")
            if not re.fullmatch(r"[0-9]{1,3}(\.[0-9]{1,4})?", number) or float(number) > 180:
                return Pairing(name), f"{name}: '{text}' is not a step in degrees; give one like 42"
            values["step_deg"] = float(number)
        else:
            values[field] = text
        if not text:
            return Pairing(name), f"{name}: the part for {{{field}}} is empty; rename the file"
    return Pairing(name=name, **values), None  # type: ignore[arg-type]
