"""Good files spoiled: bytes flipped, cut, doubled, and values of JSON and TOML put out of place."""

from __future__ import annotations

import json
import random
import re

ODD = (
    None, True, False, 0, -1, 1e308, -0.0, 10**40, 1e-320, "", "x", "NaN", "\x00", "é" * 300,
    "../../etc/passwd", "=1+1", [], {}, [[]], [None], {"a": {}}, float("nan"), float("inf"), "12",
    [1, 2], "0:1", 2**63, -(2**31),
)  # fmt: skip
ODD_TOML = (
    "nan", "inf", "-1", "''", '"x"', "[]", "{}", "true", "1979-05-27", "[[0, 0]]", "1e400",
    "99999999999999999999", '"\\u0000"', "[1, [2]]",
)  # fmt: skip


def spoiled_bytes(good: bytes, chance: random.Random) -> bytes:
    """A few bytes changed, cut out, doubled or put in."""
    data = bytearray(good)
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(data) + 1) if data else 0
        what = chance.randrange(6)
        if what == 0 and data:
            data[at % len(data)] ^= 1 << chance.randrange(8)
        elif what == 1:
            del data[at:]
        elif what == 2:
            del data[at : at + chance.randint(1, 40)]
        elif what == 3:
            data[at:at] = bytes(chance.randrange(256) for _ in range(chance.randint(1, 12)))
        elif what == 4:
            data[at:at] = data[at : at + chance.randint(1, 200)]
        else:
            data[at:at] = chance.choice([b"\xef\xbb\xbf", b"\r\n", b"\x00" * 16, b"{", b'"', b"\n"])
    return bytes(data)


def spoiled_json(good: bytes, chance: random.Random) -> bytes:
    """One or two values, or names, of a JSON document replaced."""
    value = json.loads(good)
    for _ in range(chance.randint(1, 2)):
        value = _changed(value, chance)
    return json.dumps(value).encode("utf-8")


def _changed(value: object, chance: random.Random) -> object:
    """The value with one part of it replaced, at a place drawn by lot."""
    if isinstance(value, dict) and value and chance.random() < 0.9:
        name = chance.choice(list(value))
        out = dict(value)
        what = chance.randrange(8)
        if what == 0:
            del out[name]
        elif what == 1:
            out[name + "_"] = out.pop(name)
        else:
            out[name] = _changed(out[name], chance)
        return out
    if isinstance(value, list) and value and chance.random() < 0.8:
        out_list = list(value)
        at = chance.randrange(len(out_list))
        if chance.randrange(6) == 0:
            del out_list[at]
        else:
            out_list[at] = _changed(out_list[at], chance)
        return out_list
    return chance.choice(ODD)


def spoiled_toml(good: bytes, chance: random.Random) -> bytes:
    """One or two values of a TOML file replaced, a line dropped or doubled."""
    lines = good.decode("utf-8").splitlines()
    valued = [k for k, line in enumerate(lines) if re.match(r"\s*[\w.\"-]+\s*=", line)]
    for _ in range(chance.randint(1, 2)):
        at = chance.choice(valued)
        name = lines[at].split("=", 1)[0]
        what = chance.randrange(6)
        if what == 0:
            lines[at] = ""
        elif what == 1:
            lines[at] += "\n" + lines[at]
        elif what == 2:
            lines[at] = f"{name.strip()}_ = 1"
        else:
            lines[at] = f"{name}= {chance.choice(ODD_TOML)}"
    return "\n".join(lines).encode("utf-8")
