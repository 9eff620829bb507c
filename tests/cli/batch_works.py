"""Jobs for tests of the pool and the cluster: they do what they are told, in another process."""

import os
import signal
import time
from pathlib import Path

from clipmark.batch_pool import answer_last


def work(job, contents=()):
    """``["square", 3]``, ``["kill"]``, ``["kill once", path]``, ``["sleep", s]``, ``["last"]``."""
    what = job[0]
    if what == "kill":
        os.kill(os.getpid(), signal.SIGKILL)
    if what == "kill once" and not Path(job[1]).exists():
        Path(job[1]).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    if what == "last":
        answer_last(["last", len(contents)])
        os._exit(2)
    if what == "sleep":
        time.sleep(job[1])
    if what == "square":
        return job[1] ** 2
    return [what, len(contents)]
