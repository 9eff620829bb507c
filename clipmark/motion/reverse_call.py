"""The call that a rule sheet makes of the three facts of a reverse. Pure: nothing is measured.

The same word means different things between sheets: a wheel that turned back, driven or not; a
body that moved back, only where it was driven; and so on (the trade's sheets differ). So each fact
is measured by itself, and a sheet says which of them it needs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

# Words of the rule sheet, and the fact of the reading that each stands for.
FACTS = {
    "wheel turned back": "wheel_turned_back",
    "body moved back": "body_moved_back",
    "driven": "driven",
}
USUAL_NEEDS = ("body moved back", "driven")  # where the sheet is silent: free roll-backs are none
REVERSED, NOT_REVERSED, CANNOT_TELL = "reversed", "not reversed", "cannot tell"
_SAID = {
    "wheel turned back": ("a wheel turned back", "no wheel turned back"),
    "body moved back": ("the body moved back", "the body did not move back"),
    "driven": ("it was driven back", "it was not driven back"),
}


def call_reverse(
    facts: Mapping[str, object], test: str, needs: Sequence[str] | None
) -> dict[str, object]:
    """What a rule sheet calls the facts of one descent.

    Parameters
    ----------
    facts : mapping
        ``reverse`` of a climb reading: each fact with ``seen`` true, false or null, or null.
    test : str
        Name of the test whose rule is applied.
    needs : sequence of str or None
        Words of `FACTS`, all of which must hold; None where the sheet does not say.

    Returns
    -------
    dict
        ``call`` (reversed, not reversed, cannot tell), ``needs``, ``rule`` (whose words these
        are) and ``why``, a sentence that names the rule.
    """
    wanted = tuple(USUAL_NEEDS if needs is None else needs)
    rule = f"test '{test}' of the rule sheet" if needs is not None else (
        f"the usual rule, since test '{test}' of the rule sheet names none (reverse_needs)"
    )  # fmt: skip
    seen = {name: _seen(facts.get(FACTS[name])) for name in wanted}
    missing = [name for name in wanted if seen[name] is False]
    untold = [name for name in wanted if seen[name] is None]
    if missing:
        call, told = NOT_REVERSED, _listed([_SAID[name][1] for name in missing])
    elif untold:
        call = CANNOT_TELL
        told = f"the footage does not tell whether {_listed([_SAID[name][0] for name in untold])}"
    else:
        call, told = REVERSED, _listed([_told(name, facts.get(FACTS[name])) for name in wanted])
    needed = _listed([_SAID[name][0] for name in wanted])
    why = f"by {rule}, a reverse needs that {needed}; {told}"
    return {"call": call, "needs": list(wanted), "rule": rule, "why": why}


def _seen(fact: object) -> bool | None:
    value = fact.get("seen") if isinstance(fact, Mapping) else None
    return value if isinstance(value, bool) else None


def _told(name: str, fact: object) -> str:
    """``the body moved back by 72.0 mm from 2.43 s on``."""
    words = _SAID[name][0]
    if not isinstance(fact, Mapping):
        return words
    for key, unit in (("deg", " deg"), ("mm", " mm"), ("px", " px")):
        amount, at = fact.get(key), fact.get("t_s")
        if isinstance(amount, (int, float)) and isinstance(at, (int, float)):
            return f"{words} by {amount:.1f}{unit} from {at:.2f} s on"
    why = fact.get("why")
    return f"{words} ({why})" if why else words


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
