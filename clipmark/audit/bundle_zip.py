"""The container of a bundle: one ZIP file in one canonical form, every byte of which matters.

Members stand in the order of their names, stored and not compressed, with one fixed time and no
extra fields (PKWARE APPNOTE 6.3, sections 4.3 and 4.4), so that the same members give the same
bytes and a reader can tell the container as it was written from one packed again. Nothing is
unpacked here, and nothing of a container is believed before it has been measured against the
file: a member that is compressed is refused, so no small file grows into a large one.
"""

from __future__ import annotations

import hashlib
import struct
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Protocol

from clipmark.errors import AuditError

MAX_MEMBERS = 5000
MAX_NAME_BYTES = 200
MAX_BYTES = 0xFFFF_FFFE  # beyond it a ZIP file needs the 64-bit form, which the bundle does not use
CHUNK_BYTES = 1 << 20

_LOCAL = struct.Struct("<4s5H3I2H")
_CENTRAL = struct.Struct("<4s6H3I5H2I")
_END = struct.Struct("<4s4H2IH")
_VERSION, _MADE_BY_UNIX = 20, 3 << 8 | 20
_TIME, _DATE = 0, 1 << 5 | 1  # 1980-01-01, the earliest that the form can say
_MODE = 0o100644 << 16  # a plain file, read by all
_FILE_TYPES = 0o170000
_PLAIN_FILE, _FOLDER = 0o100000, 0o040000
_MAX_COMMENT = 0xFFFF
_ENCRYPTED, _STREAMED, _UTF8 = 0x1, 0x8, 0x800
_RESERVED = {"con", "prn", "aux", "nul", *(f"{n}{i}" for n in ("com", "lpt") for i in range(10))}


class Bytes(Protocol):
    """Where bytes come from: a file, or memory."""

    size: int

    def read(self, offset: int, count: int) -> bytes:
        """`count` bytes from `offset`; fewer at the end."""


class HeldBytes:
    """Bytes in memory."""

    def __init__(self, data: bytes | bytearray) -> None:
        self._data, self.size = memoryview(data), len(data)

    def read(self, offset: int, count: int) -> bytes:
        """A copy of a stretch."""
        return bytes(self._data[offset : offset + count])


