"""What a climb is proposed to have been, and what ended it: two decision tables, nothing else.

Pure. The facts are found elsewhere (`clipmark.motion.climb_facts`); here stands only what follows
from them, row by row, and `docs/climb.md` shows the same rows. Where no row fits, nothing is
proposed. A proposal is never a verdict: that is given by a person.
"""

from __future__ import annotations

from dataclasses import dataclass

ANY = "any"
NOT_TOLD = "not told"
CANNOT_TELL = "cannot tell"


@dataclass(frozen=True)
class EndRow:
    """One row of the table of what ended a climb; `ANY` fits everything.

    Attributes
    ----------
    front : str
        ``down`` or ``lifted``: of the nose, off the board.
    slip : str
        ``high``, ``low`` or ``not told``, at the end of the way up.
    wheels : str
        ``turning``, ``standing``, ``turning back`` or ``not told``, after the way up ended.
    ended_by : str
    why : str
    """

    front: str
    slip: str
    wheels: str
    ended_by: str
    why: str

    def fits(self, front: str, slip: str, wheels: str) -> bool:
        """Whether these facts are those of the row."""
        pairs = ((self.front, front), (self.slip, slip), (self.wheels, wheels))
        return all(wanted in (ANY, found) for wanted, found in pairs)


ENDED_BY = (
    EndRow(ANY, NOT_TOLD, ANY, CANNOT_TELL, "slip was not measured"),
    EndRow("lifted", "low", ANY, "balance", "the front lifted while the wheels hardly slipped"),
    EndRow("lifted", "high", ANY, CANNOT_TELL, "the front lifted and the wheels slipped as well"),
    EndRow("down", "high", ANY, "grip", "the wheels slipped while the chassis stayed down"),
    EndRow("down", "low", "standing", "drive", "the wheels stopped turning and did not slip"),
    EndRow("down", "low", "turning back", "drive", "the wheels were turned back by the truck"),
    EndRow(ANY, ANY, ANY, CANNOT_TELL, "what was seen fits none of the three"),
)


def ended_by(front: str, slip: str, wheels: str) -> tuple[str, str]:
    """``grip``, ``balance``, ``drive`` or ``cannot tell``, and why, by the first row that fits."""
    row = next(row for row in ENDED_BY if row.fits(front, slip, wheels))
    return row.ended_by, row.why


@dataclass(frozen=True)
class OutcomeRow:
    """One row of the table of proposals: what was seen last, what it is called, in words.

    Attributes
    ----------
    seen : str
        How the way up ended; see `clipmark.motion.climb_series.Ending`.
    proposed : str
        ``cleared``, ``failed`` or ``unclear``.
    code : str
        Reason code in the trade's words; empty where there is none.
    words : str
        Begins the reason; figures follow it.
    """

    seen: str
    proposed: str
    code: str
    words: str


OUTCOMES = (
    OutcomeRow("finished", "cleared", "cleared", "cleared"),
    OutcomeRow("tipped", "failed", "tipped-back", "tipped back"),
    OutcomeRow("slid", "failed", "slid-back", "slid back"),
    OutcomeRow("rolled", "failed", "slid-back", "rolled back"),
    OutcomeRow("went back", "failed", "slid-back", "went back"),
    OutcomeRow("spun", "failed", "spun", "spun without progress"),
    OutcomeRow("stalled", "failed", "stalled", "stalled"),
    OutcomeRow("entered", "unclear", "", "something else entered the patch"),
    OutcomeRow("lost", "unclear", "", "the truck was lost from view"),
    OutcomeRow("moving", "unclear", "", "the clip ends before anything was decided"),
    OutcomeRow("paused", "unclear", "", "the clip ends too soon after it stopped"),
    OutcomeRow("nothing", "unclear", "", "nothing happened"),
    OutcomeRow("no finish", "unclear", "", "no finish line was marked"),
    OutcomeRow("no wheels", "unclear", "", "no wheel or hub was marked"),
)


def outcome(seen: str) -> OutcomeRow:
    """The row of how the way up ended."""
    return next(row for row in OUTCOMES if row.seen == seen)
