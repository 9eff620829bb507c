"""What is known of a quantity, from the clip where it is there, else from the stated interval."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np

from clipmark.audit.knowledge import CountDrawn, CountFound, Drawn, Knowledge, Stated, stated
from clipmark.audit.quantities import Quantity, half_frame_s, stalls_in
from clipmark.audit.repeat import repeat_angle, repeat_crawl, true_fps_of
from clipmark.clip import Clip, open_clip
from clipmark.errors import ClipmarkError
from clipmark.measure.crawl_stall_odds import StallOdds, stall_odds
from clipmark.record.folder import EventFolder
from clipmark.record.models import Attempt
from clipmark.record.readings import Reading
from clipmark.uncertainty.budget import welch_satterthwaite
from clipmark.uncertainty.conformance import conformance_probability
from clipmark.uncertainty.intervals import coverage_factor

Progress = Callable[[str, int, int], None]
SAME = 1e-6  # relative; a repetition that differs by more is not the reading
LEAST_DWELL_S = 0.15
ANGLES = {"ramp_deg": "ramp", "chassis_deg": "chassis", "chassis_to_ramp_deg": "chassis_to_ramp"}


class _Otherwise(Exception):
    """Why the draws cannot be had; the stated interval then stands for them."""


def knowledge_of(
    event: EventFolder, attempt: Attempt, quantity: Quantity, progress: Progress | None = None
) -> tuple[Knowledge, StallOdds | None, tuple[str, ...]]:
    """Distribution of a quantity; the stalls by place where they were drawn; what to say of it.

    The angles and the count of stalls are drawn again from the clip. Where it is gone, or gives
    another value than the journal holds, their stated interval is taken and the reason is said.
    """
    try:
        if quantity.key in ANGLES:
            return _angle_draws(event, attempt, quantity), None, ()
        if quantity.quality == "count":
            known, odds = _count_draws(event, attempt, quantity, progress)
            return known, odds, ()
    except _Otherwise as why:
        return (
            _from_interval(attempt, quantity),
            None,
            (f"the draws could not be made again, so the stated values stand for them: {why}",),
        )
    return _from_interval(attempt, quantity), None, ()


def clip_of(event: EventFolder, attempt: Attempt, reading: Reading) -> Path:
    """Where the clip of a reading lies; raises `FolderError` where it is nowhere."""
    wanted = [attempt.clip, *(item.clip for item in attempt.further_clips)]
    for ref in wanted:
        if ref is not None and ref.sha256 == reading.clip_sha256:
            return event.find_clip(ref)
    raise _Otherwise("the attempt does not name the clip that the reading was taken from")


def _opened(event: EventFolder, attempt: Attempt, reading: Reading) -> Clip:
    try:
        return open_clip(clip_of(event, attempt, reading), true_fps=true_fps_of(attempt, reading))
    except ClipmarkError as error:
        raise _Otherwise(str(error)) from error


def _angle_draws(event: EventFolder, attempt: Attempt, quantity: Quantity) -> Drawn:
    reading, name = quantity.reading, ANGLES[quantity.key]
    with _opened(event, attempt, reading) as clip:
        try:
            again = repeat_angle(clip, attempt, reading)
        except (ClipmarkError, KeyError, TypeError, IndexError) as error:
            raise _Otherwise(f"the reading cannot be repeated ({error})") from error
    _check_same(reading, quantity.key, again.values[name].estimate, again.fingerprint)
    if again.model is None:
        raise _Otherwise("the repeated reading has no model to draw from")
    samples = np.degrees(again.model.draw_rad(again.seed, again.draws)[name])
    if quantity.magnitude and (reading.number(quantity.key) or 0.0) < 0:
        samples = -samples
    return Drawn(
        samples,
        f"{again.draws} draws of the reading (JCGM 101), made again from its seed {again.seed}",
        again.seed,
        again.draws,
    )


def _check_same(reading: Reading, key: str, again: float, fingerprint: str) -> None:
    if fingerprint != reading.fingerprint:
        raise _Otherwise("the clip's frame is decoded to another picture than it was then")
    held = reading.number(key)
    if held is None or abs(again - held) > SAME * max(1.0, abs(held)):
        raise _Otherwise(
            f"repeated with this version the value is {again:.8g}, in the journal it is {held}; "
            "clipmark audit replay compares the two"
        )


def _count_draws(
    event: EventFolder, attempt: Attempt, quantity: Quantity, progress: Progress | None
) -> tuple[CountDrawn, StallOdds]:
    reading = quantity.reading

    def following(done: int, of: int) -> None:
        if progress is not None:
            progress("following", done, of)

    def drawing(done: int, of: int) -> None:
        if progress is not None:
            progress("drawing", done, of)

    with _opened(event, attempt, reading) as clip:
        try:
            again = repeat_crawl(clip, attempt, reading, progress=following)
        except (ClipmarkError, KeyError, TypeError, IndexError) as error:
            raise _Otherwise(f"the reading cannot be repeated ({error})") from error
    count = sum(not stall["commanded"] for stall in again.stalls or [])
    if count != quantity.value:
        raise _Otherwise(
            f"repeated with this version there are {count} stalls, in the journal "
            f"{quantity.value:.0f}; clipmark audit replay compares the two"
        )
    _check_same(reading, "distance_mm", again.distance_mm, again.fingerprint)
    if again.trace is None or again.trace.standing.blind:
        raise _Otherwise("the repeated crawl has no trace that tells standing from moving")
    odds = stall_odds(again.trace, progress=drawing)
    said = (
        f"stalls found anew in {odds.draws} traces with the noise of this one drawn on it (seed "
        f"{odds.seed})"
    )
    return CountDrawn(odds.counts, said, odds.seed, odds.draws), odds


def _from_interval(attempt: Attempt, quantity: Quantity) -> Knowledge:
    if quantity.quality == "count":
        return _found_stalls(attempt, quantity)
    if quantity.key == "ripple":
        high, low = quantity.high95**2, quantity.value**2
        u = (high - low) / coverage_factor()
        said = "the stated interval; the square of the ripple is normal, cut at 0"
        return Stated(low, u, u, said, lowest=0.0, squared=True)
    value, low, high = quantity.value, quantity.low95, quantity.high95
    if quantity.key in ("stalls", "finish_t_s"):  # edges and crossings: half a frame beside
        half = half_frame_s(attempt)
        if half is not None:
            u = math.hypot((high - value) / coverage_factor(), half / math.sqrt(3))
            low, high = value - coverage_factor() * u, value + coverage_factor() * u
        known = stated(value, low, high, lowest=quantity.lowest)
        return Stated(
            known.estimate, known.u_below, known.u_above,
            f"{known.said}, with half a frame beside it", known.dof, known.lowest,
        )  # fmt: skip
    dof = _dof(quantity)
    k = coverage_factor(dof)
    return stated(value, low, high, dof=dof, k=k, lowest=quantity.lowest)


def _found_stalls(attempt: Attempt, quantity: Quantity) -> CountFound:
    half = half_frame_s(attempt) or 0.0
    found = []
    for stall in stalls_in(quantity.reading) or []:
        dwell, u95 = stall.get("dwell_s"), stall.get("dwell_u95_s")
        if isinstance(dwell, (int, float)) and isinstance(u95, (int, float)):
            u = math.hypot(u95 / 2, half * math.sqrt(2 / 3))
            found.append(conformance_probability(float(dwell), u, low=LEAST_DWELL_S))
    said = (
        "the stalls found, each as sure as its dwell is; what was nearly a stall can be told from "
        "the clip only, so that the footage alone sets no upper bound"
    )
    return CountFound(tuple(found), said)


def _dof(quantity: Quantity) -> float:
    """Degrees of freedom behind a stated interval, from its linear result or its budget."""
    result = quantity.reading.result
    linear = result.get("linear")
    if isinstance(linear, dict):
        table = linear.get(quantity.key)
        dof = table.get("dof") if isinstance(table, dict) else None
        return float(dof) if isinstance(dof, (int, float)) else math.inf
    rows = budget_rows(quantity)
    shares = [(u, dof) for _, u, dof, _ in rows]
    return welch_satterthwaite([u for u, _ in shares], [dof for _, dof in shares])


def budget_rows(quantity: Quantity) -> list[tuple[str, float, float, str]]:
    """Source, standard uncertainty, degrees of freedom and advice, largest first."""
    budget = quantity.reading.result.get("budget")
    rows = budget.get(quantity.key) if isinstance(budget, dict) else None
    out = []
    for row in rows if isinstance(rows, list) else []:
        if not isinstance(row, dict):
            continue
        u = next((v for key, v in row.items() if key == "u" or key.startswith("u_")), None)
        if isinstance(u, (int, float)):
            dof = row.get("dof")
            out.append(
                (
                    str(row.get("source")),
                    float(u),
                    float(dof) if isinstance(dof, (int, float)) else math.inf,
                    str(row.get("advice") or ""),
                )
            )
    return out