class FileBytes:
    """Bytes of an open file."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.size = file.seek(0, 2)

    def read(self, offset: int, count: int) -> bytes:
        """Read a stretch."""
        self._file.seek(offset)
        return self._file.read(count)


@dataclass(frozen=True)
class Member:
    """One file of a container: its name, where its bytes lie, and what they should sum up to."""

    name: str
    offset: int
    size: int
    crc32: int


@dataclass(frozen=True)
class Digest:
    """What the bytes of one member sum up to."""

    size: int
    sha256: str
    crc32: int


class Container:
    """An opened bundle; every name and place in it has been checked, no content yet.

    Attributes
    ----------
    members : dict of str to Member
        By name.
    """

    def __init__(self, source: Bytes, members: dict[str, Member]) -> None:
        self._source, self.members = source, members

    @property
    def size(self) -> int:
        """Bytes of the whole file."""
        return self._source.size

    def chunks(self, name: str) -> Iterator[bytes]:
        """The bytes of a member, piece by piece."""
        member = self.members[name]
        for start in range(0, member.size, CHUNK_BYTES):
            yield self._source.read(member.offset + start, min(CHUNK_BYTES, member.size - start))

    def read(self, name: str, limit: int) -> bytes:
        """A whole member; raises `AuditError` when it is larger than `limit` bytes."""
        member = self.members[name]
        if member.size > limit:
            raise AuditError(
                f"{name} in the bundle is {member.size} bytes long, where at most {limit} are "
                "read; it was not made by clipmark, ask for the bundle anew"
            )
        return self._source.read(member.offset, member.size)

    def digest(self, name: str) -> Digest:
        """Size and sums of a member."""
        return digest_of(self.chunks(name))

    def crc32(self, name: str) -> int:
        """The sum of a member as the ZIP form takes it; quicker than `digest`."""
        crc = 0
        for chunk in self.chunks(name):
            crc = zlib.crc32(chunk, crc)
        return crc

    def is_canonical(self) -> bool:
        """Whether every byte that is not content is as clipmark writes it."""
        expected = 0
        for name in sorted(self.members):
            member = self.members[name]
            head = _local_header(name, member)
            if member.offset != expected + len(head):
                return False
            if self._source.read(expected, len(head)) != head:
                return False
            expected += len(head) + member.size
        tail = _directory(self.members)
        return (
            self._source.size == expected + len(tail)
            and self._source.read(expected, len(tail)) == tail
        )


def digest_of(chunks: Iterator[bytes]) -> Digest:
    """Size, SHA-256 and CRC-32 of a stream of bytes."""
    sha256, crc, size = hashlib.sha256(), 0, 0
    for chunk in chunks:
        sha256.update(chunk)
        crc = zlib.crc32(chunk, crc)
        size += len(chunk)
    return Digest(size, sha256.hexdigest(), crc)


def content_chunks(content: bytes | Path) -> Iterator[bytes]:
    """The bytes of what is to be packed, piece by piece."""
    if isinstance(content, bytes):
        yield content
        return
    with content.open("rb") as file:
        while chunk := file.read(CHUNK_BYTES):
            yield chunk


def write_container(
    write: Callable[[bytes], object],
    contents: Mapping[str, bytes | Path],
    digests: Mapping[str, Digest],
) -> None:
    """Write members in the canonical form.

    Parameters
    ----------
    write : callable
        Takes the bytes, in order.
    contents : mapping
        Bytes, or the path of a file, by name.
    digests : mapping
        What each sums up to, as `digest_of` found it.

    Raises
    ------
    AuditError
        When a name cannot stand in a bundle, it gets too large, or a file changed meanwhile.
    OSError
        When a file cannot be read.
    """
    if len(contents) > MAX_MEMBERS or sum(d.size + 400 for d in digests.values()) > MAX_BYTES:
        raise AuditError(
            "the bundle would be larger than 4 GiB, or hold more than "
            f"{MAX_MEMBERS} files; take only the span of the attempt (--cut), or leave the clip "
            "out (--without-clip)"
        )
    for name in sorted(contents):
        check_name(name)
        write(_local_header(name, digests[name]))

        def passed_on(name: str = name) -> Iterator[bytes]:
            for chunk in content_chunks(contents[name]):
                write(chunk)
                yield chunk

        if digest_of(passed_on()) != digests[name]:
            raise AuditError(
                f"{name} changed while it was packed; wait until it is complete and repeat"
            )
    write(_directory(digests))


def _local_header(name: str, digest: Digest | Member) -> bytes:
    raw = name.encode("ascii")
    return (
        _LOCAL.pack(
            b"PK\3\4", _VERSION, 0, 0, _TIME, _DATE,
            digest.crc32, digest.size, digest.size, len(raw), 0,
        )
        + raw
    )  # fmt: skip


def _directory(digests: Mapping[str, Digest] | Mapping[str, Member]) -> bytes:
    """Central directory and its end."""
    parts, place = [], 0
    for name in sorted(digests):
        raw, digest = name.encode("ascii"), digests[name]
        parts.append(
            _CENTRAL.pack(
                b"PK\1\2", _MADE_BY_UNIX, _VERSION, 0, 0, _TIME, _DATE,
                digest.crc32, digest.size, digest.size, len(raw), 0, 0, 0, 0, _MODE, place,
            )
            + raw
        )  # fmt: skip
        place += _LOCAL.size + len(raw) + digest.size
    directory = b"".join(parts)
    count = len(digests)
    return directory + _END.pack(b"PK\5\6", 0, 0, count, count, len(directory), place, 0)


def open_container(source: Bytes) -> Container:
    """Read the directory of a container, refusing whatever a bundle never holds.

    A container packed again by another program is taken too, as long as its members are stored
    and not compressed.

    Raises
    ------
    AuditError
        Saying what stands in the way; nothing of the content has been read then.
    """
    count, size, start = _end_of_directory(source)
    directory = source.read(start, size)
    members: dict[str, Member] = {}
    seen: dict[str, str] = {}
    place = 0
    for _ in range(count):
        if len(directory) - place < _CENTRAL.size:
            raise _damaged("its list of files breaks off")
        fields = _CENTRAL.unpack_from(directory, place)
        if fields[0] != b"PK\1\2":
            raise _damaged("its list of files cannot be read")
        flags, method, crc, packed, unpacked = fields[3], fields[4], *fields[7:10]
        name_bytes, extra_bytes, comment_bytes = fields[10:13]
        place += _CENTRAL.size
        name = _name(directory[place : place + name_bytes])
        place += name_bytes + extra_bytes + comment_bytes
        _check_member(name, flags, method, packed, unpacked, fields[1], fields[15])
        folded = name.lower()
        if folded in seen:
            raise _foreign(f"the name {name!r} stands in it twice")
        seen[folded] = name
        offset = _content_offset(source, name, fields[16], flags, start)
        if offset + packed > start:
            raise _foreign(f"{name!r} reaches into the list of files")
        if name.endswith("/"):
            continue  # a folder of a container packed again; it holds nothing
        members[name] = Member(name, offset, packed, crc)
    if place != size:
        raise _damaged("its list of files is longer than what it lists")
    _refuse_overlaps(members)
    return Container(source, members)


def _end_of_directory(source: Bytes) -> tuple[int, int, int]:
    """Number of entries, size and place of the directory."""
    if source.read(0, 4) not in (b"PK\3\4", b"PK\5\6"):
        raise AuditError("this is not a bundle: it does not begin as a ZIP file does; "
                         "give the file that `clipmark audit bundle` wrote")  # fmt: skip
    tail_bytes = min(source.size, _END.size + _MAX_COMMENT)
    tail = source.read(source.size - tail_bytes, tail_bytes)
    found = tail.rfind(b"PK\5\6")
    if found < 0 or len(tail) - found < _END.size:
        raise _damaged("its end is missing, as after a download that broke off")
    fields = _END.unpack_from(tail, found)
    disk, first_disk, here, count, size, start, comment = fields[1:]
    end = source.size - tail_bytes + found
    if disk or first_disk or here != count or len(tail) - found != _END.size + comment:
        raise _damaged("its end cannot be read")
    if 0xFFFF in (count,) or 0xFFFFFFFF in (size, start):
        raise _foreign("it uses the 64-bit form")
    if count > MAX_MEMBERS:
        raise _foreign(f"it lists {count} files, where a bundle holds at most {MAX_MEMBERS}")
    if start + size != end:
        raise _damaged("its list of files is not where its end says")
    return count, size, start


def _check_member(
    name: str, flags: int, method: int, packed: int, unpacked: int, made_by: int, mode: int
) -> None:
    if flags & _ENCRYPTED:
        raise _foreign(f"{name!r} is encrypted, and a bundle never is")
    if flags & ~(_STREAMED | _UTF8):
        raise _foreign(f"{name!r} is packed in an unusual way")
    if method != 0 or packed != unpacked:
        raise _foreign(
            f"{name!r} is compressed, and a bundle never is, so that no small file can grow into "
            "a large one"
        )
    kind = mode >> 16 & _FILE_TYPES
    if made_by >> 8 == 3 and kind not in (0, _FOLDER if name.endswith("/") else _PLAIN_FILE):
        raise _foreign(f"{name!r} is not a plain file but a link or a device")
    if name.endswith("/") and unpacked:
        raise _foreign(f"the folder {name!r} has a content of its own")


def _content_offset(source: Bytes, name: str, place: int, flags: int, limit: int) -> int:
    """Where the bytes of a member begin, its own header having been compared with the list."""
    head = source.read(place, _LOCAL.size)
    if place + _LOCAL.size > limit or len(head) < _LOCAL.size or head[:4] != b"PK\3\4":
        raise _damaged(f"the place of {name!r} holds something else")
    fields = _LOCAL.unpack(head)
    own = source.read(place + _LOCAL.size, fields[9])
    if own != name.encode("ascii") or fields[2] != flags or fields[3] != 0:
        raise _damaged(f"{name!r} is called or packed otherwise at its own place")
    return place + _LOCAL.size + int(fields[9]) + int(fields[10])


def _refuse_overlaps(members: Mapping[str, Member]) -> None:
    reached, before = 0, ""
    for member in sorted(members.values(), key=lambda m: (m.offset, m.size)):
        head = member.offset - _LOCAL.size - len(member.name)
        if head < reached:
            raise _foreign(f"{before!r} and {member.name!r} lie over each other")
        reached, before = member.offset + member.size, member.name


def _name(raw: bytes) -> str:
    try:
        name = raw.decode("ascii")
    except UnicodeDecodeError:
        raise _foreign("a name in it is not of plain letters") from None
    check_name(name.removesuffix("/"))
    return name


def check_name(name: str) -> None:
    """Refuse a name that could reach out of a folder or mean a device on some system.

    Raises
    ------
    AuditError
    """
    parts = name.split("/")
    good = all(
        part.isascii()
        and part not in ("", ".", "..")
        and not part.startswith(("-", " "))
        and not part.endswith((".", " "))
        and all(32 < ord(letter) < 127 and letter not in '\\:*?"<>|' for letter in part)
        and part.lower().partition(".")[0] not in _RESERVED
        for part in parts
    )
    if not good or len(name) > MAX_NAME_BYTES:
        shown = ascii(name[:60])
        raise _foreign(f"the name {shown} could reach out of its folder or mislead")


def _damaged(what: str) -> AuditError:
    return AuditError(f"the bundle is damaged: {what}; ask for it anew")


def _foreign(what: str) -> AuditError:
    return AuditError(
        f"this is no bundle that clipmark wrote: {what}; do not unpack it, ask for the bundle anew"
    )
