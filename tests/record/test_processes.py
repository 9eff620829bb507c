"""Several programs at once; those that are killed in the middle are in test_kills.py."""

import os
import subprocess
import sys
import threading
import time
from itertools import pairwise
from pathlib import Path

import pytest

from clipmark.record.attempts_file import read_rows
from clipmark.record.folder import EventFolder

# Saves attempts as fast as it can; says each acknowledged line on stdout, flushed.
SAVER = """
import sys
from clipmark.record.folder import EventFolder
event = EventFolder.open(sys.argv[1])
for number in range(int(sys.argv[3])):
    line = event.save_attempt(
        {"entry": sys.argv[2], "test": "climb", "note": "x" * 3000, "try_no": number + 1},
        by=sys.argv[2],
    )
    print(line.seq, line.id, line.sha256, flush=True)
event.close()
"""


def start_saver(folder: Path, name: str, count: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", SAVER, str(folder), name, str(count)],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"OMP_NUM_THREADS": "1"},
    )


@pytest.mark.timeout(120)
def test_two_programs_saving_at_once_lose_nothing(event):
    """Every acknowledged line is there, each seq once, the chain whole, the table complete."""
    event.close()
    savers = [start_saver(event.path, name, 60) for name in ("Moss Toad", "Heather Goat")]
    said = [saver.communicate(timeout=100)[0].split("\n")[:-1] for saver in savers]
    assert [saver.returncode for saver in savers] == [0, 0]
    again = EventFolder.open(event.path)
    assert again.findings == ()
    entries = again.journal.entries
    assert [entry.seq for entry in entries] == list(range(1, len(entries) + 1))
    held = {(str(entry.seq), entry.id, entry.sha256) for entry in entries}
    answered = [tuple(line.split()) for lines in said for line in lines]
    assert len(answered) == len(set(answered)) == 120
    assert set(answered) <= held
    ids = [entry.id for entry in entries if entry.kind == "attempt"]
    assert len(set(ids)) == 120
    rows = read_rows((event.path / "attempts.csv").read_text(encoding="utf-8"))
    assert {(r["journal_seq"], r["attempt"], r["journal_sha256"]) for r in rows} == set(answered)
    seen_by_turns = [again.attempt(record_id).attempt.entry for record_id in ids]
    assert any(a != b for a, b in pairwise(seen_by_turns))


def test_threads_of_one_program_take_turns(event, climb):
    """As the page's server does: one open folder, several requests."""
    errors: list[BaseException] = []

    def save() -> None:
        try:
            for _ in range(15):
                event.save_attempt(climb, by="M. Fell")
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=save) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    assert len(event.attempts()) == 60
    assert EventFolder.open(event.path).findings == ()


def test_the_table_follows_within_two_seconds_where_it_is_slow_to_write(event, climb):
    """A slow table waits for a timer, so that the answer does not wait for it."""
    event._table._last_cost_s = 1.0  # as if ten thousand attempts were in it
    began = time.monotonic()
    line = event.save_attempt(climb, by="M. Fell")
    table = event.path / "attempts.csv"
    while not table.exists() or line.sha256 not in table.read_text(encoding="utf-8"):
        assert time.monotonic() - began < 2.0
        time.sleep(0.02)


def test_closing_does_not_wait_for_the_timer(event, climb):
    event._table._last_cost_s = 1.0
    line = event.save_attempt(climb, by="M. Fell")
    event.close()
    assert line.sha256 in (event.path / "attempts.csv").read_text(encoding="utf-8")
