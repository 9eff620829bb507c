"""One small drawn event and its report, made once."""

from pathlib import Path

import pytest

from clipmark.reporting import ReportPaths, report_of_event
from tests.report.report_kit import NASTY, make_event


@pytest.fixture(scope="session")
def drawn_event(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("drawn") / "event"
    with make_event(folder, ["Siskin", *NASTY]) as event:
        saved = event.attempt("a0001")
        claim = {"measure": "ramp_deg", "relation": "at most", "value": 28.0, "unit": "deg",
                 "by": "Brook"}  # fmt: skip
        body = saved.attempt.model_dump() | {"claim": claim, "note": "wheel off the edge?"}
        event.save_attempt(body, by="Fell", id="a0001", base_revision=1)
    return folder


@pytest.fixture(scope="session")
def made(drawn_event: Path, tmp_path_factory) -> ReportPaths:
    return report_of_event(drawn_event, out=tmp_path_factory.mktemp("made") / "out")
