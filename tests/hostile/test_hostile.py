"""Two thousand broken files: none ends the session, none hangs it, each is a sentence or a reading.

By default a sample of them runs; all of them, and the command line on a part::

    pytest -m slow -n 0 -s tests/hostile
"""

import json
import os
import shutil
import subprocess
import sys
import time
from collections import Counter
from dataclasses import dataclass
from functools import partial

import pytest

from clipmark.clip.guarded import GuardedWorker, Limits
from clipmark.errors import ClipmarkError, DecoderError
from tests.hostile.bases import Bases
from tests.hostile.make_corpus import corpus
from tests.hostile.reading import Read, read, verdict

pytestmark = pytest.mark.skipif(os.name != "posix", reason="processes are guarded on POSIX only")
MOST_S = 20.0  # for one file; the guard itself ends a call that gives nothing for 15 s
TIMES_THE_GOOD = 3.0  # on a machine so busy that good clips take long, so may broken ones
SAMPLE_EVERY = 12
SAMPLE_OF = ("h264.mp4", "mjpeg.mov", "mpeg4.avi", "h264.ts", "h264.mkv", None)
CLI_EVERY, CLI_AT_ONCE = 15, 20


@dataclass(frozen=True)
class Outcome:
    """What became of one file: a word for it, the sentence if it was refused, how long it took."""

    number: int
    kind: str
    word: str
    sentence: str
    took_s: float
    good_s: float

    @property
    def hung(self) -> bool:
        """Whether it took longer than work on such a clip may."""
        return self.took_s > max(MOST_S, TIMES_THE_GOOD * self.good_s)


@pytest.fixture(scope="module")
def bases(tmp_path_factory):
    return Bases(tmp_path_factory.mktemp("good"))


def outcomes(cases, bases, folder, *, measure=True) -> list[Outcome]:
    """Each file made, read in the guarded worker, compared with its good clip, and thrown away."""
    good: dict[str, Read] = {}
    good_s: dict[str, float] = {}
    found = []
    with GuardedWorker(Limits(stall_s=15.0)) as worker:
        for case in cases:
            path = case.make(bases, folder / str(case.number))
            if case.base is not None and case.base not in good:
                begun = time.monotonic()
                good[case.base] = worker.run(partial(read, bases.path(case.base), measure=measure))
                good_s[case.base] = time.monotonic() - begun
            start, sentence = time.monotonic(), ""
            try:
                result = worker.run(partial(read, path, measure=measure), about=path.name)
                word = verdict(result, good.get(case.base or ""))
            except DecoderError as refusal:
                word, sentence = "ended", str(refusal)
            except ClipmarkError as refusal:
                word, sentence = "refused", str(refusal)
            took_s = time.monotonic() - start
            usual_s = good_s.get(case.base or "", 0.0)
            found.append(Outcome(case.number, case.kind, word, sentence, took_s, usual_s))
            shutil.rmtree(path.parent)
    return found


def assert_sentences(found: list[Outcome]) -> None:
    """Every refusal names a file and says what to do; a defect would have been raised."""
    for one in found:
        if one.word in ("refused", "ended"):
            assert one.sentence.startswith(("run", "r" * 246, "http:run")), one
            assert ";" in one.sentence or "; " in one.sentence or "try again" in one.sentence, one
            assert "Traceback" not in one.sentence


def test_a_sample_of_broken_files_is_read_or_refused(bases, tmp_path):
    """One in twelve of some kinds of clips; angles are left to the whole study."""
    cases = [c for c in corpus() if c.number % SAMPLE_EVERY == 0 and c.base in SAMPLE_OF]
    found = outcomes(cases, bases, tmp_path, measure=False)
    assert len(found) >= 55
    assert_sentences(found)
    assert not [one for one in found if one.hung]
    assert {"refused", "warned", "same"} <= {one.word for one in found}


