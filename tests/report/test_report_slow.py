"""How long the report of a whole club day takes."""

import time
from pathlib import Path

import pytest

from clipmark.record.folder import EventFolder
from clipmark.reporting import report_of_event
from clipmark.sample.media import sample_media_folder
from tests.report.report_kit import SHEET, angle_result, crawl_result

CLIPS = ("siskin-climb.mp4", "siskin-stall.mp4", "dipper-creep.mp4")


@pytest.fixture
def club_day(tmp_path: Path) -> Path:
    """60 attempts of 15 entries, of three real-sized clips."""
    folder = tmp_path / "event"
    with EventFolder.create(folder) as event:
        sheet = SHEET.replace('name = "Siskin"', 'name = "Truck 0"')
        sheet += "".join(f'[[entry]]\nname = "Truck {n}"\n' for n in range(1, 15))
        (folder / "event.toml").write_text(sheet, encoding="utf-8")
        clips = [event.add_clip(sample_media_folder() / name) for name in CLIPS]
        for number in range(60):
            clip = clips[number % 3]
            ladder = number % 4 < 2
            reading = angle_result(clip.sha256, number % 40, 30 + 0.1 * number) if ladder else (
                crawl_result(clip.sha256) | {"ripple": 0.08 + 0.001 * number})  # fmt: skip
            event.save_attempt(
                {
                    "entry": f"Truck {number // 4}", "test": "board ladder" if ladder else "creep",
                    "setup": "as entered", "try_no": number % 2 + 1, "clip": clip,
                    "step_deg": 30.0 + 5 * (number % 2) if ladder else None, "verdict": "cleared",
                    "travel": "up", "called_by": "R. Brook",
                    "readings": [{"measure": "angle" if ladder else "crawl", "result": reading}],
                },
                by="Marsh",
            )  # fmt: skip
    return folder


@pytest.mark.slow
def test_score_and_report_of_sixty_attempts_take_about_half_a_minute(club_day):
    begin = time.perf_counter()
    paths = report_of_event(club_day)
    took = time.perf_counter() - begin
    print(
        f"60 attempts scored and reported in {took:.1f} s, page {paths.page.stat().st_size} bytes"
    )
    assert not paths.left_out
    assert len(paths.files) == 1 + 60 + 2 * 15 + 2 * 3
    assert took < 45
