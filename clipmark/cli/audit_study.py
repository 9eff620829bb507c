"""``clipmark audit study``: how well markers agree, and what they cannot tell apart."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from clipmark.audit.markings import Markings, gather
from clipmark.audit.study import ValueStudy, VerdictStudy, study_value, study_verdicts
from clipmark.audit.study_out import value_out, verdict_out
from clipmark.audit.study_words import (
    UNITS,
    Step,
    pair_words,
    smallest_step,
    unit_of,
    verdict_words,
    words_of,
)
from clipmark.cli import options as opt
from clipmark.cli.show import emit_json, screen, table, warn
from clipmark.errors import AuditError, ClipmarkError
from clipmark.record.folder import EventFolder
from clipmark.record.rule_sheet import RuleSheet, read_rule_sheet
from clipmark.uncertainty.digits import digits_for
from clipmark.uncertainty.variance_parts import Estimate

NOTHING = 1e-9  # mm, s, deg, ...: rounding of the same number


def run(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The event folder.")],
    value: Annotated[
        str | None,
        typer.Option("--value", metavar="NAME", help="Study this value alone, in full."),
    ] = None,
    chart: Annotated[
        Path | None,
        typer.Option(
            "--chart",
            metavar="FILE.png|.svg",
            help="Draw the differences of the markers over their means, with --value.",
        ),
    ] = None,
    as_json: opt.Json = False,
) -> None:
    """How well those who marked the same attempts agree, blind markers and the original one.

    Example: clipmark audit study tarn-hollow

    Example: clipmark audit study tarn-hollow --value ramp_deg --chart agreement.png
    """
    with EventFolder.open(folder) as event:
        markings = gather(event)
        notes = [*markings.notes, *event.findings]
    names = _names(markings, value)
    if chart is not None and len(names) != 1:
        raise AuditError(
            f"which value to draw in {chart.name} is missing; give one of {', '.join(names)} "
            "(--value)"
        )
    sheet, more = _sheet(folder)
    tests = frozenset(item.test for item in markings.markings)
    studies = [study_value(markings, name) for name in names]
    steps = [None if sheet is None else smallest_step(sheet, tests, name) for name in names]
    verdicts = study_verdicts(markings)
    if chart is not None:
        from clipmark.report.agreement_chart import draw_agreement  # draws: slow to load

        draw_agreement(studies[0], chart)
    notes += more
    if as_json:
        emit_json(
            {
                "folder": str(folder),
                "attempts": list(markings.attempts),
                "markers": list(markings.markers),
                "markings": len(markings.markings),
                "values": [
                    value_out(study, step) for study, step in zip(studies, steps, strict=True)
                ],
                "verdicts": [verdict_out(item) for item in verdicts],
                "chart": None if chart is None else str(chart),
                "notes": notes,
            }
        )
        return
    _print_who(markings)
    if len(studies) == 1:
        _print_value(studies[0], steps[0])
    elif studies:
        _print_summary(folder, studies)
    _print_verdicts(verdicts)
    if chart is not None:
        screen.print(f"chart: {chart}")
    warn(notes)


def _names(markings: Markings, value: str | None) -> list[str]:
    names = list(markings.values())
    if value is None:
        if not names and not any(item.verdict for item in markings.markings if item.blind):
            raise AuditError(
                "no attempt has two markings with the same value, and no blind marker gave a "
                "verdict, so there is nothing to compare"
            )
        return names
    if value not in names:
        known = f"those that are there: {', '.join(names)}" if names else "there is none"
        raise AuditError(f"no attempt has two markings with the value '{value}' (--value); {known}")
    return [value]


def _sheet(folder: Path) -> tuple[RuleSheet | None, list[str]]:
    """The rule sheet, for the steps of its tests; the study goes on without one."""
    try:
        return read_rule_sheet(folder), []
    except ClipmarkError as error:
        return None, [f"the steps of the tests are not known: {error}"]


def _print_who(markings: Markings) -> None:
    rows = []
    for marker in markings.markers:
        theirs = [item for item in markings.markings if item.marker == marker]
        blind = sum(item.blind for item in theirs)
        attempts = len({item.attempt for item in theirs})
        rows.append((marker, str(len(theirs) - blind), str(blind), str(attempts)))
    table("Who marked", ("marker", "original", "blind", "attempts"), rows)


def _print_summary(folder: Path, studies: list[ValueStudy]) -> None:
    rows = []
    for study in studies:
        unit = UNITS.get(unit_of(study.value), "")
        limit = None if study.across is None else study.across.reproducibility_limit
        icc = None if study.icc is None else study.icc.forms["2,1"]
        ratio = None if study.scatter is None else study.scatter.ratio
        rows.append(
            (
                study.value,
                str(len(study.attempts)),
                str(study.markings),
                "no difference" if limit and limit.high < NOTHING else _estimate(limit, unit),
                _estimate(icc, places=3),
                _estimate(ratio, places=2),
            )
        )
    table(
        "How well the markers agree (95 % intervals in brackets)",
        (
            "value",
            "attempts",
            "markings",
            "two people differ by less than",
            "ICC(2,1)",
            "scatter / stated",
        ),
        rows,
    )
    screen.print(
        f"One value in full: clipmark audit study {folder} --value {studies[0].value}",
        highlight=False,
        soft_wrap=True,
    )


def _print_value(study: ValueStudy, step: Step | None) -> None:
    unit = unit_of(study.value)
    shown = UNITS.get(unit, "")
    table(
        f"{study.value}: what {len(study.markers)} markers can and cannot tell apart",
        ("what the markings say",),
        [(sentence,) for sentence in words_of(study, step)],
    )
    pairs = [pair for pair in study.pairs if pair.limits is not None]
    if pairs:
        table(
            f"{study.value} of two markers (95 % intervals in brackets)",
            ("first less second", "attempts", "bias", "lower limit", "upper limit", "at odds"),
            [
                (
                    f"{pair.first} - {pair.second}",
                    str(pair.limits.n),
                    _estimate(pair.limits.bias, shown, sd=pair.limits.sd),
                    _estimate(pair.limits.lower, shown, sd=pair.limits.sd),
                    _estimate(pair.limits.upper, shown, sd=pair.limits.sd),
                    f"{pair.at_odds} of {pair.compared}",
                )
                for pair in pairs
                if pair.limits is not None
            ],
        )
    for pair in study.pairs:
        odd = pair.limits is None or pair.limits.biased or pair.limits.trending or pair.at_odds
        for sentence in pair_words(pair, unit) if odd else ():
            screen.print(sentence, highlight=False, soft_wrap=True)
    _print_gauge(study, shown)


def _print_gauge(study: ValueStudy, unit: str) -> None:
    gauge = study.gauge
    if gauge is None:
        return
    names = {
        "repeatability": "repeatability (one marker, again)",
        "markers": "between markers",
        "interaction": "markers and attempts together",
        "reproducibility": "reproducibility",
        "grr": "all marking",
        "part": "between attempts",
        "total": "total",
    }
    table(
        f"Crossed gauge study of {len(study.gauge_attempts)} attempts, "
        f"{len(study.gauge_markers)} markers, {gauge.repeats} each",
        ("standard deviation", f"{unit or 'value'}", "% of study"),
        [
            (
                names[name],
                _estimate(gauge.sd(name), sd=max(gauge.sd(name).value, gauge.sd("grr").value)),
                f"{gauge.percent(name):.1f}",
            )
            for name in names
            if name in gauge.variances
        ],
    )
    table(
        "Analysis of variance",
        ("source", "sum of squares", "dof", "mean square", "F", "p"),
        [
            (
                row.source,
                f"{row.ss:.4g}",
                str(row.dof),
                f"{row.ms:.4g}",
                "-" if row.f is None else f"{row.f:.3g}",
                "-" if row.p is None else f"{row.p:.3g}",
            )
            for row in gauge.anova
        ],
    )
    categories = "without end" if gauge.categories is None else str(gauge.categories)
    told = [f"{gauge.why}; distinct categories: {categories}"]
    for name, raw in gauge.negative.items():
        told.append(
            f"the component '{names[name]}' came out at {raw:.3g}, below 0, and stands as 0"
        )
    if study.ranges is not None:
        ranges = study.ranges
        told.append(
            f"by averages and ranges: repeatability {ranges.repeatability:.3g}, reproducibility "
            f"{ranges.reproducibility:.3g}, all marking {ranges.grr:.3g} {unit}; distinct "
            f"categories {ranges.categories if ranges.categories is not None else 'without end'}"
        )
    for sentence in told:
        screen.print(sentence, highlight=False, soft_wrap=True)


def _print_verdicts(studies: tuple[VerdictStudy, ...]) -> None:
    if not studies:
        return
    cells = list(
        dict.fromkeys(
            (one, other)
            for study in studies
            for one in study.table.classes
            for other in study.table.classes
        )
    )
    rows: list[tuple[str, ...]] = []
    whys: dict[str, None] = {}
    for study in studies:
        found, kappa = study.table, study.table.kappa
        counts = {
            (one, other): found.counts[i][j]
            for i, one in enumerate(found.classes)
            for j, other in enumerate(found.classes)
        }
        told = [str(counts.get(cell, 0)) for cell in cells]
        shown = "-"
        if kappa is not None and kappa.interval is not None:
            shown = _estimate(Estimate(kappa.value, *kappa.interval), places=2)
        else:
            whys[verdict_words(study)[-1]] = None
        same = _estimate(found.agreed.times(100.0), "%", places=0)
        rows.append((f"{study.first} / {study.second}", *told, same, shown))
    columns = [f"{one} / {other}" for one, other in cells]
    table(
        "Verdicts, first / second marker (95 % intervals in brackets)",
        ("markers", *columns, "the same", "kappa"),
        rows,
    )
    for why in whys:
        screen.print(why, highlight=False, soft_wrap=True)


def _estimate(
    found: Estimate | None, unit: str = "", *, places: int | None = None, sd: float | None = None
) -> str:
    """``0.14 deg (0.10 to 1.76)``."""
    if found is None:
        return "-"
    digits = digits_for(found.value if sd is None else sd) if places is None else places
    tail = f" {unit}" if unit else ""
    return f"{found.value:.{digits}f}{tail} ({found.low:.{digits}f} to {found.high:.{digits}f})"