def test_the_corpus_is_the_same_for_the_same_seed(bases, tmp_path):
    picked = [c for c in corpus() if c.number in (3, 60, 110, 400)]
    again = [c for c in corpus() if c.number in (3, 60, 110, 400)]
    for first, second in zip(picked, again, strict=True):
        one = first.make(bases, tmp_path / f"a{first.number}").read_bytes()
        assert one == second.make(bases, tmp_path / f"b{first.number}").read_bytes()
        assert one != bases.data(first.base)


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_all_broken_files_are_read_or_refused_and_the_session_goes_on(bases, tmp_path):
    cases = list(corpus())
    assert len(cases) >= 2000
    found = outcomes(cases, bases, tmp_path)
    assert_sentences(found)
    by_kind = Counter((one.kind.split(":")[0], one.word) for one in found)
    worst = sorted(found, key=lambda one: -one.took_s)[:5]
    print()
    for (kind, word), count in sorted(by_kind.items()):
        print(f"{kind:32s} {word:16s} {count}")
    print(Counter(one.word for one in found))
    print(
        "ended:",
        Counter(one.sentence.split("; ")[0][13:90] for one in found if one.word == "ended"),
    )
    print("slowest:", [(round(one.took_s, 1), one.number, one.kind) for one in worst])
    assert not [one for one in found if one.hung]


@pytest.mark.slow
@pytest.mark.timeout(7200)
def test_the_command_line_refuses_or_reads_every_one(bases, tmp_path):
    """One in fifteen; twenty in a process of their own, which must live through them all."""
    cases = [case for case in corpus() if case.number % CLI_EVERY == 0]
    counted: Counter[int] = Counter()
    for first in range(0, len(cases), CLI_AT_ONCE):
        some = cases[first : first + CLI_AT_ONCE]
        paths = [str(case.make(bases, tmp_path / str(case.number))) for case in some]
        command = [sys.executable, "-m", "tests.hostile.run_verb", "footage", *paths]
        ran = subprocess.run(
            command, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL
        )
        lines = [json.loads(line) for line in ran.stdout.splitlines()]
        assert len(lines) == len(some), (some[len(lines)], ran.stderr)
        for case, line in zip(some, lines, strict=True):
            assert line["status"] in (0, 2), (case, line)
            assert "Traceback" not in line["said"], (case, line)
            counted[line["status"]] += 1
            shutil.rmtree(tmp_path / str(case.number))
    print(counted)
    assert min(counted[0], counted[2]) > 20


def test_a_verb_whose_decoder_hangs_ends_with_a_sentence():
    code = (
        "import time\n"
        "from clipmark.clip import native\n"
        "from clipmark.cli.hang_watch import ended_if_hung\n"
        "native.file_at_work = 'run.mp4'\n"
        "with ended_if_hung('clipmark footage', 2):\n"
        "    for _ in range(20):\n"
        "        with native.native_call:\n"
        "            time.sleep(0.05)\n"
        "    print('one second of short calls is no hang', flush=True)\n"
        "    with native.native_call:\n"
        "        time.sleep(60)\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        timeout=40,
        check=False,
        env={**os.environ, "CLIPMARK_STALL_S": "0.6"},
    )
    assert ran.returncode == 2
    assert ran.stdout == "one second of short calls is no hang\n"
    assert ran.stderr.startswith(
        "clipmark footage: run.mp4 made the video decoder hang: it gave nothing for "
    )
    assert ran.stderr.endswith("set CLIPMARK_STALL_S higher\n")


def test_a_patch_followed_for_too_short_a_time_has_an_unknown_place_not_a_broken_answer():
    """Met in the study: a clip cut so short that nothing scatters gave not-a-number to the JSON."""
    from clipmark.measure.footage_support import TriedPatch

    tried = TriedPatch((0.0, 0.0, 9.0, 9.0), False, float("nan"), (float("nan"), float("nan")))
    assert json.loads(json.dumps(tried.to_dict(), allow_nan=False))["position_u_px"] is None
