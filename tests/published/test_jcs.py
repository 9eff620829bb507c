"""Canonical JSON against the examples printed in RFC 8785 (JSON Canonicalization Scheme, 2020).

The vectors are written down from memory of the RFC's sections 3.2.2, 3.2.3 and appendix B.
"""

import json
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clipmark.errors import RecordError
from clipmark.record.canonical import canonical_bytes, parse_json, read_canonical

# Appendix B: IEEE 754 bits and the text ECMAScript prints for them.
NUMBERS = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("8000000000000001", "-5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("ffefffffffffffff", "-1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("c340000000000000", "-9007199254740992"),
    ("4430000000000000", "295147905179352830000"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("44b52d02c7e14af6", "1e+23"),
    ("44b52d02c7e14af7", "1.0000000000000001e+23"),
    ("444b1ae4d6e2ef4e", "999999999999999700000"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("444b1ae4d6e2ef50", "1e+21"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("41b3de4355555553", "333333333.3333332"),
    ("41b3de4355555554", "333333333.33333325"),
    ("41b3de4355555555", "333333333.3333333"),
    ("41b3de4355555556", "333333333.3333334"),
    ("41b3de4355555557", "333333333.33333343"),
    ("becbf647612f3696", "-0.0000033333333333333333"),
]


@pytest.mark.parametrize(("bits", "text"), NUMBERS)
def test_numbers_are_printed_as_appendix_b_prints_them(bits, text):
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert canonical_bytes(number).decode() == text


@pytest.mark.parametrize(("bits", "text"), NUMBERS)
def test_what_appendix_b_prints_is_read_back_as_its_own_canonical_form(bits, text):
    """Digits beyond 2**53 are doubles, not integers; reading must not choke on them."""
    (number,) = struct.unpack(">d", bytes.fromhex(bits))
    assert read_canonical(text.encode()) == number


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
def test_what_is_not_a_number_is_refused(number):
    """RFC 8785, 3.2.2.3: NaN and Infinity are an error."""
    with pytest.raises(RecordError, match="give finite numbers"):
        canonical_bytes([number])


def test_the_worked_example_of_the_rfc():
    """Section 3.2.2 with the sorting of 3.2.3: literals, numbers and escapes."""
    source = (
        '{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001],'
        '"string":"\\u20ac$\\u000F\\u000aA\'\\u0042\\u0022\\u005c\\\\\\"\\/",'
        '"literals":[null,true,false]}'
    )
    expected = (
        '{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        '"string":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"}'
    )
    assert canonical_bytes(parse_json(source)) == expected.encode()


def test_names_are_sorted_by_utf_16_units():
    """Section 3.2.3: the emoji (a surrogate pair, D83D) sorts before the Hebrew letter at FB33."""
    source = {
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\x80": "Control",
        "\xf6": "Latin Small Letter O With Diaeresis",
    }
    ordered = list(json.loads(canonical_bytes(source)).values())
    assert ordered == [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(st.characters(exclude_categories=["Cs"])), inner, max_size=4)
    ),
    max_leaves=12,
)


@given(JSON)
def test_every_canonical_text_is_read_and_written_the_same(value):
    """Also holds the quick comparison to the exact one: whatever is canonical is let through."""
    text = canonical_bytes(value)
    assert canonical_bytes(read_canonical(text)) == text


@given(JSON)
def test_python_s_own_json_is_let_through_only_where_it_is_canonical(value):
    """The quick comparison must not take 45.0, 1e-05 or wrongly ordered names for canonical."""
    text = json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()
    if text == canonical_bytes(parse_json(text.decode())):
        read_canonical(text)
    else:
        with pytest.raises(ValueError, match="canonical form"):
            read_canonical(text)


@pytest.mark.parametrize(
    "text",
    ["45.0", "4.50", "1E2", "1e2", "-0", "-0.0", "0.00001000", "1e-05", "9007199254740993",
     '{"b":1,"a":2}', '{"a":1,"a":1}', '{"a": 1}', '"\\u0041"', '"\\/"', '["\ufb33",1.0]',
     '{"\ufb33":1,"\U0001f600":2}', "[1 ]", " 1"],
)  # fmt: skip
def test_json_that_means_the_same_but_is_written_otherwise_is_not_canonical(text):
    with pytest.raises(ValueError, match="not byte for byte its own canonical form"):
        read_canonical(text.encode())


@pytest.mark.parametrize("text", ["NaN", "[Infinity]", "{", "", "nul", '"\ud800"'])
def test_what_is_not_json_is_not_read(text):
    with pytest.raises(ValueError, match="the line is not"):
        read_canonical(text.encode("utf-8", "surrogatepass"))
