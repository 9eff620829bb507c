"""Files that mean harm, or are broken, are refused in a sentence before they are read."""

import contextlib
import io
import json
import struct
import zipfile
import zlib

import pytest

from clipmark.audit.bundle import make_bundle
from clipmark.audit.bundle_checks import integrity_of
from clipmark.audit.bundle_frames import from_png
from clipmark.audit.bundle_record import MANIFEST
from clipmark.audit.bundle_verify import verify_bundle
from clipmark.audit.bundle_zip import HeldBytes, check_name, open_container
from clipmark.errors import AuditError, ClipmarkError, FolderError
from tests.audit.bundle_small import members_of, packed, small_event


@pytest.fixture(scope="module")
def members(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small")
    attempt = small_event(folder / "e")
    make_bundle(folder / "e" / "event", attempt, folder / "b.zip")
    return members_of((folder / "b.zip").read_bytes())


def zipped(entries, compression=zipfile.ZIP_STORED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", compression) as archive:
        for info, data in entries:
            archive.writestr(info, data)
    return out.getvalue()


def refusal(data: bytes) -> str:
    with pytest.raises(AuditError) as caught:
        open_container(HeldBytes(data))
    return str(caught.value)


@pytest.mark.parametrize(
    "name",
    ["../out.txt", "clip/../../out.txt", "/etc/out", "a\\b", "c:out", "a//b", ".", "a/./b", "nul",
     "COM1.txt", "a /b", "-rf", "a\x1b[2J", "ä.txt", "x" * 201, "clip/", "a*"],
)  # fmt: skip
def test_a_name_that_could_reach_out_or_mislead_is_refused(name):
    with pytest.raises(AuditError):
        check_name(name)
    if name not in ("clip/",):
        assert "no bundle that clipmark wrote" in refusal(zipped([(name, b"x")]))


def test_a_link_is_refused():
    info = zipfile.ZipInfo("clip/run.mp4")
    info.create_system, info.external_attr = 3, 0o120777 << 16
    assert "not a plain file but a link" in refusal(zipped([(info, b"/etc/passwd")]))


def test_a_compressed_member_is_refused_so_that_no_bomb_can_go_off():
    bomb = zipped([("clip/run.mp4", bytes(50_000_000))], zipfile.ZIP_DEFLATED)
    assert len(bomb) < 60_000
    assert "is compressed" in refusal(bomb)


def test_a_member_that_states_more_than_it_holds_is_refused():
    data = bytearray(zipped([("clip/run.mp4", b"x")]))
    place = data.find(b"PK\1\2")
    data[place + 24 : place + 28] = struct.pack("<I", 1 << 30)
    assert "is compressed" in refusal(bytes(data))


def test_members_that_lie_over_each_other_are_refused():
    """Many names for one stretch of bytes: a small file that unpacks into a large one."""
    data = zipped([("a", b"x" * 100), ("b", b"x" * 100)])
    place = data.find(b"PK\1\2")
    first = data[place : place + 47]
    second = first[:46] + b"b"
    local = data[:31] + data[31:131]
    directory = first + second
    end = struct.pack("<4s4H2IH", b"PK\5\6", 0, 0, 2, 2, len(directory), len(local), 0)
    assert "otherwise at its own place" in refusal(local + directory + end)
    inner = data[:31] + data[131:262]  # the second one begins inside the first
    first = first[:20] + struct.pack("<2I", 231, 231) + first[28:]
    second = second[:42] + struct.pack("<I", 31) + second[46:]
    directory = first + second
    end = struct.pack("<4s4H2IH", b"PK\5\6", 0, 0, 2, 2, len(directory), len(inner) + 100, 0)
    assert "lie over each other" in refusal(inner + bytes(100) + directory + end)


@pytest.mark.parametrize("twin", ["a", "A"])
def test_one_name_twice_is_refused(twin):
    data = zipped([("a", b"1"), ("b", b"2")])
    assert "twice" in refusal(data.replace(b"b", twin.encode()))


def test_an_encrypted_member_is_refused():
    data = bytearray(zipped([("a", b"x")]))
    data[6] |= 1
    data[data.find(b"PK\1\2") + 8] |= 1
    assert "is encrypted" in refusal(bytes(data))


def test_more_files_than_a_bundle_holds_are_refused():
    assert "at most 5000" in refusal(zipped([(f"f{n}", b"") for n in range(5001)]))


@pytest.mark.parametrize("data", [b"", b"PK", b"not a zip file", b"PK\3\4" + bytes(100)])
def test_what_is_no_zip_file_is_said_so(data):
    with pytest.raises(AuditError, match=r"not a bundle|damaged"):
        integrity_of(data)


def test_a_zip_file_of_something_else_is_said_so():
    with pytest.raises(AuditError, match=r"holds no manifest\.json, so it is no bundle"):
        integrity_of(packed({"holiday.txt": b"sun"}))


def test_a_manifest_of_a_later_form_asks_for_its_own_version(members):
    told = json.loads(members[MANIFEST]) | {"format": "clipmark bundle 2"}
    with pytest.raises(AuditError, match="with the version of clipmark that made it"):
        integrity_of(packed(members | {MANIFEST: json.dumps(told).encode()}))


@pytest.mark.parametrize(
    "data",
    [b"\xff\xfe\xff", b"[]", b"{", b"[" * 100_000, b'{"format": "clipmark bundle 1"}', b"NaN"],
)
def test_a_manifest_that_says_nothing_is_refused(members, data):
    with pytest.raises(AuditError):
        integrity_of(packed(members | {MANIFEST: data}))


def test_a_huge_manifest_is_not_read(members):
    with pytest.raises(AuditError, match="where at most"):
        integrity_of(packed(members | {MANIFEST: b" " * (9 << 20)}))


@pytest.mark.parametrize("data", [b"", b"{}\n", b"\xff" * 50, b'{"a":1}'])
def test_a_journal_that_is_none_is_found(members, data):
    found = integrity_of(packed(members | {"record/journal.jsonl": data}))
    assert "journal" in [stage.name for stage in found.failed]


def test_a_picture_that_grows_on_unpacking_is_stopped_at_its_promise():
    def chunk(kind, data):
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    def png(width, height, rows):
        head = struct.pack(">2I5B", width, height, 8, 0, 0, 0, 0)
        body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
        return b"\x89PNG\r\n\x1a\n" + body

    assert from_png(png(2, 2, bytes([0, 1, 2, 0, 3, 4])), 8, "f").luma.tolist() == [[1, 2], [3, 4]]
    with pytest.raises(AuditError, match="not as many rows as promised"):
        from_png(png(2, 2, bytes(20_000_000)), 8, "f")
    with pytest.raises(AuditError, match="too large"):
        from_png(png(60_000, 60_000, b""), 8, "f")
    with pytest.raises(AuditError, match="broken blocks"):
        from_png(png(2, 2, bytes(6))[:-1], 8, "f")


def test_a_folder_and_a_missing_file_are_refused_in_a_sentence(tmp_path):
    for path in (tmp_path, tmp_path / "none.zip"):
        with pytest.raises(FolderError):
            verify_bundle(path)


def test_nothing_stays_on_the_disk_after_a_check(members, tmp_path, monkeypatch):
    import tempfile

    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(work))
    (tmp_path / "b.zip").write_bytes(packed(members))
    stages = {stage.name: stage.outcome for stage in verify_bundle(tmp_path / "b.zip").stages}
    assert stages["decoded"] == "confirmed"
    assert list(work.iterdir()) == []


@pytest.mark.parametrize("head", ["", "12", "xyz" * 10, "a" * 65])
def test_a_head_hash_that_is_none_is_refused(members, tmp_path, head):
    (tmp_path / "b.zip").write_bytes(packed(members))
    with pytest.raises(AuditError, match="cannot be used"):
        verify_bundle(tmp_path / "b.zip", head=head)


def test_random_bytes_never_end_in_anything_but_a_sentence(members):
    import random

    draw = random.Random(5)
    data = packed(members)
    for _ in range(150):
        changed = bytearray(data)
        for _ in range(draw.choice((1, 5, 50))):
            changed[draw.randrange(len(changed) - 2500, len(changed))] = draw.randrange(256)
        with contextlib.suppress(ClipmarkError):
            integrity_of(changed)
