"""What the body of an attempt says, field by field in plain words, in the order of the run slip.

Pure: bodies as the journal holds them in, texts out. A body of an older version may lack fields.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple, cast

from pydantic import JsonValue

from clipmark.record.canonical import canonical_bytes
from clipmark.record.field_labels import DECLARED, DETAILS, LINES
from clipmark.record.readings import beside
from clipmark.uncertainty.digits import digits_for

Body = Mapping[str, JsonValue]
_Parts = Iterator[tuple[str, JsonValue, str]]

_MINUS = "\N{MINUS SIGN}"
_PLAIN = {
    **DETAILS,
    "tilt_event": ("event of the tilt that counts", ""),
    "software": ("software", ""),
}
_CODES = ("reason", "tilt_event")
_DECLARED = {
    "frame": ("frame of the marks", ""),
    **DECLARED,
    "scale_mm": ("length of the scale mark", "mm"),
    "sheet_size_mm": ("size of the sheet", "mm"),
}
_ROLES = {**LINES, "scale": "scale mark", "body": "body patch", "uphill tyre": "uphill tyre"}
_VALUES = {  # by measure: what is ranked or argued about
    "angle": {"ramp_deg": ("ramp", "°"), "chassis_deg": ("chassis", "°")},
    "tilt": {"tilt_deg": ("tilt", "°")},
    "climb": {"finish_t_s": ("finish", "s")},
    "crawl": {"mean_speed_mm_s": ("mean speed", "mm/s"), "ripple": ("ripple", "")},
}
_REFERENCES = {"stand": "stand", "rules": "rule sheet", "session": "session record"}
_NOT_SAID_HERE = ("marked_by", "marked_at")  # who and when: of the revision, not of its content


class Said(NamedTuple):
    """One field: what stands there, and that in words."""

    value: JsonValue
    words: str


def spoken(code: str) -> str:
    """A call or a reason as people say it: ``out-of-time`` is "out of time"."""
    return code.replace("-", " ")


def figure(value: float, places: int | None = None) -> str:
    """A number for people: to so many places, or as it is known, to seven figures."""
    text = f"{value:.7g}" if places is None else f"{value:.{places}f}"
    return text.replace("-", _MINUS, 1) if text.startswith("-") else text


def said_of(body: Body) -> dict[str, Said]:
    """Everything that a body says, by the name of the field as people call it."""
    found: dict[str, Said] = {}
    for part in (
        _plain,
        _clips,
        _span,
        _references,
        _marks,
        _declared,
        _calls,
        _values,
        _dispute,
        _others,
    ):
        found |= {name: Said(value, words) for name, value, words in part(body) if _given(value)}
    return found


def readings_with(name: str) -> tuple[str, ...]:
    """The reading that a named value belongs to; empty for what was not measured."""
    return tuple(
        f"{measure} reading"
        for measure, values in _VALUES.items()
        if name in [label for label, _ in values.values()]
    )


def _given(value: JsonValue) -> bool:
    return value is not None and value not in ("", [], {})


def _plain(body: Body) -> _Parts:
    for key, (name, unit) in _PLAIN.items():
        value = body.get(key)
        text = _text(value, unit)
        yield name, value, spoken(text) if key in _CODES else text


def _text(value: JsonValue, unit: str = "") -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return figure(value) + _after(unit)
    if isinstance(value, list) and all(isinstance(item, (int, float)) for item in value):
        return " × ".join(_text(item) for item in value) + _after(unit)
    return value if isinstance(value, str) else canonical_bytes(value).decode()


def _after(unit: str) -> str:
    """A unit as it stands behind a number: the degree sign without a space."""
    return unit if unit in ("", "°") else f" {unit}"


def _clips(body: Body) -> _Parts:
    yield "clip", body.get("clip"), _file(body.get("clip"))
    further = _tables(body.get("further_clips"))
    texts = []
    for item in further:
        offset = _number(item, "offset_s")
        starts = "" if offset is None else f", starts at {figure(offset, 3)} s"
        texts.append(f"{_file(item.get('clip'))}, {item.get('joins')}{starts}")
    yield "further clips", body.get("further_clips"), "; ".join(texts)


def _file(value: JsonValue) -> str:
    """A file by its name and the beginning of its hash, since another may bear the same name."""
    table = _table(value)
    name = str(table.get("path") or "").rsplit("/", 1)[-1]
    sha256 = table.get("sha256")
    return f"{name} ({str(sha256)[:12]})" if sha256 else name


def _span(body: Body) -> _Parts:
    span = _table(body.get("span"))
    words = f"frame {span.get('first_frame')} to {span.get('last_frame')}"
    first, last = _number(span, "first_t_s"), _number(span, "last_t_s")
    if first is not None and last is not None:
        words += f" ({figure(first, 3)} s to {figure(last, 3)} s)"
    yield "from, to", body.get("span"), words


def _references(body: Body) -> _Parts:
    for key, name in _REFERENCES.items():
        item = _table(body.get(key))
        which = f"{item.get('id')}, " if key == "stand" else ""
        yield name, body.get(key), f"{which}revision {item.get('revision')}"
    yield "lens", body.get("lens"), _file(body.get("lens"))


def _marks(body: Body) -> _Parts:
    roles: dict[str, list[Body]] = {}
    for mark in _tables(body.get("marks")):
        roles.setdefault(str(mark.get("role")), []).append(mark)
    for role, marks in roles.items():
        words = "; ".join(_mark(mark) for mark in marks)
        yield _ROLES.get(role, role), [dict(mark) for mark in marks], words


def _mark(mark: Body) -> str:
    """One mark: where it lies, px of the upright picture, and what was said of it."""
    shape = mark.get("shape")
    if shape == "line":
        parts = [f"{_point(mark, 'x1', 'y1')} to {_point(mark, 'x2', 'y2')}"]
    elif shape == "patch":
        parts = [f"{_point(mark, 'x', 'y')}, {_pair(mark, 'w', 'h')}"]
    elif shape == "wheel":
        turn = _number(mark, "turn_deg") or 0.0
        parts = [f"{_point(mark, 'cx', 'cy')}, radii {_pair(mark, 'rx', 'ry')}"]
        parts += [f"turned {figure(turn)}°"] if turn else []
    elif shape == "sheet":
        corners = cast(list[list[float]], mark.get("corners"))
        parts = [", ".join(f"({figure(x)}, {figure(y)})" for x, y in corners)]
        parts.append(f"{_pair(mark, 'width_mm', 'height_mm')} mm")
    else:
        parts = [_point(mark, "x", "y")]
    for key, words in (
        ("length_mm", "{} mm long"),
        ("u_deg", "good to {}°"),
        ("side_u_mm", "sides good to {} mm"),
        ("diameter_mm", "{} mm across"),
        ("frame", "frame {}"),
    ):
        value = _number(mark, key)
        parts += [] if value is None else [words.format(figure(value))]
    parts += ["no edge fit"] if mark.get("edge_fit") is False else []
    parts += [f"set by {mark['by']}"] if mark.get("by") else []
    return ", ".join(parts)


def _point(mark: Body, x: str, y: str) -> str:
    return f"({figure(_number(mark, x) or 0.0)}, {figure(_number(mark, y) or 0.0)})"


def _pair(mark: Body, first: str, second: str) -> str:
    return f"{figure(_number(mark, first) or 0.0)} × {figure(_number(mark, second) or 0.0)}"


def _declared(body: Body) -> _Parts:
    declared = _table(body.get("declared"))
    for key, (name, unit) in _DECLARED.items():
        # where nothing is declared edges are fitted, so saying so is no change
        value = declared.get(key, True if key == "edge_fit" else None)
        yield name, value, _text(value, unit)


def _calls(body: Body) -> _Parts:
    texts = []
    for call in _tables(body.get("calls")):
        note = f" ({call['note']})" if call.get("note") else ""
        t_s = _number(call, "t_s")
        texts.append(f"{spoken(str(call.get('call')))} {figure(t_s or 0.0, 3)} s{note}")
    yield "calls", body.get("calls"), ", ".join(texts)


def _values(body: Body) -> _Parts:
    """What was measured: the values that are ranked or argued about, then each reading whole."""
    for reading in _tables(body.get("readings")):
        measure, result = str(reading.get("measure")), _table(reading.get("result"))
        for key, (name, unit) in _VALUES.get(measure, {}).items():
            if result.get(key) is not None:
                parts = [result.get(beside(key, mark)) for mark in ("u95", "low95", "high95")]
                yield name, [result[key], *parts], _measured(result, key, unit)
        yield f"{measure} reading", dict(reading), "measured"


def _measured(result: Body, key: str, unit: str) -> str:
    """A value with its expanded uncertainty, to two figures of it."""
    value, u95 = _number(result, key), _number(result, beside(key, "u95"))
    if result.get(beside(key, "below_noise_floor")) is True:
        return "below the noise floor"
    if value is None or u95 is None or u95 <= 0:
        return _text(result[key], unit)
    places = digits_for(u95)
    return f"{figure(value, places)} ± {figure(u95, places)}{_after(unit)}"


def _dispute(body: Body) -> _Parts:
    """What is claimed of the attempt, and what an audit says of it."""
    claim, ruling = _table(body.get("claim")), _table(body.get("ruling"))
    words = " ".join(str(claim.get(key) or "") for key in ("measure", "relation"))
    yield "claim", dict(claim), _by(f"{words} {_claimed(claim)}", claim)
    outcome, p = str(ruling.get("outcome")), _number(ruling, "probability")
    words = outcome if outcome == "cannot decide" else f"the claim {outcome}"
    words = words.replace("cannot decide", "the footage cannot decide")
    words += "" if p is None else f", probability {figure(p, 3)}"
    note = f" ({ruling['note']})" if ruling.get("note") else ""
    yield "ruling", dict(ruling), _by(words, ruling) + note


def _claimed(claim: Body) -> str:
    """The value claimed with its unit, to the digits that it was given with."""
    value, within = _number(claim, "value"), _number(claim, "within")
    if value is None:
        return ""
    places = digits_for(2 * within) - 1 if within else None
    return figure(value, places) + _after(str(claim.get("unit") or ""))


def _by(words: str, item: Body) -> str:
    return f"{words.strip()}, by {item['by']}" if item.get("by") else words.strip()


def _others(body: Body) -> _Parts:
    """What no part above says: proposals, and what a later version may add."""
    known = {*_PLAIN, *_REFERENCES, *_NOT_SAID_HERE}
    known |= {"clip", "further_clips", "span", "lens", "marks", "declared", "calls", "readings"}
    known |= {"claim", "ruling"}
    for key, value in body.items():
        if key not in known:
            table = _table(value)
            texts = [f"{name} {_text(item)}" for name, item in table.items() if _given(item)]
            words = ", ".join(texts) if table else _text(value)
            yield key.replace("_", " "), value, words


def _table(value: JsonValue) -> Body:
    return value if isinstance(value, dict) else {}


def _tables(value: JsonValue) -> list[Body]:
    return [item for item in value if isinstance(item, dict)] if isinstance(value, list) else []


def _number(table: Body, key: str) -> float | None:
    value = table.get(key)
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    return float(cast(float, value)) if is_number else None
