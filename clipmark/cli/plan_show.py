"""How a plan is printed."""

from __future__ import annotations

from clipmark.cli.show import budget_table, screen, table, with_u
from clipmark.measure.plan import Plan
from clipmark.measure.plan_crawl import PlannedCrawl

MOST_CHANGES = 6


def show_plan(found: Plan) -> None:
    """Expected uncertainties, what makes them up, what would help, what could be told apart."""
    planned = found.planned
    rows = [
        (what, with_u(value.estimate, value.u95, "deg"))
        for name, what in (
            ("ramp", "ramp"),
            ("chassis", "chassis, nose up"),
            ("chassis_to_ramp", "chassis to ramp, nose up"),
        )
        if (value := found.values.get(name)) is not None
    ]
    rows.append(("scale", f"{planned.px_per_mm:.2f} px/mm"))
    rows.append(("ramp line", f"{planned.model.ramp.length_px:.0f} px"))
    table("What a reading would say", ("what", "expected, U (95 %)"), rows)
    budget_table("ramp_deg", found.budget["ramp_deg"])
    _show_changes(found)
    pair = found.pair
    table(
        f"Smallest difference that would count (95 %): {pair.tries} tries each,\n"
        f"spread {pair.spread_deg:g} deg, steps of {pair.step_deg:g} deg",
        ("between", "deg"),
        [
            ("limits of two trucks, filmed from this stand", f"{pair.same_stand_deg:.2f}"),
            ("limits of two trucks, filmed from two such stands", f"{pair.other_stand_deg:.2f}"),
            ("the same, angles read without error", f"{pair.tries_alone_deg:.2f}"),
            ("two single readings from this stand", f"{pair.readings_deg:.2f}"),
        ],
    )
    if found.crawl is not None:
        _show_crawl(found.crawl)


def _show_changes(found: Plan) -> None:
    if not found.changes:
        screen.print("no single change to the stand would help by more than 3 %")
        return
    now = found.values["ramp"].u95
    to_ramp = found.values.get("chassis_to_ramp")
    rows = [
        (
            item.change,
            f"{item.ramp_u95_deg:.2f}",
            "-" if item.chassis_to_ramp_u95_deg is None else f"{item.chassis_to_ramp_u95_deg:.2f}",
        )
        for item in found.changes[:MOST_CHANGES]
    ]
    rows.insert(0, ("as it is", f"{now:.2f}", "-" if to_ramp is None else f"{to_ramp.u95:.2f}"))
    table(
        "What one change would leave: U (95 %), deg",
        ("change", "ramp", "chassis to ramp"),
        rows,
    )


def _show_crawl(crawl: PlannedCrawl) -> None:
    rows = [
        (
            f"{item.speed_mm_s:g}",
            f"{item.mean_speed_u95_mm_s:.2f}",
            "-" if item.ripple_floor is None else f"{item.ripple_floor:.3f}",
            "yes" if item.stalls_told else "no",
        )
        for item in crawl.at
    ]
    table(
        f"Slow motion at {crawl.frame_rate_hz:g} frames a second, {crawl.span_s:g} s;\n"
        f"slip is told above {crawl.slip_above_mm_s:.1f} mm/s",
        ("speed, mm/s", "U of the mean", "least ripple told", "stalls told"),
        rows,
    )
