"""A guarded worker: what a broken file does to the decoder costs that file, and nothing else."""

import os
import time
from functools import partial

import pytest

from clipmark.clip.guarded import GuardedWorker, Limits, RemoteTracebackError, run_guarded
from clipmark.errors import DecoderError, FolderError
from tests.clip import guarded_tasks as tasks

pytestmark = pytest.mark.skipif(os.name != "posix", reason="processes are guarded on POSIX only")
OTHERWISE = "copy it from the camera again, or have a copy converted to H.264"


@pytest.fixture(scope="module")
def worker():
    with GuardedWorker() as made:
        yield made


def refusal_of(worker, task, **limits):
    with pytest.raises(DecoderError) as refusal:
        worker.run(task, about="run.mp4", limits=Limits(**limits))
    return str(refusal.value)


def test_a_crash_is_a_sentence_and_the_next_clip_is_read(worker):
    assert refusal_of(worker, tasks.crash) == (
        "run.mp4 crashed the process that was reading it (SIGSEGV: it reached for memory that is "
        f"not its own), and only this clip is affected; {OTHERWISE}"
    )
    assert worker.run(partial(tasks.take_memory, 10)) == 10


def test_a_decoder_that_gives_itself_up_is_a_crash(worker):
    assert "(SIGABRT: it gave itself up)" in refusal_of(worker, tasks.give_itself_up)


@pytest.mark.parametrize("hang", [tasks.hang_in_a_call, tasks.hang_holding_pythons_lock])
def test_a_hang_is_ended_even_where_python_itself_stands_still(worker, hang):
    start = time.monotonic()
    sentence = refusal_of(worker, hang, stall_s=0.3)
    assert time.monotonic() - start < 5
    assert sentence.startswith("run.mp4 made the video decoder hang: it gave nothing for ")
    assert sentence.endswith(
        f"{OTHERWISE}, or, where only the disk is slow, copy it to this computer"
    )


def test_a_long_clip_that_goes_on_is_never_ended(worker):
    """Three times the time after which one call would be a hang."""
    told = []
    limits = Limits(stall_s=0.5, quiet_s=0.5)
    slow = partial(tasks.decode_slowly, 15, 0.1)
    assert worker.run(slow, limits=limits, told=told.append) == 15
    assert told == list(range(15))


def test_computing_without_any_progress_is_ended(worker):
    sentence = refusal_of(worker, tasks.compute_without_end, quiet_s=0.3)
    assert sentence.startswith("run.mp4 was worked on for ")
    assert "without any progress" in sentence


@pytest.mark.slow
def test_processor_time_is_the_last_resort(worker):
    sentence = refusal_of(worker, tasks.compute_without_end, cpu_s=0)
    assert "minutes of processor time that one clip may take" in sentence


def test_memory_beyond_the_bound_is_refused_and_less_is_not(worker):
    some = partial(tasks.take_memory, 300 << 20)
    assert refusal_of(worker, some, memory_bytes=200_000_000) == (
        "run.mp4 needs more than the 0.2 GB of memory that reading one clip may take, and was "
        "given up; export it with smaller pictures, or allow more memory"
    )
    assert worker.run(some, limits=Limits(memory_bytes=600 << 20)) == 300 << 20


def test_a_process_ended_from_outside_is_not_called_a_crash(worker):
    sentence = refusal_of(worker, tasks.be_killed)
    assert "ended from outside, most likely because the computer had no memory left" in sentence


def test_no_core_is_dumped(worker):
    assert worker.run(tasks.core_limit) == (0, 0)


def test_refusals_and_defects_come_as_if_the_work_had_been_done_here(worker):
    with pytest.raises(FolderError) as refusal:
        worker.run(tasks.refuse)
    assert str(refusal.value) == ("run.mp4 is a folder, not a clip; name the video file inside it")
    with pytest.raises(KeyError) as defect:
        worker.run(tasks.have_a_defect)
    assert isinstance(defect.value.__cause__, RemoteTracebackError)
    assert "in have_a_defect" in str(defect.value.__cause__)


def test_a_result_that_cannot_be_sent_is_a_defect_not_a_dead_worker(worker):
    before = worker.run(tasks.process_id)
    with pytest.raises(TypeError):
        worker.run(tasks.give_what_cannot_be_sent)
    assert worker.run(tasks.process_id) == before


def test_one_process_serves_many_pieces_of_work():
    ids = {run_guarded(tasks.process_id) for _ in range(3)}
    assert len(ids) == 1
    assert os.getpid() not in ids


def test_whoever_gives_up_waiting_leaves_no_process_behind(worker):
    went = worker.run(tasks.process_id)

    def give_up(word):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        worker.run(partial(tasks.decode_slowly, 100, 0.05), told=give_up)
    with pytest.raises(ProcessLookupError):
        os.kill(went, 0)


def test_what_is_read_under_guard_is_what_is_read_here(footage):
    path = footage("open group")
    assert run_guarded(partial(tasks.prints, str(path))) == tasks.prints(str(path))
