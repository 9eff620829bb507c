"""Every file that comes from outside, spoiled by lot: read, or refused in a sentence.

No other exception may leave a reader, and no reader may take long. The spoiling is drawn by
hypothesis, so that a file that breaks a reader is made smaller and shown.
"""

import csv
import io
import random
import shutil
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clipmark.audit.journal_source import read_source
from clipmark.audit.signature import read_public_key, read_signature
from clipmark.batch_results import ResultsFile
from clipmark.cli.batch_file import read_tasks
from clipmark.errors import ClipmarkError
from clipmark.geometry.planned_edge import usual_quality
from clipmark.marks_given import MarksFile
from clipmark.measure.lens_file import load_lens
from clipmark.measure.plan_like import quality_like
from clipmark.measure.tilt_join import read_other
from clipmark.page.drafts import Drafts, state_folder
from clipmark.record.backup import backup, verify_backup
from clipmark.record.folder import EventFolder
from clipmark.record.hidden_areas import FILE_NAME, kept_areas
from clipmark.record.rule_sheet import rule_sheet_of
from clipmark.scoring.rules import rules_of
from tests.fuzz.spoiled import spoiled_bytes, spoiled_json, spoiled_toml

MEDIA = Path(__file__).parents[2] / "sample_media"
MOST_S = 5.0
by_lot = st.integers(0, 2**32 - 1)


def often(examples):
    quick = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
    return settings(max_examples=examples, deadline=None, suppress_health_check=quick)


def read_or_refused(read, *arguments):
    """Call a reader; anything but a value or a sentence fails the test."""
    began, sentence = time.monotonic(), "read"
    try:
        read(*arguments)
    except ClipmarkError as error:
        sentence = str(error)
    assert sentence.strip()
    assert "Traceback" not in sentence
    assert time.monotonic() - began < MOST_S


