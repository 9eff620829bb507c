"""How ``clipmark crawl`` prints a reading, an expectation, and draws its chart."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from clipmark.cli.show import show_saved, table, warn, with_u
from clipmark.errors import RecordError
from clipmark.measure.crawl import CrawlReading, Expectation
from clipmark.sheet_grade import grade_of_test

CHART_SUFFIXES = (".png", ".svg")
FIGURES = (
    ("duration", "s", "lasts"),
    ("distance", "mm", "distance"),
    ("mean_speed", "mm_s", "mean speed"),
    ("slowest_speed", "mm_s", "slowest speed held"),
    ("ripple", "", "ripple, share of the mean speed"),
    ("rollback", "mm", "rolled back"),
    ("start_jump", "", "start jump, peak over steady speed"),
    ("start_delay", "s", "wheel before body at the start"),
    ("stop_distance", "mm", "stopping distance"),
    ("roll_off", "mm", "roll-off while held"),
    ("sparc", "", "SPARC, rest to rest"),
    ("ldlj", "", "LDLJ, rest to rest"),
)
ALWAYS = 6  # of the figures: shown with a dash when unknown, the others only when known


def check_chart(path: Path) -> None:
    """Raise `RecordError` for a chart that could not be written, before anything is measured."""
    if path.suffix.lower() not in CHART_SUFFIXES:
        raise RecordError(
            f"the chart {path.name} is neither .png nor .svg; give a file name with one of these "
            "endings"
        )


def named_test(rules: Path, test: str | None) -> str:
    """The test to grade by; raises `RecordError` when none, or one without grades, is named."""
    if not test:
        raise RecordError("grading needs the test; name it as the rule sheet does (--test)")
    if grade_of_test(rules, test).table is None:
        raise RecordError(
            f"{rules}: the rule sheet has no table of grades for a test '{test}'; give a test of "
            "kind smoothness with its measure and grades"
        )
    return test


def draw_chart(
    result: Mapping[str, object], trace: pd.DataFrame, path: Path, measure: str = "crawl"
) -> None:
    """Draw what was followed; raises `FolderError` when it cannot be written."""
    # The drawing library takes a third of a second to load: only when something is drawn.
    from clipmark.report.reading_charts import draw_reading

    draw_reading(measure, result, trace, path)


def print_crawl(reading: CrawlReading, result: Mapping[str, object]) -> None:
    """Tables of figures, phases, wheels and stalls on stdout, notes on stderr."""
    rows = []
    for number, (name, unit, what) in enumerate(FIGURES):
        tail = f"_{unit}" if unit else ""
        value, u95 = result.get(f"{name}{tail}"), result.get(f"{name}_u95{tail}")
        if number < ALWAYS or value is not None:
            rows.append((what, with_u(value, u95, unit.replace("mm_s", "mm/s"))))
    rows.append(("noise floor of speed", with_u(result.get("noise_floor_mm_s"), None, "mm/s")))
    stalls = reading.stalls
    called = [stall for stall in stalls or [] if not stall["commanded"]]
    rows.append(("stalls", "not told" if stalls is None else str(len(called))))
    rows += _grade_rows(result)
    table(
        f"Frames {reading.first_frame} to {reading.last_frame}",
        ("figure", "value, U (95 %)"),
        rows,
    )
    _print_stalls(called)
    _print_phases(reading)
    _print_wheels(reading)
    show_saved(result)
    warn(reading.warnings)


def _grade_rows(result: Mapping[str, object]) -> list[tuple[str, str]]:
    grade = result.get("grade")
    if not isinstance(grade, Mapping):
        return []
    value, chances = grade.get("grade"), grade.get("p")
    rows = [("grade", "not told" if value is None else f"{value:g}")]
    if isinstance(chances, Mapping):
        shown = (f"{name}: {float(p):.0%}" for name, p in chances.items() if float(p) >= 0.005)
        rows.append(("how sure", ", ".join(shown)))
    return rows


def _print_stalls(stalls: list[dict[str, float | bool]]) -> None:
    if not stalls:
        return
    rows = [
        (
            f"{stall['t_s']:.3f} s",
            with_u(stall["dwell_s"], stall["dwell_u95_s"], "s"),
            f"{stall['s_mm']:.1f} mm",
        )
        for stall in stalls
    ]
    table("Stalls", ("from", "lasts", "at"), rows)


def _print_phases(reading: CrawlReading) -> None:
    """Phases, when there is more than one."""
    if not reading.phases or len(reading.phases) < 2:
        return
    rows = []
    for phase in reading.phases:
        went = with_u(phase["distance_mm"], phase["distance_u95_mm"], "mm")
        if phase["roll_off_mm"] is not None:
            went = with_u(phase["roll_off_mm"], phase["roll_off_u95_mm"], "mm")
        rows.append(
            (
                str(phase["phase"]),
                f"{phase['t_s']:.2f} to {phase['until_s']:.2f} s",
                went,
                str(phase["wheels"]),
                str(phase["moved_by"] or "-"),
            )
        )
    table("Phases", ("phase", "when", "went", "wheels", "moved by"), rows, words=("wheels",))


def _print_wheels(reading: CrawlReading) -> None:
    if not reading.wheels:
        return
    slips = {item["wheel"]: item for item in reading.slip or []}
    rows = []
    for wheel in reading.wheels:
        slip = slips.get(wheel["wheel"], {})
        rows.append(
            (
                str(wheel["wheel"]),
                with_u(wheel["turned_deg"], wheel["turned_u95_deg"], "deg"),
                with_u(slip.get("driving"), slip.get("driving_u95")),
                with_u(slip.get("braking"), slip.get("braking_u95")),
            )
        )
    table("Wheels", ("wheel", "turned", "slip, driving", "slip, braking"), rows)
    if reading.ripple_orders:
        lines = [
            (
                str(line["wheel"]),
                f"{line['per_turn']:.2f}",
                with_u(line["ripple"], line["ripple_u95"]),
            )
            for line in reading.ripple_orders
        ]
        table("Ripple by order", ("wheel", "events per turn", "ripple"), lines)


def print_expectation(found: Expectation) -> None:
    """What a clip can resolve, as a table."""
    rows = [
        (
            f"{item.speed_mm_s:g} mm/s",
            f"{item.noise_floor_mm_s:.2g} mm/s",
            f"{item.mean_speed_u95_mm_s:.2g} mm/s",
            "-" if item.ripple_floor is None else f"{item.ripple_floor:.2g}",
            "-" if item.ripple_u95 is None else f"{item.ripple_u95:.2g}",
            "yes" if item.stalls_told else "no",
        )
        for item in found.at
    ]
    table(
        f"Expected, {found.span_s:.1f} s, ripple from {found.band_hz[0]:g} to "
        f"{found.band_hz[1]:g} Hz",
        ("at", "noise floor", "U mean", "least ripple", "U ripple", "stalls"),
        rows,
    )
    table(
        "The picture",
        ("what", "value"),
        [
            ("place in one frame, standard", f"{found.position_u_px:.3f} px"),
            ("the same in the plane", f"{found.position_u_mm:.4f} mm"),
            ("frames a second", f"{found.frame_rate_hz:.2f}"),
            ("nothing is seen faster than", f"{found.highest_hz:.1f} Hz"),
            *_wheel_rows(found),
        ],
    )
    warn(found.warnings)


def _wheel_rows(found: Expectation) -> list[tuple[str, str]]:
    rows = []
    pairs = zip(found.turn_u_deg, found.slip_above_mm_s, strict=True)
    for number, (turn, slip) in enumerate(pairs, 1):
        known = "cannot be seen" if turn is None else f"{turn:.3f} deg"
        rows.append((f"turn of wheel {number} in one frame, standard", known))
        if slip is not None:
            rows.append((f"slip of wheel {number} is told above", f"{slip:.1f} mm/s"))
    return rows
