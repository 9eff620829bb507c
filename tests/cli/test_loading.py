"""What a verb loads before it does anything: an operator waits for that every time."""

import subprocess
import sys

import pytest

from clipmark.cli.app import VERBS

# Each takes a quarter of a second to load and more; SciPy loads them itself when they are used.
HEAVY = (
    "scipy.stats", "scipy.signal", "scipy.optimize", "scipy.ndimage", "scipy.interpolate",
    "scipy.integrate", "matplotlib", "fastapi", "jinja2",
)  # fmt: skip
LOAD_ALL = """
import sys
from importlib import import_module
for verb in sys.argv[1].split():
    import_module(f"clipmark.cli.{verb}")
print(*[name for name in sys.argv[2].split() if name in sys.modules])
"""


def loaded(names: str, of: tuple[str, ...]) -> str:
    call = [sys.executable, "-c", LOAD_ALL, names, " ".join(of)]
    return subprocess.run(call, capture_output=True, text=True, check=True).stdout.strip()


def test_no_verb_loads_what_only_its_work_may_need():
    assert loaded(" ".join(VERBS), HEAVY) == ""


@pytest.mark.parametrize("verb", ["start", "mark", "score", "report"])
def test_verbs_of_the_day_load_no_decoder(verb):
    assert loaded(verb, ("av", "cv2", "pandas")) == ""
