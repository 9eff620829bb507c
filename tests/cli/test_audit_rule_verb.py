"""`clipmark audit rule`: said without saving, entered, ruled, and the judge's verdict untouched."""

import pytest

from clipmark.record.folder import EventFolder
from tests.cli.conftest import RAMP_DEG

GIVEN = ["--entry", "Dipper", "--test", "ladder", "--by", "M. Fell", "--verdict", "failed",
         "--reason", "stalled", "--called-by", "R. Aldous"]  # fmt: skip


@pytest.fixture
def event(clipmark, tmp_path, drawn_clip):
    """An attempt whose board was drawn at `RAMP_DEG`, read with a small uncertainty."""
    folder = tmp_path / "tarn-hollow"
    assert clipmark("start", folder).status == 0
    ran = clipmark(
        *drawn_clip.angle, "--plumb", drawn_clip.plumb, "--square-within", "0.1", "--into", folder,
        *GIVEN, "--json",
    )  # fmt: skip
    assert ran.status == 0, ran.err
    return folder


def rule(clipmark, event, *more):
    return clipmark("audit", "rule", event, "a0001", *more)


def attempt_of(event):
    with EventFolder.open(event) as folder:
        return folder.attempt("a0001").attempt


def test_without_a_signature_it_only_says(clipmark, event):
    before = attempt_of(event)
    ran = rule(clipmark, event, "--claim", f"ramp >= {RAMP_DEG + 1:.1f} deg", "--json")
    assert ran.status == 0, ran.err
    assert (ran.json["outcome"], ran.json["saved"]) == ("falls", None)
    assert attempt_of(event) == before


def test_signed_it_is_entered_beside_the_judge_s_verdict(clipmark, event):
    before = attempt_of(event)
    claim = f"ramp >= {RAMP_DEG - 1:.1f} deg"
    ran = rule(clipmark, event, "--claim", claim, "--by", "N. Marsh", "--protested-by", "B. Brook")
    assert ran.status == 0, ran.err
    assert "The claim stands." in ran.out
    after = attempt_of(event)
    assert after.ruling is not None
    assert (after.ruling.outcome, after.ruling.by) == ("stands", "N. Marsh")
    assert after.model_copy(update={"claim": None, "ruling": None}) == before
    row = (event / "attempts.csv").read_text().splitlines()[1]
    assert "ramp at least" in row
    assert ",stands," in row


def test_a_protest_entered_first_waits_and_is_then_ruled_on(clipmark, event):
    claim = ["--claim", f"ramp <= {RAMP_DEG + 1:.1f} deg"]
    assert rule(clipmark, event, *claim, "--enter-only", "--by", "N. Marsh").status == 0
    assert attempt_of(event).ruling is None
    ran = rule(clipmark, event, "--by", "N. Marsh", "--json")
    assert ran.json["outcome"] == "stands"
    assert ran.json["protest"] == "a0001-p1"
    again = rule(clipmark, event)
    assert again.status == 2
    assert "no protest against attempt a0001 waits for a ruling" in again.err


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (["--claim", "touched = 1"], "'touched' is a judgement call, which stays the judge's"),
        (["--claim", "ramp is steep"], "'ramp is steep' is no claim that can be ruled on"),
        (["--claim", "stalls <= 2"], "attempt a0001 has no reading that tells its stalls"),
        (["--claim", "ramp >= 20 kg"], "which is no unit that is measured in here"),
        (["--claim", "ramp >= 20 mm"], "mm"),
        (["--claim", "ramp > 1 deg", "--enter-only"], "sign it (--by NAME)"),
        (["--protested-by", "D. Brook"], "give the claim of a new protest (--claim)"),
        (["--protest", "a0001-p9"], "attempt a0001 has no protest a0001-p9"),
    ],
)
def test_what_cannot_be_ruled_on_is_refused_in_a_sentence(clipmark, called_only, more, sentence):
    ran = rule(clipmark, called_only, *more)
    assert ran.status == 2
    assert sentence in ran.err
    assert "Traceback" not in ran.err


@pytest.fixture(scope="module")
def called_only(tmp_path_factory):
    """The same refusals without measuring anything: a reading written down by hand."""
    folder = tmp_path_factory.mktemp("rule") / "event"
    angle = {
        "ramp_deg": 20.0, "ramp_u95_deg": 0.2, "ramp_low95_deg": 19.8, "ramp_high95_deg": 20.2,
        "frame": 0, "t_s": 0.0, "clip_sha256": "0" * 64, "fingerprint": "0" * 64, "warnings": [],
    }  # fmt: skip
    with EventFolder.create(folder, name="Tarn Hollow Pocket Trials") as event:
        event.save_attempt(
            {
                "entry": "Dipper",
                "test": "ladder",
                "readings": [{"measure": "angle", "result": angle}],
            },
            by="M. Fell",
        )
    return folder
