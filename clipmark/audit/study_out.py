"""A study of markers as plain data: what ``--json`` prints.

Statistics carry their unit last as values do: ``bias_deg, bias_low95_deg, bias_high95_deg``. What
is infinite or unknown is null.
"""

from __future__ import annotations

from dataclasses import asdict

from clipmark.audit.study import Pair, ValueStudy, VerdictStudy
from clipmark.audit.study_words import Step, pair_words, unit_of, verdict_words, words_of
from clipmark.uncertainty.digits import number_of
from clipmark.uncertainty.gauge_study import COMPONENTS
from clipmark.uncertainty.variance_parts import Estimate

Table = dict[str, object]


def value_out(study: ValueStudy, step: Step | None = None) -> Table:
    """JSON form of the study of one value."""
    unit = unit_of(study.value)
    return {
        "value": study.value,
        "unit": unit,
        "attempts": list(study.attempts),
        "markers": list(study.markers),
        "markings": [
            [
                [item.number(study.value) for item in study.cells.get((attempt, marker), ())]
                for marker in study.markers
            ]
            for attempt in study.attempts
        ],
        "words": words_of(study, step),
        "smallest_step": None if step is None else {f"size{_tail(unit)}": step.size, "of": step.of},
        "pairs": [_pair(pair, unit) for pair in study.pairs],
        "repeatability": {
            marker: {**_with_ends("sd", unit, found.sd), "dof": found.dof,
                     f"coefficient{_tail(unit)}": found.coefficient}
            for marker, found in study.repeats.items()
        },
        "icc": _icc(study),
        "gauge_study": _gauge(study, unit),
        "average_and_range": _ranges(study, unit),
        "smallest_difference": None
        if study.across is None
        else {
            **_with_ends("reproducibility_limit", unit, study.across.reproducibility_limit),
            "markers": list(study.across_markers),
            "attempts": study.across.parts,
        },
        "scatter": None
        if study.scatter is None
        else {
            **_with_ends("ratio", "", study.scatter.ratio),
            f"stated_u{_tail(unit)}": study.scatter.stated_u,
            "dof": study.scatter.dof,
        },
        "missing_for_repeats": study.missing(2),
        "other_frames": study.other_frames,
    }  # fmt: skip


def verdict_out(study: VerdictStudy) -> Table:
    """JSON form of the verdicts of two markers."""
    table, kappa = study.table, study.table.kappa
    interval = (None, None) if kappa is None or kappa.interval is None else kappa.interval
    return {
        "first": study.first,
        "second": study.second,
        "attempts": table.n,
        "classes": list(table.classes),
        "counts": [list(row) for row in table.counts],
        **_with_ends("agreed", "", table.agreed),
        "kappa": None if kappa is None else kappa.value,
        "kappa_se": None if kappa is None else kappa.se,
        "kappa_low95": interval[0],
        "kappa_high95": interval[1],
        "why_not": table.why_not,
        "words": verdict_words(study),
    }


def _pair(pair: Pair, unit: str) -> Table:
    out: Table = {
        "first": pair.first,
        "second": pair.second,
        "attempts": list(pair.attempts),
        "compared": pair.compared,
        "at_odds": pair.at_odds,
        "why_not": pair.why_not,
        "words": pair_words(pair, unit),
    }
    limits = pair.limits
    if limits is None:
        return out
    return out | {
        **_with_ends("bias", unit, limits.bias),
        f"sd{_tail(unit)}": limits.sd,
        **_with_ends("lower", unit, limits.lower),
        **_with_ends("upper", unit, limits.upper),
        "intervals": limits.way,
        f"sd_of_means{_tail(unit)}": limits.sd_of_means,
        **_with_ends("slope", "", limits.slope),
        "correlation": number_of(limits.correlation),
    }


def _icc(study: ValueStudy) -> Table | None:
    found = study.icc
    if found is None:
        return None
    forms: Table = {}
    for form, item in found.forms.items():
        test = found.tests[form]
        ends = _with_ends("icc", "", item)
        forms[form] = {
            **ends, "f": number_of(test.f), "p": test.p,
            "dof": test.dof, "dof_below": test.dof_below,
        }  # fmt: skip
    return {"attempts": list(study.icc_attempts), "markers": found.markers, "forms": forms}


def _gauge(study: ValueStudy, unit: str) -> Table | None:
    found = study.gauge
    if found is None:
        return None
    components: Table = {
        name: {
            **_with_ends("sd", unit, found.sd(name)),
            "percent_of_study": number_of(found.percent(name)),
        }
        for name in COMPONENTS
        if name in found.variances
    }
    return {
        "attempts": list(study.gauge_attempts),
        "markers": list(study.gauge_markers),
        "repeats": found.repeats,
        "anova": [asdict(row) for row in found.anova],
        "interaction_pooled": found.pooled,
        "why": found.why,
        "components": components,
        "negative": found.negative,
        "distinct_categories": found.categories,
        "distinct_categories_raw": number_of(found.categories_raw),
        **_with_ends("repeatability_limit", unit, found.repeatability_limit),
        **_with_ends("reproducibility_limit", unit, found.reproducibility_limit),
    }


def _ranges(study: ValueStudy, unit: str) -> Table | None:
    found = study.ranges
    if found is None:
        return None
    names = ("repeatability", "reproducibility", "grr", "part", "total")
    sds: Table = {f"{name}_sd{_tail(unit)}": getattr(found, name) for name in names}
    return sds | {
        "percent_of_study": {name: number_of(found.percent(name)) for name in names[:4]},
        "distinct_categories": found.categories,
        "distinct_categories_raw": number_of(found.categories_raw),
    }


def _with_ends(name: str, unit: str, found: Estimate) -> Table:
    tail = _tail(unit)
    return {
        f"{name}{tail}": number_of(found.value),
        f"{name}_low95{tail}": number_of(found.low),
        f"{name}_high95{tail}": number_of(found.high),
    }


def _tail(unit: str) -> str:
    return f"_{unit}" if unit else ""
