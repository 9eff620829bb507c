"""Jobs side by side: one that kills its process costs only itself; a pause loses nothing."""

import time

import pytest

from clipmark.batch_pool import GIVE_UP, PAUSE, RUNNING, run_on_cores

WORK = "tests.cli.batch_works:work"


def by_number(ends):
    return {ended.number: ended.lost or ended.outcome for ended in ends}


def test_every_job_is_done_and_what_kills_its_process_twice_is_told(tmp_path):
    """Squares come back, a job that killed its process once is done at the second try, one that
    always does is told by a sentence, one over the limit is given up, and one that answers before
    its process ends has answered."""
    jobs = [["square", n] for n in range(6)]
    jobs += [["kill once", str(tmp_path / "killed")], ["kill"], ["sleep", 60], ["last"]]
    begun = time.monotonic()
    found = by_number(run_on_cores(WORK, enumerate(jobs), 2, limit_s=2.0))
    assert time.monotonic() - begun < 50
    assert [found[n] for n in range(6)] == [0, 1, 4, 9, 16, 25]
    assert found[6] == ["kill once", 0]
    assert found[7] == ("the process measuring it was ended by SIGKILL (out of memory?), 2 times")
    assert found[8] == "it took longer than 2 s (--limit-s)"
    assert found[9] == ["last", 0]


@pytest.mark.parametrize(("asked", "finished"), [(PAUSE, [0]), (GIVE_UP, [])])
def test_a_pause_waits_for_what_runs_and_giving_up_does_not(asked, finished):
    """With one process, the first of three jobs is under way when the pause comes."""
    state = RUNNING

    def started(number):
        nonlocal state
        state = asked

    jobs = [(n, ["sleep", 0.05 if asked == PAUSE else 60]) for n in range(3)]
    ends = run_on_cores(WORK, jobs, 1, state=lambda: state, started=started)
    assert [ended.number for ended in ends] == finished
