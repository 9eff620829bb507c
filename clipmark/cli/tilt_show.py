"""How ``clipmark tilt`` prints a reading for people."""

from __future__ import annotations

from collections.abc import Mapping

from clipmark.cli.show import budget_table, show_saved, table, warn, with_u
from clipmark.measure.tilt import TiltReading


def print_tilt(reading: TiltReading, result: Mapping[str, object]) -> None:
    """Tables of events, of what else was looked for, of the centre of gravity; notes on stderr."""
    rows = []
    for item in reading.events:
        told = item.to_dict()
        angle = with_u(told["tilt_deg"], told["tilt_u95_deg"], "deg")
        if item.tilt is None:
            angle = f"turned {item.turned_deg:.2f} deg"
        rows.append(
            (
                item.event,
                item.criterion,
                f"{item.t_s:.3f} s",
                str(item.frame),
                angle,
                with_u(item.rate_deg_s, item.rate_u95_deg_s, "deg/s"),
            )
        )
    if rows:
        table(
            f"Side tilt, {reading.low_side} side low",
            ("event", "criterion", "at", "frame", "platform, U (95 %)", "rate"),
            rows,
            words=("criterion",),
        )
    else:
        table("Side tilt", ("what",), [("none of the four events was seen",)])
    if reading.missing:
        table(
            "Not named",
            ("event", "said", "why"),
            [(item.event, item.said, item.why) for item in reading.missing],
            words=("said", "why"),
        )
    _print_sway(reading)
    _print_cog(reading)
    rows_of = reading.budget.get("tilt_deg") or reading.budget.get("gap_tilt_deg")
    if rows_of:
        budget_table("tilt_deg" if "tilt_deg" in reading.budget else "gap_tilt_deg", rows_of)
    show_saved(result)
    warn(reading.warnings)


def _print_sway(reading: TiltReading) -> None:
    rows = []
    for what, sway in reading.sways.items():
        if sway is None:
            continue
        swing = "none seen"
        if sway.swing_deg is not None and sway.u_swing_deg is not None:
            size = with_u(sway.swing_deg, 1.96 * sway.u_swing_deg, "deg")
            swing = f"{size} at {sway.swing_hz:.1f} Hz"
        shakes = "none seen" if sway.vibration_deg is None else f"{sway.vibration_deg:.3f} deg"
        rows.append((what, swing, shakes))
    if rows:
        table("Before it happened", ("what", "swing, U (95 %)", "vibration over 5 Hz, rms"), rows)


def _print_cog(reading: TiltReading) -> None:
    if reading.joined is None:
        return
    joined = reading.joined
    rows = [
        (
            "height of the centre of gravity",
            with_u(joined.height.estimate, joined.height.u95, "mm"),
        ),
        ("offset, to the right", with_u(joined.offset.estimate, joined.offset.u95, "mm")),
        (
            "static stability factor",
            with_u(joined.stability_factor.estimate, joined.stability_factor.u95),
        ),
        ("left side low, right side low", f"{joined.left_deg:.2f}, {joined.right_deg:.2f} deg"),
    ]
    table("Left and right together", ("figure", "value, U (95 %)"), rows)
