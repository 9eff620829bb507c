"""Every attempt as the result shows it; set angle beside measured angle."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

from clipmark.scoring.measured import measured_of, unit_of
from clipmark.scoring.result import AttemptScore, Flag
from clipmark.scoring.rules import Rules
from clipmark.scoring.taken import Taken, measure_of
from clipmark.uncertainty.intervals import coverage_factor

# Standard uncertainty of an inclinometer of which nothing was written down: a common cheap one
# reads to a tenth of a degree (common practice, no source).
INCLINOMETER_U_DEG = 0.1


def attempt_scores(
    rules: Rules, everything: Sequence[Taken], counted: Collection[str]
) -> tuple[AttemptScore, ...]:
    """One row for each attempt; `counted` are the ids that totals rest on."""
    return tuple(_score(rules, taken, taken.id in counted) for taken in everything)


def _score(rules: Rules, taken: Taken, counted: bool) -> AttemptScore:
    a, measured = taken.attempt, taken.measured
    test, entry = rules.test(a.test), rules.entry(a.entry)
    ramp = measured_of(a, "ramp_deg")
    ruled = a.ruling.outcome if a.ruling else ""
    return AttemptScore(
        attempt=taken.id,
        revision=taken.saved.revision,
        journal_seq=taken.saved.line.seq,
        test=a.test,
        class_name=entry.class_name if entry else "",
        entry=a.entry,
        setup=a.setup,
        surface=a.surface,
        try_no=a.try_no,
        step_deg=a.step_deg,
        verdict=a.verdict or "",
        reason=a.reason or "",
        value=measured.value if measured else None,
        u95=measured.u95 if measured else None,
        low95=measured.low95 if measured else None,
        high95=measured.high95 if measured else None,
        unit=unit_of(measure_of(test)) if test and measured else "",
        points=None if taken.left_out else taken.points,
        parts=taken.parts,
        counted=counted and not taken.left_out,
        left_out=taken.left_out,
        set_deg=a.set_start_deg,
        measured_deg=ramp.value if ramp else None,
        measured_u95_deg=ramp.u95 if ramp else None,
        set_differs_deg=(
            ramp.value - abs(a.set_start_deg) if ramp and a.set_start_deg is not None else None
        ),
        claim=str(a.claim) if a.claim else "",
        ruling=ruled,
        under_protest=bool(a.claim) and ruled in ("", "cannot decide"),
        clip=a.clip.path if a.clip else "",
        clip_sha256=a.clip.sha256 if a.clip else "",
        frame=measured.frame if measured else (ramp.frame if ramp else None),
        called_by=a.called_by,
        note=a.note,
    )


def set_angle_flags(
    rules: Rules, everything: Sequence[Taken], inclinometer_u_deg: float | None
) -> list[Flag]:
    """Where set and measured angle disagree beyond their uncertainties, or the board moved.

    ``|measured - set| > 2 sqrt(u_measured^2 + u_inclinometer^2)`` at 95 %, the factor 1.96.
    """
    u_set = INCLINOMETER_U_DEG if inclinometer_u_deg is None else inclinometer_u_deg
    k = coverage_factor()
    found: list[Flag] = []
    for taken in everything:
        a = taken.attempt
        if a.verdict == "void" or a.set_start_deg is None:
            continue
        ramp = measured_of(a, "ramp_deg")
        if ramp is not None:
            off, u95 = ramp.value - abs(a.set_start_deg), k * math.hypot(ramp.u, u_set)
            if abs(off) > u95:
                found.append(
                    Flag(
                        "set angle",
                        f"{taken.id}: the board was set to {abs(a.set_start_deg):g} deg, but the "
                        f"footage shows {ramp.value:.2f} deg, {off:+.2f} deg beyond what both "
                        f"uncertainties allow ({u95:.2f} deg); zero the inclinometer by reversal, "
                        "and check level line and hinge",
                        attempt=taken.id,
                    )
                )
        if a.set_end_deg is not None:
            moved = abs(a.set_end_deg) - abs(a.set_start_deg)
            if abs(moved) > k * math.sqrt(2) * u_set:
                found.append(
                    Flag(
                        "board moved",
                        f"{taken.id}: the set angle went from {abs(a.set_start_deg):g} to "
                        f"{abs(a.set_end_deg):g} deg during the attempt, more than two readings of "
                        "the inclinometer differ by; check the hinge and the prop",
                        attempt=taken.id,
                    )
                )
    return found
