"""A request with a wrong field is refused in the page's own words: which field, what it is, what
it must be."""

import pytest

from clipmark.errors import RecordError
from clipmark.page.bodies import AngleAsked, PairingAsked, SessionPut, SignAsked, StandPut
from clipmark.page.field_words import label_of
from clipmark.record.sheets import session_of
from tests.page import marking_kit as kit

# What pydantic would say, none of which an operator can use.
VALIDATOR_WORDS = ("Input", "should be", "Field required", "draft.", "body.", "pydantic", "Extra")


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    with kit.sample_page(tmp_path_factory.mktemp("refused")) as client:
        yield client


def refused(answer) -> str:
    assert answer.status_code == 422, answer.text
    sentence = answer.json()["error"]
    assert not any(words in sentence for words in VALIDATOR_WORDS), sentence
    return sentence


def kept(page, **details):
    draft = kit.draft_of(details=details)
    return page.put(f"/api/drafts/{kit.KEY}", json={"holder": "here", "draft": draft})


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("step_deg", 4200, "step is 4200, but must be at most 180 °; correct it"),
        ("step_deg", -1, "step is -1, but must be at least 0 °; correct it"),
        ("step_deg", "steep", "step is 'steep', but must be a number; correct it"),
        ("try_no", 0, "try is 0, but must be at least 1; correct it"),
        ("try_no", 1.5, "try is 1.5, but must be a whole number; correct it"),
        (
            "set_start_deg",
            181,
            "set angle at the start is 181, but must be at most 180 °; correct it",
        ),
        (
            "set_end_deg",
            -999.5,
            "set angle at the end is -999.5, but must be at least -180 °; correct it",
        ),
        (
            "entry",
            "x" * 201,
            "entry is 201 characters long, but must be at most 200 characters long; correct it",
        ),
        ("entry", "a\nb", "entry must stand on one line, without tabs"),
        (
            "verdict",
            "won",
            "verdict is 'won', but must be one of 'cleared', 'failed', 'void'; correct it",
        ),
        ("penalties", -1, "penalties is -1, but must be at least 0; correct it"),
    ],
)
def test_of_the_slip(page, field, value, sentence):
    assert refused(kept(page, **{field: value})) == sentence


def test_of_several_wrong_fields_the_first_is_told_and_the_others_counted(page):
    told = refused(kept(page, step_deg=200, try_no=0))
    assert told == ("try is 0, but must be at least 1; correct it (and one more field is wrong)")


@pytest.mark.parametrize(
    ("field", "value", "sentence"),
    [
        ("room_c", -400, "room is -400, but must be at least -60 °C; correct it"),
        ("room_c", 61, "room is 61, but must be at most 60 °C; correct it"),
        ("tyre_c", 1e6, "tyres is 1000000.0, but must be at most 200 °C; correct it"),
        (
            "inclinometer_u_deg",
            90,
            "inclinometer, its standard uncertainty is 90, but must be at most 45 °; correct it",
        ),
        (
            "date",
            "yesterday",
            "date is 'yesterday', but must be a day such as 2026-05-16; correct it",
        ),
        (
            "date",
            "2026-02-30",
            "date is '2026-02-30', which is no day of the calendar; give one such as 2026-05-16",
        ),
    ],
)
def test_of_the_session_record(page, field, value, sentence):
    asked = {"by": "M. Fell", "body": {field: value}}
    assert refused(page.put("/api/session", json=asked)) == sentence


@pytest.mark.parametrize(
    ("field", "value", "ending"),
    [
        ("mass_g", 0, "is 0, but must be above 0 g; correct it"),
        ("mass_g", 2e6, "is 2000000.0, but must be at most 1000000 g; correct it"),
        ("battery_before_v", -1, "is -1, but must be at least 0 V; correct it"),
        ("runs_since_cleaning", 2.5, "is 2.5, but must be a whole number; correct it"),
        ("wheelbase_mm", 1e5, "is 100000.0, but must be at most 10000 mm; correct it"),
    ],
)
def test_of_a_set_up_the_sentence_says_which_one(page, field, value, ending):
    body = {"setups": [{"setup": "as entered"}, {"setup": "hard tyres", field: value}]}
    told = refused(page.put("/api/session", json={"by": "M. Fell", "body": body}))
    assert told.endswith(f" of set-up 2 {ending}")


def test_of_a_stand(page):
    body = {"name": "left", "distance_mm": 0}
    asked = {"by": "M. Fell", "body": body}
    assert refused(page.put("/api/stands/left", json=asked)) == (
        "distance to the board is 0, but must be above 0 mm; correct it"
    )
    asked["body"] = {"name": ""}
    assert refused(page.put("/api/stands/left", json=asked)) == "name is empty; give a name"


def test_of_marks_and_sizes(page):
    sha = kit.clip_of(page, "siskin-stall")

    def asked(**marks):
        return refused(page.post(f"/api/clips/{sha}/angle", json={"marks": marks}))

    assert asked(sheet_size=[297, 0]) == (
        "sheet, second side is 0, but must be at least 0.01 mm; correct it"
    )
    assert asked(view_angle=180) == "view angle, across is 180, but must be below 180 °; correct it"
    assert asked(ramp=[1, 2, 3]) == (
        "ramp line is not whole, a number of it is missing; give it and repeat"
    )
    assert asked(span=[9, 3]) == "the span 9:3 runs backwards; give the earlier frame first"
    assert asked(lens="../x.json").startswith("lens file is not the plain name of a lens file")


def test_what_the_page_cannot_have_meant_says_to_load_it_anew(page):
    told = refused(page.post("/api/pairings", json={"pattern": "{entry}", "colour": "red"}))
    assert told == "the page sent 'colour', which is no field here; load the page anew and repeat"
    told = refused(page.post("/api/pairings", content=b"{not json"))
    assert told == "what the page sent cannot be read; load the page anew and repeat"


@pytest.mark.parametrize("model", [SignAsked, AngleAsked, SessionPut, StandPut, PairingAsked])
def test_every_field_that_people_fill_in_has_its_name_on_the_page(model):
    """A field added to a body without a label would be refused by its name in the code."""
    not_people_s = {
        "key", "base_revision", "live", "attempt", "take_over", "holder", "source_sha256",
    }  # fmt: skip
    schema = model.model_json_schema()
    parts = [schema, *schema.get("$defs", {}).values()]
    names = {name for part in parts for name in part.get("properties", {})}
    inner = {"draft", "details", "marks", "body"}
    unnamed = {name for name in names - not_people_s - inner if label_of((name,)) is None}
    assert unnamed == set()


def test_the_session_file_is_held_to_the_same_bounds():
    with pytest.raises(RecordError) as refusal:
        session_of("room_c = -400\n")
    assert str(refusal.value) == (
        "session.toml cannot be recorded: room_c must be at least -60 (got '-400')"
    )
