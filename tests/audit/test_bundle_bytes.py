"""Whatever is changed in a bundle is found: every byte of the file, and what is covered up."""

import random

import pytest

from clipmark.audit.bundle import make_bundle
from clipmark.audit.bundle_checks import integrity_of
from clipmark.audit.bundle_record import JOURNAL, MANIFEST, PAGE, SUMS
from clipmark.audit.bundle_verify import verify_bundle
from clipmark.errors import ClipmarkError
from tests.audit.bundle_small import covered_up, members_of, packed, rewritten, small_event


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small") / "there"
    attempt = small_event(folder)
    out = folder / "b.zip"
    make_bundle(folder / "event", attempt, out)
    return out.read_bytes(), attempt


@pytest.fixture(scope="module")
def members(small):
    return members_of(small[0])


def is_found(data) -> bool:
    """Whether a check says that this is not, byte for byte, what clipmark wrote."""
    try:
        return not integrity_of(data, stop_at_first=True).untouched
    except ClipmarkError:
        return True


def unfound(data: bytes, places, values) -> list[tuple[int, int]]:
    held = bytearray(data)
    missed = []
    for place in places:
        for flip in values:
            held[place] ^= flip
            if not is_found(held):
                missed.append((place, flip))
            held[place] ^= flip
    return missed


def test_the_bundle_as_it_was_made_is_untouched(small):
    assert integrity_of(small[0]).untouched


def test_a_changed_byte_is_found_wherever_it_is(small):
    assert unfound(small[0], range(0, len(small[0]), 17), (1,)) == []


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_every_changed_byte_of_the_whole_file_is_found(small):
    assert unfound(small[0], range(len(small[0])), (1, 0x80)) == []


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_a_changed_byte_of_a_large_bundle_is_found(tmp_path):
    attempt = small_event(tmp_path / "e", size=(1280, 720), frames=8, noise=True)
    make_bundle(tmp_path / "e" / "event", attempt, tmp_path / "b.zip")
    data = (tmp_path / "b.zip").read_bytes()
    assert len(data) > 3_000_000
    places = random.Random(20260501).sample(range(len(data)), 10_000)
    assert unfound(data, places, (0x10,)) == []


@pytest.mark.parametrize("cut", [1, 22, 400])
def test_a_bundle_that_broke_off_is_refused(small, cut):
    with pytest.raises(ClipmarkError, match="damaged"):
        integrity_of(small[0][:-cut])


def test_a_byte_more_at_the_end_is_found(small):
    assert is_found(small[0] + b"\n")


def covered_places(name: str, data: bytes, step: int):
    return range(len(data) // (2 * step), len(data), max(1, len(data) // step))


def test_a_change_that_is_covered_up_with_new_sums_is_found_by_the_journal(members):
    """Manifest, sums and container made anew: what the journal says stands against it."""
    missed = []
    for name, data in members.items():
        if name in (MANIFEST, SUMS) or name.startswith("overlays/"):
            continue
        for place in covered_places(name, data, 8):
            changed = bytearray(data)
            changed[place] ^= 1
            if not is_found(covered_up(members | {name: bytes(changed)})):
                missed.append((name, place))
    assert missed == []


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_every_byte_of_journal_marks_lens_and_clip_is_held_by_the_journal(members):
    missed = []
    for name in members:
        if name.startswith(("record/", "clip/")):
            for place in range(0, len(members[name]), 3):
                changed = bytearray(members[name])
                changed[place] ^= 1
                if not is_found(covered_up(members | {name: bytes(changed)})):
                    missed.append((name, place))
    assert missed == []


def test_what_was_changed_is_named(members):
    name = next(name for name in members if name.startswith("clip/"))
    changed = members | {name: members[name][:-1] + b"?"}
    found = {stage.name: stage.sentence for stage in integrity_of(covered_up(changed)).failed}
    assert set(found) == {"clip"}
    assert name in found["clip"]


def test_a_file_that_nothing_asks_for_is_found(members):
    (stage,) = integrity_of(covered_up(members | {"record/extra.json": b"{}"})).failed
    assert stage.details == ("record/extra.json belongs to nothing",)


def test_a_missing_file_is_named(members):
    for name in members:
        if name in (MANIFEST, JOURNAL):
            continue
        fewer = {key: data for key, data in members.items() if key != name}
        assert any(name in stage.sentence for stage in integrity_of(packed(fewer)).failed), name


def test_a_bundle_packed_again_is_told_from_a_changed_one(small, members, tmp_path):
    """Another program packs other times and another order; what the files hold is the same."""
    import zipfile

    again = tmp_path / "again.zip"
    with zipfile.ZipFile(again, "w", zipfile.ZIP_STORED) as archive:
        for name in sorted(members, reverse=True):
            archive.writestr(name, members[name])
    found = integrity_of(again)
    assert [stage.outcome for stage in found.stages if stage.name == "container"] == ["repacked"]
    assert found.failed == ()
    assert not found.untouched


def call_it_cleared(body):
    body["verdict"], body["reason"] = "cleared", None


def test_a_journal_written_anew_cannot_be_told_without_anything_from_before(
    small, members, tmp_path
):
    data = rewritten(members, small[1], call_it_cleared)
    assert integrity_of(data).untouched
    assert b"Cleared" in members_of(data)[PAGE]
    (tmp_path / "b.zip").write_bytes(data)
    told = verify_bundle(tmp_path / "b.zip").cannot_tell
    assert "the journal was not written anew" in told[0]


def test_a_journal_written_anew_is_found_by_a_head_that_was_published(small, members, tmp_path):
    head = integrity_of(small[0]).record.head["sha256"]
    (tmp_path / "b.zip").write_bytes(rewritten(members, small[1], call_it_cleared))
    check = verify_bundle(tmp_path / "b.zip", head=head[:16])
    (stage,) = [stage for stage in check.stages if stage.name == "head"]
    assert stage.outcome == "failed"
    assert "written anew" in stage.sentence
    assert not check.whole


def test_a_published_head_holds_for_what_was_not_changed(small, tmp_path):
    head = integrity_of(small[0]).record.head["sha256"]
    (tmp_path / "b.zip").write_bytes(small[0])
    check = verify_bundle(tmp_path / "b.zip", head=head)
    (stage,) = [stage for stage in check.stages if stage.name == "head"]
    assert stage.outcome == "confirmed"
