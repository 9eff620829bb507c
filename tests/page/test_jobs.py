"""Background measurements: one at a time, told while they run, truly stopped, never done twice."""

import threading
import time

import numpy as np
import pandas as pd
import pytest

from clipmark.errors import FollowError, MarkError, PageError
from clipmark.page import jobs as jobs_module
from clipmark.page.jobs import Job, Jobs, QueueFullError, trace_of

WAIT_S = 10.0


class Reading:
    """What the jobs need of a crawl reading."""

    def __init__(self, speed: float = 20.0) -> None:
        self.table = pd.DataFrame(
            {"t_s": [0.0, 0.1], "s_mm": [0.0, np.nan], "v_mm_s": [speed, speed], "u_v_mm_s": 0.1}
        )
        self.speed = speed

    def to_dict(self) -> dict[str, object]:
        return {"mean_speed_mm_s": self.speed}


@pytest.fixture
def jobs():
    made = Jobs(shelf=None)
    yield made
    made.close()


class Gate:
    """Work that waits frame by frame until it is let on."""

    def __init__(self, frames: int = 5) -> None:
        self.frames = frames
        self.on = threading.Event()
        self.begun = threading.Event()
        self.reached = 0

    def __call__(self, job: Job) -> Reading:
        for number in range(self.frames):
            job.observe(number, number / 10, 100.0 + 2.0 * number, 50.0)
            job.progress(number + 1, self.frames)
            self.reached = number + 1
            self.begun.set()
            while not self.on.is_set() and not job.stopping:
                time.sleep(0.005)
        return Reading()


def test_a_job_tells_its_frames_and_then_its_result(jobs):
    gate = Gate()
    job = jobs.start("k", gate)
    assert gate.begun.wait(WAIT_S)
    assert (job.state, job.done, job.total, len(job.followed)) == ("running", 1, 5, 1)
    gate.on.set()
    assert job.ended.wait(WAIT_S)
    assert (job.state, job.done, job.result) == ("done", 5, {"mean_speed_mm_s": 20.0})
    assert job.trace == {
        "t_s": [0.0, 0.1],
        "s_mm": [0.0, None],
        "v_mm_s": [20.0, 20.0],
        "u_v_mm_s": [0.1, 0.1],
    }


def test_the_trace_for_drawing_holds_what_wheels_did_and_no_words():
    table = pd.DataFrame(
        {
            "t_s": [0.0, 0.1], "s_mm": [0.0, 2.0], "v_mm_s": [20.0, 20.0], "u_v_mm_s": [0.1, 0.1],
            "wheel1_deg": [0.0, 4.2], "wheel1_deg_s": [42.0, float("nan")],
            "wheel1_surface_mm_s": [20.0, 20.1], "slip1": [0.01, 0.02], "braking1": None,
            "wheel1_u_deg": [0.1, 0.1], "hub1_x_px": [5.0, 6.0], "wheel1_gap": ["", "covered"],
        }
    )  # fmt: skip
    trace = trace_of(table)
    assert list(trace) == [
        "t_s", "s_mm", "v_mm_s", "u_v_mm_s", "wheel1_deg", "wheel1_deg_s", "wheel1_surface_mm_s",
        "slip1", "braking1",
    ]  # fmt: skip
    assert trace["wheel1_deg_s"] == [42.0, None]
    assert trace["braking1"] == [None, None]


def test_a_job_that_is_stopped_ends_between_two_frames(jobs):
    gate = Gate(frames=1_000)
    job = jobs.start("k", gate)
    assert gate.begun.wait(WAIT_S)
    jobs.stop(job.id)
    assert job.ended.wait(WAIT_S)
    assert (job.state, job.result, gate.reached) == ("stopped", None, 1)


def test_only_one_runs_at_a_time_and_the_others_wait_in_order(jobs):
    first, second, third = Gate(), Gate(), Gate()
    made = [jobs.start(key, gate) for key, gate in zip("abc", (first, second, third), strict=True)]
    assert first.begun.wait(WAIT_S)
    time.sleep(0.05)
    assert (second.reached, third.reached) == (0, 0)
    jobs.stop(made[1].id)  # one that waits is stopped at once
    assert made[1].state == "stopped"
    first.on.set()
    assert third.begun.wait(WAIT_S)
    assert second.reached == 0
    third.on.set()
    assert made[2].ended.wait(WAIT_S)


def test_the_same_question_is_worked_out_once(jobs):
    gate = Gate()
    gate.on.set()
    job = jobs.start("k", gate)
    assert job.ended.wait(WAIT_S)
    again = jobs.start("k", Gate())
    assert again is job
    assert jobs.start("other", gate) is not job


def test_one_that_failed_or_was_stopped_may_be_started_anew(jobs):
    def refuse(job: Job) -> Reading:
        raise FollowError("the patch has no texture; mark another")

    failed = jobs.start("k", refuse)
    assert failed.ended.wait(WAIT_S)
    assert (failed.state, failed.error) == ("failed", "the patch has no texture; mark another")
    gate = Gate()
    gate.on.set()
    again = jobs.start("k", gate)
    assert again is not failed
    assert again.ended.wait(WAIT_S)
    assert again.state == "done"


