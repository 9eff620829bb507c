"""The checkpoint: opening is quicker with it, and finds exactly what it finds without it."""

import json
import random
import shutil
import tempfile
import tracemalloc
from pathlib import Path

import platformdirs
import pytest
import rfc8785
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clipmark.errors import RecordError
from clipmark.record import canonical_quick, chain, checkpoint, journal_reader
from clipmark.record.canonical import canonical_bytes, own_sha256, parse_json
from clipmark.record.canonical_quick import read_quickly
from clipmark.record.journal import Draft, Journal


@pytest.fixture(autouse=True)
def noted_at_once(monkeypatch):
    """As a journal of a thousand times the size is."""
    monkeypatch.setattr(checkpoint, "LEAST_BYTES", 1)


def note(number: int) -> Draft:
    return Draft("blind", f"b{number}", {"n": number, "x": number / 7, "text": "é" * 40}, 0)


@pytest.fixture
def twelve(tmp_path, ticking) -> Path:
    """A journal of twelve lines, all told of by the checkpoint."""
    journal = Journal(tmp_path / "journal.jsonl", clock=ticking)
    journal.append([note(number) for number in range(1, 13)], by="M. Fell")
    assert checkpoint.read_judged(journal.path).lines == 12
    return journal.path


def found(path: Path) -> tuple[object, ...]:
    """Everything an opening says of a journal."""
    journal = Journal(path)
    journal.refresh()
    lines = [(e.line, e.kind, e.id, e.revision, e.seq, e.sha256, e.trusted, e.raw, e.body)
             for e in journal.entries]  # fmt: skip
    return lines, list(journal.chain.newest), journal.faults, journal.torn


def found_without(path: Path) -> tuple[object, ...]:
    shutil.rmtree(checkpoint.folder(), ignore_errors=True)
    return found(path)


def test_only_what_the_checkpoint_does_not_tell_of_is_read_as_json(twelve, monkeypatch):
    read = []
    real = chain.read_canonical
    monkeypatch.setattr(chain, "read_canonical", lambda raw: read.append(raw) or real(raw))
    Journal(twelve).refresh()
    assert read == []
    Journal(twelve).append([note(13)], by="M. Fell")
    assert len(read) == 1


def test_opening_says_the_same_with_it_and_without(twelve):
    assert found(twelve) == found_without(twelve)


SOUND = b""


def _sound() -> bytes:
    global SOUND
    if not SOUND:
        with tempfile.TemporaryDirectory() as folder:
            journal = Journal(Path(folder) / "journal.jsonl")
            journal.append([note(number) for number in range(1, 13)], by="M. Fell")
            SOUND = journal.path.read_bytes()
    return SOUND


@settings(max_examples=80, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.floats(0, 1, exclude_max=True), st.binary(max_size=4), st.integers(0, 5))
def test_every_edit_before_the_checkpoint_is_found_as_without_it(tmp_path, place, put, cut):
    """Bytes changed, put in, taken out, anywhere: the same faults, the same lines trusted."""
    data, path = _sound(), tmp_path / "journal.jsonl"
    at = int(place * len(data))
    path.write_bytes(data)
    found(path)  # which writes the checkpoint
    path.write_bytes(data[:at] + put + data[at + cut :])
    assert found(path) == found_without(path)


def test_an_edited_line_is_named_and_nothing_after_it_is_trusted(twelve):
    twelve.write_bytes(twelve.read_bytes().replace(b'"n":3', b'"n":4'))
    lines, _, faults, _ = found(twelve)
    assert [str(fault) for fault in faults] == [
        "line 3: the line was changed after it was written: its hash does not fit"
    ]
    assert [line[6] for line in lines] == [True, True] + [False] * 10


def test_a_head_that_was_rewritten_with_fitting_hashes_is_read_anew(twelve):
    """Every line sealed again, one of them not in canonical form: only its form tells of it."""
    lines, previous = [], "0" * 64
    for number, raw in enumerate(twelve.read_bytes().splitlines(), start=1):
        fields = json.loads(raw) | {"previous": previous}
        del fields["sha256"]
        body = canonical_bytes(fields)
        if number == 5:
            body = body.replace(b'"n":5', b'"n":5.0')
        previous = own_sha256(body[:-1] + b',"sha256":"' + b"0" * 64 + b'"}')
        lines.append(body[:-1] + b',"sha256":"' + previous.encode() + b'"}')
    twelve.write_bytes(b"\n".join(lines) + b"\n")
    assert str(found(twelve)[2][0]) == (
        "line 5: the line is not byte for byte its own canonical form"
    )


@pytest.mark.parametrize(
    "spoil",
    [
        lambda fields: b"",
        lambda fields: b"\x00" * 400,
        lambda fields: b"[3]",
        lambda fields: json.dumps(fields | {"software": "0.0"}).encode(),
        lambda fields: json.dumps(fields | {"of": "/elsewhere"}).encode(),
        lambda fields: json.dumps(fields | {"judged": {"size": 10**12}}).encode(),
        *(
            lambda fields, change=change: json.dumps(
                fields | {"judged": fields["judged"] | change}
            ).encode()
            for change in (
                {"size": 10**12}, {"size": 100}, {"size": "x"}, {"size": -1}, {"lines": 11},
                {"lines": 0}, {"sha256": "0" * 64}, {"sha256": None},
            )
        ),
    ],
)  # fmt: skip
def test_a_checkpoint_that_does_not_fit_is_passed_over(twelve, spoil):
    (place,) = checkpoint.folder().glob("*.json")
    place.write_bytes(spoil(json.loads(place.read_bytes())))
    assert found(twelve) == found_without(twelve)


