"""What is odd about a file, told in sentences.

A finding never changes a number by itself: it is reported beside the numbers, and other rooms
read its `code` and `severity` to decide what they may still measure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "warning", "refuse-motion"]


@dataclass(frozen=True)
class Finding:
    """One fact about a clip that an operator may have to know.

    Attributes
    ----------
    code : str
        Short name for programs, such as ``"variable-rate"``.
    severity : {"note", "warning", "refuse-motion"}
        A note is a plain fact; a warning must be seen by the operator; with
        ``"refuse-motion"`` angles can be read, but nothing that needs time.
    sentence : str
        The fact in words; ``str(finding)``.
    ordinals : tuple of int
        The frames concerned, where it is about some of them. For gaps and repeated times, the
        frame *before* the gap, and the first of the pair.
    """

    code: str
    severity: Severity
    sentence: str
    ordinals: tuple[int, ...] = ()

    def __str__(self) -> str:
        """The sentence."""
        return self.sentence


def spans_text(ordinals: tuple[int, ...], limit: int = 4) -> str:
    """Ordinals as spans in words: ``frames 3 to 7, 12 and 20 to 22``.

    Examples
    --------
    >>> spans_text((3, 4, 5, 9))
    'frames 3 to 5 and 9'
    >>> spans_text((7,))
    'frame 7'
    """
    spans: list[tuple[int, int]] = []
    for ordinal in sorted(ordinals):
        if spans and ordinal == spans[-1][1] + 1:
            spans[-1] = (spans[-1][0], ordinal)
        else:
            spans.append((ordinal, ordinal))
    parts = [f"{a}" if a == b else f"{a} to {b}" for a, b in spans[:limit]]
    if len(spans) > limit:
        parts.append(f"{len(spans) - limit} further spans")
    words = " and ".join(filter(None, [", ".join(parts[:-1]), parts[-1]]))
    return f"{'frame' if len(ordinals) == 1 else 'frames'} {words}"
