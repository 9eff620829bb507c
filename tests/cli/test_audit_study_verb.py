"""``clipmark audit study`` on events made in the journal."""

import pytest

from tests.audit import study_kit as kit


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("study") / "event"
    kit.drawn_event(
        path, attempts=6, blind=("Marsh", "Brook"), showings=2, bias=(0.0, 0.15)
    ).close()
    return path


def test_json_holds_everything_with_units_last(clipmark, folder):
    ran = clipmark("audit", "study", folder, "--json")
    assert ran.status == 0, ran.err
    told = ran.json
    assert told["markers"] == ["Fell", "Marsh", "Brook"]
    value = told["values"][0]
    assert value["value"] == "ramp_deg"
    assert len(value["markings"]) == 6
    assert [len(cell) for cell in value["markings"][0]] == [1, 2, 2]
    assert {"bias_deg", "bias_low95_deg", "bias_high95_deg", "sd_deg", "lower_low95_deg"} <= set(
        value["pairs"][0]
    )
    assert value["icc"]["forms"]["2,1"]["icc"] > 0.9
    assert value["gauge_study"]["repeats"] == 2
    assert value["average_and_range"]["distinct_categories"] > 1
    assert value["smallest_difference"]["markers"] == ["Fell", "Marsh", "Brook"]
    assert value["smallest_step"] == {"size_deg": 1.0, "of": "the ladder 'rough'"}
    assert value["missing_for_repeats"] == {"Fell": 6}
    assert told["verdicts"][0]["counts"] == [[5, 1], [0, 0]]


def test_one_value_in_full_says_what_the_markers_tell_apart(clipmark, folder, tmp_path):
    chart = tmp_path / "agreement.png"
    ran = clipmark("audit", "study", folder, "--value", "ramp_deg", "--chart", chart)
    assert ran.status == 0, ran.err
    text = " ".join(ran.out.replace("│", " ").split())
    assert "two people who mark the same clip differ by less than" in text
    assert "Fell reads less than Marsh" in text
    assert "Crossed gauge study of 6 attempts, 2 markers, 2 each" in text
    assert "Verdicts, first / second marker" in text
    assert chart.read_bytes().startswith(b"\x89PNG")


def test_a_value_that_nobody_marked_twice_is_refused_with_those_that_are_there(clipmark, folder):
    ran = clipmark("audit", "study", folder, "--value", "ripple")
    assert ran.status == 2
    assert "no attempt has two markings with the value 'ripple' (--value)" in ran.err
    assert "those that are there: ramp_deg" in ran.err


def test_an_event_without_blind_markings_is_refused_with_what_to_do(clipmark, tmp_path):
    event = kit.new_event(tmp_path / "event")
    event.save_attempt(kit.attempt(34.0), by="Fell")
    event.close()
    ran = clipmark("audit", "study", tmp_path / "event")
    assert ran.status == 2
    assert "nothing in" in ran.err
    assert "clipmark audit blind" in ran.err