@pytest.fixture(autouse=True)
def own_homes(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


JSON_FILES = {
    "lens": (MEDIA / "lenses" / "pipit-720.json", load_lens),
    "marks": (
        MEDIA / "marks" / "siskin-climb.json",
        lambda path: MarksFile.read(path, MEDIA / "lenses"),
    ),
}


@pytest.mark.parametrize("what", sorted(JSON_FILES))
@pytest.mark.parametrize("spoil", [spoiled_bytes, spoiled_json])
@often(60)
@given(seed=by_lot)
def test_lens_and_marks_files(tmp_path, what, spoil, seed):
    good, read = JSON_FILES[what]
    path = tmp_path / "spoiled.json"
    path.write_bytes(spoil(good.read_bytes(), random.Random(seed)))
    read_or_refused(read, path)


OTHER_RUN = (
    b'{"tilt_deg": 41.2, "tilt_u95_deg": 0.4, "low_side": "left", "clip_sha256": "aa",'
    b' "rate_deg_s": 1.5, "budget": {"tilt_deg": [{"source": "level line", "u_deg": 0.05}]}}'
)
TRIAL = (
    b'{"lines": {"ramp": {"measured": [1, 2, 300, 4], "u_angle_deg": 0.01, "edge_fit": {"kind":'
    b' "step", "contrast": 0.4, "blur_px": 0.8, "noise": 0.01}}, "level": [{"measured": [1, 9, 300,'
    b' 9], "u_angle_deg": 0.01, "edge_fit": {"kind": "step", "contrast": 0.4, "blur_px": 0.8,'
    b' "noise": 0.01}}], "hubs": {"hub_fit": true, "covariance_px2": [[[0.01, 0], [0, 0.01]]]}}}'
)


@pytest.mark.parametrize("spoil", [spoiled_bytes, spoiled_json])
@often(80)
@given(seed=by_lot)
def test_readings_that_were_printed_earlier(tmp_path, spoil, seed):
    path = tmp_path / "spoiled.json"
    path.write_bytes(spoil(OTHER_RUN, random.Random(seed)))
    read_or_refused(read_other, path)
    path.write_bytes(spoil(TRIAL, random.Random(seed)))
    read_or_refused(quality_like, path, usual_quality())


@pytest.mark.parametrize("spoil", [spoiled_bytes, spoiled_toml])
@often(60)
@given(seed=by_lot)
def test_rule_sheets(spoil, seed):
    data = spoil((MEDIA / "event.toml").read_bytes(), random.Random(seed))
    text = data.decode("utf-8", errors="replace")
    read_or_refused(rule_sheet_of, text)
    read_or_refused(rules_of, text)


TASKS = {
    ".toml": b'[options]\nangle = "--level 1,2,3,4"\n\n[[task]]\nverb = "angle"\nclip = "a.mp4"\n'
    b'options = "--frame 3 --ramp 1,2,3,4"\n\n[[task]]\nverb = "footage"\nclip = "b.mp4"\n'
    b'options = ["--json"]\nname = "b"\n',
    ".csv": b"verb,clip,options,name,--frame\r\nangle,a.mp4,--ramp 1 2,first,3\r\nfootage,b,,,\r\n",
}


@pytest.mark.parametrize(("ending", "spoil"), [
    (".toml", spoiled_bytes), (".toml", spoiled_toml), (".csv", spoiled_bytes),
])  # fmt: skip
@often(60)
@given(seed=by_lot)
def test_lists_of_tasks(tmp_path, ending, spoil, seed):
    path = tmp_path / f"tasks{ending}"
    path.write_bytes(spoil(TASKS[ending], random.Random(seed)))
    read_or_refused(read_tasks, path)


@often(60)
@given(seed=by_lot)
def test_results_of_a_batch(tmp_path, seed):
    path = tmp_path / "results.jsonl"
    path.unlink(missing_ok=True)
    with ResultsFile(path) as results:
        for number in range(3):
            results.add(f"{number}" * 64, "done", number, {"verb": "angle"}, '"result": {"a": 1}')
    path.write_bytes(spoiled_bytes(path.read_bytes(), random.Random(seed)))

    def read():
        with ResultsFile(path) as results:
            for key in list(results.newest):
                results.line(key)

    read_or_refused(read)


AREAS = b'{"clips": {"aa": [{"x": 1, "y": 2, "w": 30, "h": 40, "first_frame": 3}]}}'


@pytest.mark.parametrize("spoil", [spoiled_bytes, spoiled_json])
@often(60)
@given(seed=by_lot)
def test_areas_to_hide(tmp_path, spoil, seed):
    (tmp_path / FILE_NAME).write_bytes(spoil(AREAS, random.Random(seed)))
    read_or_refused(kept_areas, tmp_path)


@pytest.fixture(scope="module")
def event(tmp_path_factory):
    """A small event with two attempts."""
    path = tmp_path_factory.mktemp("fuzzed") / "event"
    with EventFolder.create(path, name="Tarn Hollow Pocket Trials") as folder:
        for entry in ("Siskin", "Wren"):
            body = {"entry": entry, "test": "ladder", "verdict": "cleared", "note": "as called"}
            folder.save_attempt(body, by="Fell")
    return path


@pytest.mark.parametrize("name", ["journal.jsonl", "event.toml", "session.toml", "attempts.csv"])
@often(30)
@given(seed=by_lot)
def test_files_of_an_event_folder(event, tmp_path, name, seed):
    place = tmp_path / "spoiled"
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(event, place)
    (place / name).write_bytes(spoiled_bytes((event / name).read_bytes(), random.Random(seed)))

    def open_and_read():
        with EventFolder.open(place) as folder:
            folder.attempts()
            folder.session()
            _ = folder.findings

    read_or_refused(open_and_read)


@often(40)
@given(seed=by_lot)
def test_backups(event, tmp_path, seed):
    path = tmp_path / "backup.zip"
    path.unlink(missing_ok=True)
    with EventFolder.open(event) as folder:
        backup(folder, path)
    path.write_bytes(spoiled_bytes(path.read_bytes(), random.Random(seed)))
    read_or_refused(verify_backup, path)
    read_or_refused(read_source, path)


@often(60)
@given(seed=by_lot)
def test_signatures_and_keys(tmp_path, seed):
    chance = random.Random(seed)
    signature = b'{"statement": {"bundle": "aa"}, "public_key": "AAAA", "signature": "BBBB"}'
    path = tmp_path / "spoiled.sig"
    path.write_bytes(spoiled_json(signature, chance))
    read_or_refused(read_signature, path)
    path.write_bytes(spoiled_bytes(signature, chance))
    read_or_refused(read_signature, path)
    read_or_refused(read_public_key, path)


@often(40)
@given(seed=by_lot)
def test_drafts_that_a_crash_or_an_editor_left(tmp_path, seed):
    folder = state_folder(tmp_path / "event")
    folder.mkdir(parents=True, exist_ok=True)
    good = b'{"key": "k1", "holder": "Fell", "at": "2026-05-01T10:00:00.000Z", "draft": {}}'
    (folder / "k1.json").write_bytes(spoiled_json(good, random.Random(seed)))
    read_or_refused(Drafts(tmp_path / "event").all)


@often(40)
@given(table=st.lists(st.lists(st.text(max_size=8), max_size=4), max_size=4))
def test_any_table_is_a_list_of_tasks_or_refused(tmp_path, table):
    out = io.StringIO(newline="")
    csv.writer(out).writerows(table)
    path = tmp_path / "tasks.csv"
    path.write_text(out.getvalue(), encoding="utf-8", errors="replace", newline="")
    read_or_refused(read_tasks, path)
