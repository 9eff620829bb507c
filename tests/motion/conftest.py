"""Drawn clips and the sample media for the tests of following."""

import importlib.util
import sys
from pathlib import Path

import pytest


def load_drawn():
    """The drawing helper beside this file, as a module."""
    name = "clipmark_tests_drawn"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / "drawn.py")
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def drawn():
    return load_drawn()
