"""Drawn clips and the sample media for the tests of following."""

import pytest

from tests.motion import drawn as drawn_kit


@pytest.fixture(scope="session")
def drawn():
    return drawn_kit
