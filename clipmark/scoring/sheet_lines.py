"""The rule sheet read key by key with decimals as written; every refusal names line and key."""

from __future__ import annotations

import itertools
import re
import tomllib
from collections.abc import Mapping, Sequence
from decimal import Decimal

from clipmark.errors import RecordError
from clipmark.record import sheets

Pair = tuple[Decimal, Decimal]
_HEADER = re.compile(r"^\s*\[\[?\s*([A-Za-z0-9_.-]+)\s*\]\]?")
_KEY = re.compile(r"^\s*(?:\"([^\"]*)\"|'([^']*)'|([A-Za-z0-9_-]+))\s*=")


class Sheet:
    """The text of a rule sheet, parsed, with the line on which each key stands."""

    def __init__(self, text: str, name: str) -> None:
        sheets.parse_toml(text, name)  # its refusals name the line
        self.name = name
        self.data = tomllib.loads(text.removeprefix("\ufeff"), parse_float=Decimal)
        self._lines: dict[tuple[str, int, str], int] = {}
        counts: dict[str, int] = {}
        table = ""
        for number, line in enumerate(text.splitlines(), start=1):
            if header := _HEADER.match(line):
                table = header[1]
                counts[table] = counts.get(table, 0) + 1
                self._lines[table, counts[table], ""] = number
            elif key := _KEY.match(line):
                found = key[1] or key[2] or key[3]
                self._lines.setdefault((table, counts.get(table, 0), found), number)

    def line(self, table: str, number: int, key: str) -> int | None:
        """Line of a key, else of its table; None where the text does not show it."""
        return self._lines.get((table, number, key)) or self._lines.get((table, number, ""))

    def block(self, table: str) -> Block:
        """A table that stands there once, such as ``[event]``."""
        return Block(self, self.data.get(table, {}), table, 1)

    def blocks(self, table: str) -> list[Block]:
        """Every ``[[table]]``."""
        found = self.data.get(table, [])
        if isinstance(found, Mapping):
            found = [found]
        if not isinstance(found, list):
            raise RecordError(
                f"{self.name}: {table} must be written as [[{table}]] blocks; mend that"
            )
        return [Block(self, item, table, number) for number, item in enumerate(found, start=1)]


class Block:
    """One table of the sheet."""

    def __init__(self, sheet: Sheet, data: object, table: str, number: int) -> None:
        self._sheet, self._table, self._number = sheet, table, number
        if not isinstance(data, Mapping):
            raise RecordError(f"{sheet.name}: [{table}] must be a table of keys; mend that")
        self.data: Mapping[str, object] = data

    def refused(self, key: str, why: str) -> RecordError:
        """A refusal that names the line and the key."""
        line = self._sheet.line(self._table, self._number, key)
        where = f", line {line}" if line else ""
        title = self.data.get("id") or self.data.get("name")
        of = f" of {self._table} '{str(title)[:60]}'" if title and self._table != "event" else ""
        return RecordError(f"{self._sheet.name}{where}: {key}{of} {why}")

    def has(self, key: str) -> bool:
        """Whether the key stands there."""
        return key in self.data

    def check_known(self, known: Sequence[str]) -> None:
        """Refuse a key that nothing reads: a slip of the pen would be passed over."""
        for key in self.data:
            if key not in known:
                near = _nearest(key, known)
                hint = f"; did you mean {near}?" if near else "; take it out, or mend its spelling"
                raise self.refused(key, f"is not known{hint}")

    def text(self, key: str, default: str = "") -> str:
        """One line of text."""
        value = self.data.get(key, default)
        if isinstance(value, (bool, int, Decimal, list, dict)):
            raise self.refused(key, f"must be text in quotes, but is {_shown(value)}")
        return " ".join(str(value).split())[:200]

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.refused(key, 'must be a list of texts, such as ["first", "second"]')
        return tuple(" ".join(item.split())[:200] for item in value)

    def one_of(self, key: str, choices: Sequence[str], default: str) -> str:
        """One of a few words."""
        found = self.text(key, default)
        if found not in choices:
            raise self.refused(key, f"must be one of {', '.join(choices)}, but is '{found}'")
        return found

    def flag(self, key: str, default: bool = False) -> bool:
        """True or false."""
        value = self.data.get(key, default)
        if not isinstance(value, bool):
            raise self.refused(key, f"must be true or false, but is {_shown(value)}")
        return value

    def decimal(self, key: str) -> Decimal | None:
        """A number, digit by digit as written; None where the key is not there."""
        value = self.data.get(key)
        return None if value is None else self._number_of(key, value)

    def above_0(self, key: str) -> Decimal | None:
        """A number above 0."""
        found = self.decimal(key)
        if found is not None and found <= 0:
            raise self.refused(key, f"must be a number above 0, but is {found}")
        return found

    def count(self, key: str, least: int = 0) -> int | None:
        """A whole number."""
        value = self.data.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value < 10**6:
            raise self.refused(key, f"must be a whole number from {least}, but is {_shown(value)}")
        return value

    def decimals(self, key: str) -> tuple[Decimal, ...]:
        """A list of numbers."""
        value = self.data.get(key, [])
        if not isinstance(value, list):
            raise self.refused(key, "must be a list of numbers, such as [40, 42, 44]")
        return tuple(self._number_of(key, item) for item in value)

    def pairs(self, key: str) -> tuple[Pair, ...]:
        """A list of pairs."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or not all(
            isinstance(item, list) and len(item) == 2 for item in value
        ):
            raise self.refused(key, "must be a list of pairs, such as [[30, 0], [50, 100]]")
        return tuple((self._number_of(key, a), self._number_of(key, b)) for a, b in value)

    def line_table(self, key: str) -> tuple[Pair, ...]:
        """Pairs joined by straight lines: first numbers rising; second ones in one direction."""
        pairs = self.pairs(key)
        firsts, seconds = [a for a, _ in pairs], [b for _, b in pairs]
        for before, after in itertools.pairwise(firsts):
            if not after > before:
                raise self.refused(
                    key,
                    f"must rise from pair to pair in its first number, but {after} comes after "
                    f"{before}",
                )
        steps = [b - a for a, b in itertools.pairwise(seconds)]
        if any(step > 0 for step in steps) and any(step < 0 for step in steps):
            raise self.refused(
                key,
                "goes up and down again in its points; a better value must never get worse points",
            )
        return pairs

    def named(self, key: str) -> dict[str, Decimal]:
        """Names with points."""
        value = self.data.get(key, {})
        if not isinstance(value, Mapping):
            raise self.refused(key, "must be names with points, such as { touch = 10 }")
        return {
            "-".join(str(name).replace("_", " ").split()): self._number_of(key, points)
            for name, points in value.items()
        }

    def _number_of(self, key: str, value: object) -> Decimal:
        if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
            raise self.refused(key, f"must hold numbers, but holds {_shown(value)}")
        found = Decimal(value)
        if not found.is_finite() or abs(found) >= 10**9:
            raise self.refused(key, f"must hold numbers below 1e9, but holds {_shown(value)}")
        return found


def _shown(value: object) -> str:
    return str(value)[:60] if isinstance(value, Decimal) else repr(value)[:60]


def _nearest(key: str, known: Sequence[str]) -> str:
    from difflib import get_close_matches

    return next(iter(get_close_matches(key, known, 1, 0.75)), "")