def test_one_version_does_not_rely_on_what_another_judged(twelve, monkeypatch):
    monkeypatch.setattr(checkpoint, "__version__", "99.0")
    assert checkpoint.read_judged(twelve) is None


def test_nothing_is_noted_of_a_journal_with_a_fault_or_a_torn_end(twelve):
    shutil.rmtree(checkpoint.folder())
    data = twelve.read_bytes()
    for changed in (data.replace(b'"n":3', b'"n":4'), data + b'{"at"', data[:-1]):
        twelve.write_bytes(changed)
        found(twelve)
        assert checkpoint.read_judged(twelve) is None


def test_a_cache_that_cannot_be_written_is_done_without(tmp_path, monkeypatch, ticking):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    monkeypatch.setattr(platformdirs, "user_cache_dir", lambda _: str(tmp_path / "file" / "x"))
    journal = Journal(tmp_path / "journal.jsonl", clock=ticking)
    journal.append([note(1)], by="M. Fell")
    assert len(found(journal.path)[0]) == 1


def test_notes_do_not_pile_up(tmp_path, monkeypatch):
    monkeypatch.setattr(checkpoint, "MOST_NOTES", 5)
    for number in range(9):
        checkpoint.keep(tmp_path / f"{number}.jsonl", checkpoint.Judged(1, 1, "0" * 64))
    assert len(list(checkpoint.folder().iterdir())) == 5
    assert checkpoint.read_judged(tmp_path / "8.jsonl") is not None


# Lines are read again ---------------------------------------------------------------------


def test_an_open_journal_does_not_hold_its_bytes(tmp_path, ticking, monkeypatch):
    """Opening needs stretches, and keeps the places of the lines; here a tenth of the size."""
    stretch = 400_000
    monkeypatch.setattr(chain, "CHUNK_BYTES", stretch)
    monkeypatch.setattr(journal_reader, "CHUNK_BYTES", stretch)
    journal = Journal(tmp_path / "journal.jsonl", clock=ticking)
    text = "x" * 10_000
    journal.append([Draft("blind", f"b{n}", {"t": text}, 0) for n in range(600)], by="M. Fell")
    for _ in ("with the checkpoint", "without"):
        tracemalloc.start()
        again = Journal(journal.path)
        again.refresh()
        kept, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert len(again.entries) == 600
        assert kept < 1_000_000
        # As read, joined to what was left, cut into lines, and the lines cut before; the places.
        assert peak < 4 * (stretch + 10_000) + 1_000_000
        shutil.rmtree(checkpoint.folder())


def test_a_line_that_changed_while_the_journal_was_open_is_not_given_out(twelve):
    journal = Journal(twelve)
    journal.refresh()
    twelve.write_bytes(twelve.read_bytes().replace(b'"n":3', b'"n":4'))
    with pytest.raises(RecordError) as refused:
        _ = journal.entries[2].body
    assert str(refused.value) == (
        "line 3 of the journal was changed or taken away while it was open; close the event and "
        "open it again, and compare it with a backup"
    )
    twelve.write_bytes(b"")
    with pytest.raises(RecordError, match="line 9 of the journal was changed or taken away"):
        journal.entries[8].whole()


# Canonical form, quickly ------------------------------------------------------------------

NUMBERS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False),
    st.floats(-1, 1),
    st.integers(-(2**60), 2**60),
    st.builds(lambda m, e: m * 10.0**e, st.integers(-99, 99), st.integers(-12, 24)),
)
VALUES = st.recursive(
    st.one_of(st.none(), st.booleans(), NUMBERS, st.text(max_size=8)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(st.text(max_size=4), inner, max_size=4)
    ),
    max_leaves=12,
)


@settings(max_examples=300, deadline=None)
@given(VALUES, st.booleans(), st.sampled_from([(",", ":"), (", ", ":")]), st.booleans())
def test_nothing_that_is_not_canonical_is_taken_for_it(value, in_order, separators, ascii_only):
    """What Python's own writer makes is canonical or not; the quick way never says so wrongly."""
    raw = json.dumps(
        value, sort_keys=in_order, separators=separators, ensure_ascii=ascii_only
    ).encode("utf-8", "surrogatepass")
    if read_quickly(raw) is not None:
        assert rfc8785.dumps(parse_json(raw.decode())) == raw


@settings(max_examples=300, deadline=None)
@given(
    st.floats(allow_nan=False, allow_infinity=False), st.sampled_from("rgef"), st.integers(0, 17)
)
def test_no_way_of_writing_a_number_but_the_canonical_one_is_taken(number, form, digits):
    text = repr(number) if form == "r" else f"{number:.{digits}{form}}"
    raw = f"[{text}]".encode()
    if read_quickly(raw) is not None:
        assert rfc8785.dumps(parse_json(raw.decode())) == raw


def test_what_measuring_saves_is_read_the_quick_way():
    """Else opening takes ten times as long, and nothing else would tell."""
    assert canonical_quick.IS_KNOWN
    chance = random.Random(5)
    values = [chance.uniform(-1, 1) * 10.0 ** chance.randint(-10, 3) for _ in range(200)]
    raw = canonical_bytes({"values": values, "name": "Tarn Höhle", "n": [1, None, True]})
    assert b"e-" in raw
    assert read_quickly(raw) == parse_json(raw.decode())
