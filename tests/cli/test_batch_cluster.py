"""A Dask cluster on this machine: the same outcomes as its cores give, and lost workers told."""

import json
import logging
import os
import subprocess
import sys

import pytest

from clipmark.batch_cluster import run_on_cluster
from clipmark.errors import ClipmarkError, FolderError
from clipmark.record.readings import versions_in_use
from clipmark.sample.media import sample_media_folder

distributed = pytest.importorskip("distributed")
WORK = "tests.cli.batch_works:work"
MEDIA = sample_media_folder()


@pytest.fixture(scope="module")
def address():
    """Two worker processes, one thread each."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=logging.CRITICAL
    ) as cluster:
        yield cluster.scheduler_address


def by_number(ends):
    return {ended.number: ended.lost or ended.outcome for ended in ends}


def test_every_job_is_done_on_the_workers_with_what_was_sent(address):
    """Six jobs on two workers; the contents that were sent along arrive."""
    jobs = [["square", n] for n in range(5)] + [["sent"]]

    def pack(job):
        return job, [b"one", b"two"] if job == ["sent"] else []

    found = by_number(run_on_cluster(WORK, enumerate(jobs), address, versions_in_use(), pack=pack))
    assert found == {0: 0, 1: 1, 2: 4, 3: 9, 4: 16, 5: ["sent", 2]}


def test_workers_with_other_software_are_refused_before_anything_is_measured(address):
    other = versions_in_use() | {"clipmark": "0.0.9"}
    with pytest.raises(ClipmarkError) as refused:
        list(run_on_cluster(WORK, [(1, ["square", 1])], address, other))
    here = versions_in_use()["clipmark"]
    assert str(refused.value).endswith(
        f" has clipmark {here} (here 0.0.9): its results could differ; install the same versions "
        "there as here"
    )


def test_a_scheduler_that_is_not_there_is_told(monkeypatch):
    monkeypatch.setattr("clipmark.batch_cluster.CONNECT_S", 0.3)
    with pytest.raises(FolderError) as refused:
        list(run_on_cluster(WORK, [(1, ["pid"])], "tcp://127.0.0.1:9", versions_in_use()))
    assert str(refused.value).startswith(
        "no Dask scheduler answers at tcp://127.0.0.1:9 (--cluster): "
    )


@pytest.mark.slow
def test_a_lost_worker_costs_only_its_job_s_time(address, tmp_path):
    """A job that ended its worker once is done by another; one that ends two is told; all others
    are done."""
    jobs = [["square", n] for n in range(8)]
    jobs[2:2] = [["kill once", str(tmp_path / "killed")], ["kill"]]
    told = []
    found = by_number(
        run_on_cluster(WORK, enumerate(jobs), address, versions_in_use(), told=told.append)
    )
    assert found[2] == ["kill once", 0]
    assert found[3].endswith("was lost, the second time")
    assert [found[n] for n in (0, 1, *range(4, 10))] == [0, 1, 4, 9, 16, 25, 36, 49]
    assert len(told) == 2


@pytest.mark.slow
@pytest.mark.parametrize("more", [[], ["--send"]])
def test_results_are_those_of_this_machine_s_cores(address, tmp_path, more):
    """Every line but its times, for an angle, a crawl with a trace, footage and a refusal; from a
    shared folder, and sent."""
    marks = json.loads((MEDIA / "marks" / "siskin-stall.json").read_text())
    ramp, plumb, patch, scale = (
        ",".join(map(str, marks[name])) for name in ("ramp", "plumb", "patch", "scale")
    )
    lens = MEDIA / "lenses" / "harrier-wide.json"
    clip, climb = MEDIA / "siskin-stall.mp4", MEDIA / "siskin-climb.mp4"
    tasks = tmp_path / "bench.toml"
    tasks.write_text(
        "".join(
            f'[[task]]\nverb = "{verb}"\nclip = "{file}"\noptions = "{options}"\n'
            for verb, file, options in (
                ("angle", clip, f"--frame 0 --ramp {ramp} --plumb {plumb}"),
                (
                    "angle",
                    climb,
                    "--frame 0 --ramp 513,854,1423,223 --plumb 105,72,101,747 "
                    f"--lens {lens} --square-within 1",
                ),
                (
                    "crawl",
                    clip,
                    f"--frame 0 --patch {patch} --scale {scale} --scale-mm 200 --trace stall.csv",
                ),
                ("footage", clip, "--quick"),
                ("crawl", clip, f"--frame 0 --patch {patch}"),
            )
        )
    )
    command = [sys.executable, "-c", "from clipmark.cli import main\nmain()", "batch", str(tasks)]
    found = []
    for number, where in enumerate(([], ["--cluster", address, *more])):
        results = tmp_path / f"{number}.jsonl"
        ran = subprocess.run(
            [*command, *where, "--out", str(results)], capture_output=True, text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        )  # fmt: skip
        assert ran.returncode == 2, ran.stderr
        lines = [json.loads(line) for line in results.read_text("utf-8").splitlines()]
        for line in lines:
            del line["at"], line["took_s"]
        found.append((sorted(map(json.dumps, lines)), (tmp_path / "stall.csv").read_bytes()))
        (tmp_path / "stall.csv").unlink()
    assert found[0] == found[1]
