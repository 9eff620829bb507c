"""docs/formats.md names every key that a crawl prints, and none that it does not."""

import json
import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from clipmark.cli.app import application
from clipmark.measure.crawl_wheel_out import ripple_by_order
from clipmark.measure.grading import grade_result
from clipmark.record.rule_sheet import GRADE_KEYS, GRADED_MEASURES, rule_sheet_of
from clipmark.sample.media import sample_media_folder

PAGE = (Path(__file__).parents[2] / "docs" / "formats.md").read_text(encoding="utf-8")
PAGE = PAGE.replace(PAGE.split("## A plan")[1].split("\n## ")[0], "")  # it has titles alike
MEDIA = sample_media_folder()
NAME = "siskin-stall"
SPAN = "40:100"  # through the first stall
TAGS = ("u95", "low95", "high95")
UNITS = ("mm_s", "mm", "deg", "s")


def part(title: str, until: str) -> str:
    """The page from a title to the next one."""
    assert PAGE.count(title) == 1, title
    return PAGE.split(title)[1].split(until)[0]


def in_first_column(text: str) -> list[str]:
    """Names in the first column of the first table in a text."""
    table = next(block for block in text.split("\n\n") if block.startswith("|"))
    cells = [line.split("|")[1] for line in table.splitlines()[2:]]
    return [name for cell in cells for name in re.findall(r"`([\w]+)`", cell)]


def four(name: str) -> set[str]:
    """The keys of one value, unit last."""
    unit = next((unit for unit in UNITS if name.endswith(f"_{unit}")), "")
    base = name.removesuffix(f"_{unit}") if unit else name
    return {name, *(f"{base}_{tag}{'_' * bool(unit)}{unit}" for tag in TAGS)}


@pytest.fixture(scope="module")
def options():
    marks = json.loads((MEDIA / "marks" / f"{NAME}.json").read_text())
    truth = json.loads((MEDIA / "truth" / f"{NAME}.json").read_text())
    found = ["crawl", MEDIA / f"{NAME}.mp4", "--frame", "40", "--span", SPAN, "--json"]
    left, top, width, height = marks["patch"]
    found += ["--patch", f"{left + 20},{top - 7},{width},{height}", "--facing", "right"]
    found += ["--scale", ",".join(map(str, marks["scale"])), "--scale-mm", "200"]
    x, y, _, _ = np.array(truth["frames"]["hubs_px"][40])
    return [*found, "--wheel", f"{x:.0f},{y:.0f},25,25", "--wheel-mm", "54"]


@pytest.fixture(scope="module")
def trace(tmp_path_factory):
    return tmp_path_factory.mktemp("trace") / "trace.csv"


def printed(words) -> dict:
    done = CliRunner().invoke(application(), [str(word) for word in words])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


@pytest.fixture(scope="module")
def ran(options, trace):
    return printed([*options, "--trace", trace])


def test_every_key_of_a_reading_is_on_the_page_and_no_other(ran):
    values = in_first_column(part("**Values, four keys each**", "**Further keys**"))
    further = in_first_column(part("**Further keys**", "**One of `phases`**"))
    named = {key for value in values for key in four(value)} | set(further)
    assert named - {"saved", "stand"} == set(ran)  # those are of --into and --stand alone


@pytest.mark.parametrize("key", ["phases", "wheels", "slip"])
def test_every_key_within_it_is_on_the_page_and_no_other(ran, key):
    named = in_first_column(part(f"**One of `{key}`**", "\n**"))
    spread = {"turned_deg", "driving", "braking"}
    keys = {each for name in named for each in (four(name) if name in spread else {name})}
    assert keys == set(ran[key][0])


def test_a_stall_holds_what_the_page_says(ran):
    assert len(ran["stalls"]) == 1
    named = re.findall(r"`(\w+)`", part("**One of `stalls`**", "\n\n"))
    assert set(named) == set(ran["stalls"][0])


def test_settings_and_budgets_hold_what_the_page_says(ran):
    named = set(re.findall(r"`([\w ]+)`", part("**`settings`**", "\n\n")))
    assert set(ran["settings"]) <= named
    inner = {"scale mark", "sheet", "corners", "size_mm", "side_u_mm", "scale_u_mm"}
    assert named - inner == set(ran["settings"]) - inner
    row = ran["budget"]["distance_mm"][0]
    assert set(row) == {"source", "kind", "u_mm", "dof", "advice"}


def test_every_column_of_the_trace_is_on_the_page_and_no_other(ran, trace):
    columns = in_first_column(part("**The trace**", "### Before measuring"))
    of_wheel_1 = {re.sub(r"N(?=_|$)", "1", name) for name in columns}
    assert of_wheel_1 == set(pd.read_csv(trace).columns)


def test_every_key_of_an_expectation_is_on_the_page_and_no_other(options):
    found = printed([*options, "--expect"])
    assert set(in_first_column(part("### Before measuring", "**One of `at`**"))) == set(found)
    assert set(re.findall(r"`(\w+)`", part("**One of `at`**", "\n\n"))) == set(found["at"][0])


def test_a_line_of_ripple_by_order_holds_what_the_page_says():
    """A wheel of 54 mm at 40 mm/s over 10 s, with a line of 10 % at six events a turn."""
    times = np.arange(0, 10, 1 / 60)
    turn = 40 / 27 * times
    wheel = SimpleNamespace(
        number=1, note="", turn_rad=turn, known=np.isfinite(turn), stretch=np.zeros(len(turn), int)
    )
    noise = np.random.default_rng(1).normal(0, 0.01, len(times))
    way = 27 * (turn + 0.1 * np.sqrt(2) * np.sin(6 * turn) / 6) + noise
    trace = SimpleNamespace(times_s=times, s_mm=way, noise=SimpleNamespace(position_mm=0.01))
    path = SimpleNamespace(known=np.ones(len(times), bool))
    lines, _ = ripple_by_order([wheel], trace, path)
    text = part("**One of `ripple_orders`**", "\n\n")
    assert {"wheel", "per_turn", *four("ripple")} == set(lines[0])
    assert set(re.findall(r"`(\w+)`", text)) == {"wheel", "per_turn", "ripple"}
    assert lines[0]["per_turn"] == pytest.approx(6, abs=0.1)


def test_the_worked_example_of_a_grade_is_what_its_table_gives():
    sheet = '[event]\nname = "x"\n' + re.findall(r"```toml\n(.*?)```", PAGE, flags=re.DOTALL)[0]
    table = rule_sheet_of(sheet).tests[0].grade_table
    reading = {"ripple": 0.058, "ripple_u95": 0.009, "ripple_low95": 0.049, "ripple_high95": 0.067}
    shown = json.loads(re.findall(r"```json\n(.*?)```", PAGE, flags=re.DOTALL)[0])
    assert grade_result(reading, table, "creep") == shown
    assert set(re.findall(r"`(\w+)`", part("**`grade`**", "\n\n"))) == set(shown)
    below = {"ripple_below_noise_floor": True, "ripple_low95": 0.0, "ripple_high95": 0.045}
    assert grade_result(reading | {"ripple": 0.02} | below, table, "creep")["grade"] == 4


def test_every_key_and_measure_of_a_smoothness_test_is_on_the_page():
    text = part("**Grades of a smoothness test**", "Grades run in one direction")
    assert set(GRADE_KEYS) <= set(in_first_column(text))
    row = next(line for line in text.splitlines() if line.startswith("| `measure`"))
    assert set(re.findall(r"`(\w+)`", row)) == {"measure", *GRADED_MEASURES}
