"""Score cards: one entry's results on one picture, lying (1920 x 1080) or upright (1080 x 1920).

Letters are large enough to be read on a telephone's screen. What does not fit goes onto a further
card; nothing is made smaller for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from clipmark.report.canvas import Canvas, shortened, wrapped
from clipmark.report.lettering import width_of
from clipmark.report.tokens import colour
from clipmark.report.views import Results, TestRow, TestView, TotalRow
from clipmark.report.words import place_words

LYING, UPRIGHT = (1920, 1080), (1080, 1920)
MOST_SEEN = 6  # lines of side tilts and climbs under one test
FOOT = "\N{PLUS-MINUS SIGN}: expanded uncertainty, 95 %."


@dataclass(frozen=True)
class CardFacts:
    """What every card of an event says.

    Attributes
    ----------
    event, when_where : str
    beneath : mapping of str to str
        What stands under the name, by key: driver, set-up, class.
    protests : mapping of str to sequence of str
        Claims and rulings by key, one sentence each.
    foot : str
        Which state of the journal the card was made from.
    seen : mapping of str to mapping of str to sequence of str
        By key and test, what side tilts and climbs showed beside what counted.
    """

    event: str
    when_where: str
    beneath: Mapping[str, str]
    protests: Mapping[str, Sequence[str]]
    foot: str
    seen: Mapping[str, Mapping[str, Sequence[str]]] = field(default_factory=dict)


@dataclass(frozen=True)
class _Type:
    """Sizes of letters, px, for one shape of card."""

    event: float
    name: float
    head: float
    body: float
    small: float
    margin: float


_TYPES = {
    LYING: _Type(event=34, name=74, head=34, body=36, small=28, margin=64),
    UPRIGHT: _Type(event=36, name=72, head=36, body=38, small=31, margin=56),
}


def cards_of(
    key: str, entry: str, results: Results, facts: CardFacts, size: tuple[int, int] = LYING
) -> list[Canvas]:
    """The cards of one line of the standings, as many as its tests and protests take.

    Parameters
    ----------
    key, entry : str
    results : Results
    facts : CardFacts
    size : (int, int)
        `LYING` or `UPRIGHT`.
    """
    rows = [(test, row) for test in results.tests for row in test.rows if row.key == key]
    total = next((each for each in results.totals if each.key == key), None)
    card = _Card(key, entry, facts, size)
    blocks = [card.test_block(test, row) for test, row in rows]
    blocks += [card.note_block(text) for text in facts.protests.get(key, ())]
    if not rows:
        blocks.insert(0, card.note_block("No attempt of this entry has been scored yet."))
    pages: list[list[_Block]] = [[]]
    room = card.room(total)
    for block in blocks:
        used = sum(each.height for each in pages[-1])
        if pages[-1] and used + block.height > room:
            pages.append([])
        pages[-1].append(block)
    return [
        card.page(page, total, (number, len(pages)) if len(pages) > 1 else None)
        for number, page in enumerate(pages, 1)
    ]


@dataclass(frozen=True)
class _Line:
    text: str
    size: float
    ink: str
    bold: bool = False
    right: str = ""  # at the other edge of the card, in bold


@dataclass(frozen=True)
class _Block:
    lines: Sequence[_Line]
    ruled: bool

    @property
    def height(self) -> float:
        return sum(1.4 * line.size for line in self.lines) + (0.9 * self.lines[0].size)


class _Card:
    """One shape of card for one entry."""

    def __init__(self, key: str, entry: str, facts: CardFacts, size: tuple[int, int]) -> None:
        self.key, self.entry, self.facts, self.size = key, entry, facts, size
        self.type = _TYPES[size]
        self.inner = size[0] - 2 * self.type.margin
        self.name_size, self.name_lines = self._name()
        self.heads = [
            shortened(text, self.type.event, self.inner - 8 * self.type.event)
            for text in (facts.event, facts.when_where)
            if text
        ]
        self.foot_lines = wrapped(f"{FOOT} {facts.foot}", self.type.small, self.inner, 2)

    def _name(self) -> tuple[float, list[str]]:
        """The entry's name as large as it fits; the longest ones smaller, on up to three lines."""
        for by, most in ((1.0, 1), (0.75, 2), (0.55, 3)):
            lines = wrapped(self.entry, by * self.type.name, self.inner, bold=True)
            if len(lines) <= most:
                return by * self.type.name, lines
        size = 0.55 * self.type.name
        return size, wrapped(self.entry, size, self.inner, 3, bold=True)

    def test_block(self, test: TestView, row: TestRow) -> _Block:
        """Test, place in it, what counted, points."""
        kind = self.type
        placed = sum(1 for each in test.rows if each.place is not None)
        place = (
            f"{place_words(row.place)} of {placed} in this test"
            if row.place is not None
            else "no place in this test"
        )
        wide = width_of(place, kind.head, bold=True) + kind.head
        lines = [_Line(shortened(test.title, kind.head, self.inner - wide, bold=True), kind.head,
                       colour("accent"), True, place)]  # fmt: skip
        points_wide = width_of(row.points, kind.body, bold=True) + kind.body if row.points else 0
        told = wrapped(row.result, kind.body, self.inner - points_wide, 3)
        for number, text in enumerate(told):
            right = row.points if number == 0 else ""
            lines.append(_Line(text, kind.body, colour("ink"), right=right))
        quiet = "; ".join(part for part in (row.spread, test.rules, row.remark) if part)
        for text in wrapped(quiet, kind.small, self.inner, 4) if quiet else []:
            lines.append(_Line(text, kind.small, colour("ink-soft")))
        seen = self.facts.seen.get(self.key, {}).get(test.id, ())
        for said in seen[:MOST_SEEN]:
            for text in wrapped(said, kind.small, self.inner, 4):
                lines.append(_Line(text, kind.small, colour("ink")))
        if len(seen) > MOST_SEEN:
            more = "more of this test stands in the report"
            lines.append(_Line(more, kind.small, colour("ink-soft")))
        return _Block(lines, True)

    def note_block(self, text: str) -> _Block:
        """A sentence that stands out: a claim, a ruling."""
        kind = self.type
        rows = wrapped(text, kind.body, self.inner - kind.body, 6, bold=True)
        return _Block([_Line(row, kind.body, colour("warn"), True) for row in rows], False)

    def room(self, total: TotalRow | None) -> float:
        """Height that blocks may take."""
        below = 1.4 * self.type.small * len(self.foot_lines) + self.type.margin
        return self.size[1] - self._head_height(total) - below

    def _head_height(self, total: TotalRow | None) -> float:
        kind = self.type
        height = kind.margin + 1.3 * kind.event * len(self.heads)
        height += 1.2 * self.name_size * len(self.name_lines)
        height += 1.4 * kind.small if self.facts.beneath.get(self.key) else 0
        height += len(self._total_lines(total)) * 1.45 * kind.body + 0.6 * kind.body
        return height + 0.5 * kind.body

    def _total_lines(self, total: TotalRow | None) -> list[tuple[str, bool]]:
        if total is None:
            return []
        kind = self.type
        place = (
            f"{place_words(total.place)} over all tests" if total.place is not None else "no place"
        )
        lines = [(f"{place}, {total.total}" if total.total else place, True)]
        more = "; ".join(part for part in (total.spread, total.sure, total.remark) if part)
        lines += [(row, False) for row in wrapped(more, kind.small, self.inner, 3)] if more else []
        return lines

    def page(
        self, blocks: Sequence[_Block], total: TotalRow | None, which: tuple[int, int] | None
    ) -> Canvas:
        """One card drawn."""
        kind, margin = self.type, self.type.margin
        canvas = Canvas(*self.size, colour("paper"))
        canvas.rect(0, 0, 14, self.size[1], colour("accent"))
        y = margin + 0.4 * kind.event
        page = f"card {which[0]} of {which[1]}" if which else ""
        for line in self.heads:
            canvas.text(margin, y, line, kind.event, colour("ink-soft"))
            y += 1.3 * kind.event
        first = margin + 0.4 * kind.event
        canvas.text(
            self.size[0] - margin, first, page, kind.event, colour("ink-soft"), anchor="right"
        )
        y -= 1.0 * kind.event
        for line in self.name_lines:
            y += 1.2 * self.name_size
            canvas.text(margin, y, line, self.name_size, colour("ink"), bold=True)
        beneath = self.facts.beneath.get(self.key)
        if beneath:
            y += 1.5 * kind.small
            text = shortened(beneath, kind.small, self.inner)
            canvas.text(margin, y, text, kind.small, colour("ink-soft"))
        for number, (text, bold) in enumerate(self._total_lines(total)):
            size = 1.15 * kind.body if bold else kind.small
            y += 1.45 * (1.15 * kind.body if number == 0 else kind.small)
            fitting = shortened(text, size, self.inner, bold=bold)
            canvas.text(margin, y, fitting, size, colour("ink" if bold else "ink-soft"), bold=bold)
        y = self._head_height(total)
        for block in blocks:
            y = self._draw(canvas, block, y)
        self._foot(canvas)
        return canvas

    def _draw(self, canvas: Canvas, block: _Block, y: float) -> float:
        margin, begin = self.type.margin, y
        if block.ruled:
            canvas.line(margin, y, self.size[0] - margin, y, colour("rule-strong"), 2)
        else:
            canvas.rect(margin, y + 6, 8, block.height - 18, colour("warn"))
        y += 0.25 * block.lines[0].size
        indent = 0.0 if block.ruled else self.type.body
        for line in block.lines:
            y += 1.4 * line.size
            at = y - 0.25 * line.size
            canvas.text(margin + indent, at, line.text, line.size, line.ink, bold=line.bold)
            if line.right:
                canvas.text(
                    self.size[0] - margin, at, line.right, line.size, colour("ink"), bold=True,
                    anchor="right",
                )  # fmt: skip
        return begin + block.height

    def _foot(self, canvas: Canvas) -> None:
        small = self.type.small
        y = self.size[1] - 0.6 * self.type.margin - 1.4 * small * (len(self.foot_lines) - 1)
        for line in self.foot_lines:
            canvas.text(self.type.margin, y, line, small, colour("ink-soft"))
            y += 1.4 * small
