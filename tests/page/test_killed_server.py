"""A server killed in the middle of saving loses nothing that it had answered."""

import http.client
import json
import random
import threading
import time
from pathlib import Path

from clipmark.record.folder import EventFolder

SAVES, WRITERS = 60, 2


def called_only(note: str) -> dict[str, object]:
    return {
        "attempt": None, "base_revision": None, "clip": None, "further_clips": [],
        "details": {"entry": "Heather Goat", "test": "ladder", "verdict": "cleared", "note": note},
        "marks": {"frame": 0}, "calls": [], "stand": None,
    }  # fmt: skip


def test_every_answered_save_survives_a_server_killed_while_saving(serve, empty_event: Path):
    random_s = random.Random(20_261_125)
    answered: dict[str, str] = {}  # note -> attempt id, as the server said
    asked = 0
    rounds = 0
    while len(answered) < SAVES:
        rounds += 1
        served = serve(empty_event)
        stop = threading.Event()

        def write(start: int, served=served, stop=stop) -> None:
            number = start
            while not stop.is_set():
                note = f"save {number}"
                number += WRITERS
                draft = called_only(note)
                body = {"key": f"new-{number:016x}", "by": "R. Aldous", "draft": draft,
                        "base_revision": None}  # fmt: skip
                try:
                    saved = served.call("POST", "api/attempts/sign", body)
                except (OSError, http.client.HTTPException, json.JSONDecodeError, EOFError):
                    return  # killed before it answered: nothing was promised
                answered[note] = saved["id"]

        threads = [threading.Thread(target=write, args=(asked + n,)) for n in range(WRITERS)]
        asked += 10_000
        for thread in threads:
            thread.start()
        deadline = time.monotonic() + 60
        before = len(answered)
        while len(answered) < before + 15 and time.monotonic() < deadline:
            time.sleep(0.01)
        time.sleep(random_s.uniform(0, 0.05))  # in the middle of whatever it does then
        served.kill()
        stop.set()
        for thread in threads:
            thread.join(30)
        assert len(answered) > before, "the server answered no save at all"
    assert rounds >= 3
    with EventFolder.open(empty_event) as event:
        held = {saved.id: saved.attempt.note for saved in event.attempts()}
        faults = [finding for finding in event.findings if "cannot be trusted" in finding]
    assert not faults
    assert {note: held.get(identity) for note, identity in answered.items()} == {
        note: note for note in answered
    }
