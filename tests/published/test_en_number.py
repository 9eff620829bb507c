"""E_n numbers of ISO 13528:2022 and ISO/IEC 17043:2023.

The definition and the printed values 0.393, -0.262, -0.131 and 0.000 are those of the NIST
Dataplot reference manual, ISO 13528 EN SCORE (the two U from the gear data of the NIST handbook,
memory); the other three cases are worked by hand.
"""

import pytest

from clipmark.uncertainty.comparison import compare_readings

U_LAB, U_REFERENCE = 0.0086923, 0.0125578


@pytest.mark.parametrize(
    ("x", "printed"), [(1.006, 0.393), (0.996, -0.262), (0.998, -0.131), (1.000, 0.000)]
)
def test_printed_values_to_their_last_digit(x, printed):
    found = compare_readings(x, U_LAB, 1.0, U_REFERENCE)
    assert found.e_n == pytest.approx(printed, abs=0.0005)
    assert found.verdict == "agree"


@pytest.mark.parametrize(
    ("first", "second", "e_n", "verdict"),
    [
        ((45.3, 0.2), (45.0, 0.1), 1.341641, "at odds"),
        ((44.5, 0.3), (45.0, 0.4), -1.0, "agree"),
        ((30.0, 0.6), (30.9, 0.5), -1.152332, "at odds"),
    ],
)
def test_worked_cases_and_exactly_one_is_satisfactory(first, second, e_n, verdict):
    found = compare_readings(*first, *second)
    assert found.e_n == pytest.approx(e_n, abs=1e-6)
    assert found.verdict == verdict