def test_a_defect_in_one_measurement_leaves_the_next_one_running(jobs):
    def broken(job: Job) -> Reading:
        raise ZeroDivisionError("0 / 0")

    job = jobs.start("k", broken)
    assert job.ended.wait(WAIT_S)
    assert job.state == "failed"
    assert job.error == (
        "this is a defect of clipmark, not of your marks (ZeroDivisionError: 0 / 0); measure "
        "another span, and tell us"
    )
    gate = Gate()
    gate.on.set()
    assert jobs.start("n", gate).ended.wait(WAIT_S)


def test_the_queue_has_an_end(jobs, monkeypatch):
    monkeypatch.setattr(jobs_module, "MOST_WAITING", 2)
    gate = Gate()
    jobs.start("0", gate)
    assert gate.begun.wait(WAIT_S)
    for key in "12":
        jobs.start(key, Gate())
    with pytest.raises(QueueFullError) as refused:
        jobs.start("3", Gate())
    assert str(refused.value) == "2 measurements wait already; let them end, or stop some"


def test_old_results_are_forgotten_but_none_that_runs(jobs, monkeypatch):
    monkeypatch.setattr(jobs_module, "MOST_KEPT", 3)
    gate = Gate()
    gate.on.set()
    made = [jobs.start(str(number), gate) for number in range(6)]
    for job in made:
        assert job.ended.wait(WAIT_S)
    jobs.start("last", gate).ended.wait(WAIT_S)
    with pytest.raises(PageError, match=r"^there is no measurement '\w{16}'; start it again$"):
        jobs.get(made[0].id)
    assert jobs.get(made[-1].id).state == "done"


def test_long_traces_are_forgotten_before_many_short_ones_are(jobs, monkeypatch):
    monkeypatch.setattr(jobs_module, "MOST_FRAMES_KEPT", 12)
    gate = Gate(frames=5)
    gate.on.set()
    made = [jobs.start(str(number), gate) for number in range(3)]
    for job in made:
        assert job.ended.wait(WAIT_S)
    jobs.start("last", gate)
    with pytest.raises(PageError):
        jobs.get(made[0].id)
    assert [jobs.get(job.id) for job in made[1:]] == made[1:]


def test_nothing_is_begun_once_the_page_closes(jobs):
    jobs.close()
    with pytest.raises(PageError, match=r"^the page is being closed; start it again$"):
        jobs.start("k", Gate())


def test_closing_stops_what_runs(jobs):
    gate = Gate(frames=1_000)
    job, waiting = jobs.start("k", gate), jobs.start("w", Gate())
    assert gate.begun.wait(WAIT_S)
    jobs.close()
    assert (job.state, waiting.state) == ("stopped", "stopped")


def test_the_way_is_that_of_the_travel_line_or_of_the_first_clear_movement(jobs):
    """Display only: px along the way, from the first frame; lost frames are told as lost."""
    job = Job("0" * 16, "k", Gate(), way=(0.6, 0.8))
    for number, (x, y) in enumerate([(10.0, 10.0), (np.nan, np.nan), (13.0, 14.0)]):
        job.observe(number, number / 10, x, y)
    assert [item.along_px for item in job.followed] == [0.0, None, pytest.approx(5.0)]
    free = Job("0" * 16, "k", Gate(), way=None)
    for number, (x, y) in enumerate([(10.0, 10.0), (10.0, 8.0), (10.0, 2.0), (10.0, 4.0)]):
        free.observe(number, number / 10, x, y)
    assert free.followed[2].along_px == pytest.approx(8.0)  # up the picture is the way
    assert free.followed[3].along_px == pytest.approx(6.0)


def test_quick_results_are_remembered_up_to_a_bound(jobs, monkeypatch):
    monkeypatch.setattr(jobs_module, "MOST_KEPT", 2)
    made = []

    def make(name: str) -> dict[str, object]:
        made.append(name)
        return {"name": name}

    for name in "aabac":
        assert jobs.kept(name, lambda name=name: make(name)) == {"name": name}
    assert made == ["a", "b", "c"]
    jobs.kept("b", lambda: make("b"))  # the one not asked for longest has gone
    assert made == ["a", "b", "c", "b"]


def test_the_same_result_asked_for_twice_at_once_is_made_once(jobs):
    made, begun = [], threading.Event()
    go_on = threading.Event()

    def make() -> dict[str, object]:
        begun.set()
        go_on.wait(5)
        made.append(1)
        return {"ramp_deg": 30.0}

    found: list[dict[str, object]] = []
    asking = [threading.Thread(target=lambda: found.append(jobs.kept("a", make))) for _ in range(3)]
    for thread in asking:
        thread.start()
    assert begun.wait(5)
    go_on.set()
    for thread in asking:
        thread.join(5)
    assert found == [{"ramp_deg": 30.0}] * 3
    assert made == [1]


def test_what_nobody_waits_for_any_more_is_not_made(jobs):
    with pytest.raises(PageError, match="nobody waits"):
        jobs.kept("a", lambda: pytest.fail("it was made"), gone=lambda: True)
    assert jobs.kept("a", lambda: {"ramp_deg": 30.0}) == {"ramp_deg": 30.0}


def test_a_result_that_fails_is_made_anew_for_the_next_who_asks(jobs):
    def fails() -> dict[str, object]:
        raise MarkError("the ramp line is too short")

    with pytest.raises(MarkError, match="too short"):
        jobs.kept("a", fails)
    assert jobs.kept("a", lambda: {"ramp_deg": 30.0}) == {"ramp_deg": 30.0}
