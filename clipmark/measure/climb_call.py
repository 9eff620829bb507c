"""A descent with the call that a rule sheet makes of its facts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from clipmark.motion.reverse_call import call_reverse


def called_result(
    result: Mapping[str, object], test: str, needs: Sequence[str] | None
) -> dict[str, object]:
    """A climb reading (``to_dict()``) with ``reverse_call``; as it is where it tells no reverse."""
    facts = result.get("reverse")
    if not isinstance(facts, Mapping):
        return dict(result)
    return {**result, "reverse_call": call_reverse(facts, test, needs)}
