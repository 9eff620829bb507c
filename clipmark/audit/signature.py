"""Signatures of bundles: who vouches that these bytes are the ones that were handed over.

Ed25519 (RFC 8032) by the library `cryptography`, an extra that is loaded only when something is
signed or a signature checked. The signature is a small file beside the bundle; what is signed
is a statement that holds the hash of the bundle, the head of its journal and the attempt.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from pydantic import JsonValue

from clipmark.errors import AuditError, FolderError
from clipmark.record import disk
from clipmark.record.canonical import JsonObject, canonical_bytes

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

FORMAT = "clipmark signature 1"
ALGORITHM = "Ed25519"
SUFFIX = ".sig"
_MAX_KEY_BYTES = 1 << 16
_FIELDS = {"format", "algorithm", "public_key", "statement", "signature"}


@dataclass(frozen=True)
class Signed:
    """What a signature file says, its signature having been checked against its own key.

    Attributes
    ----------
    public_key : bytes
        Raw, 32 bytes.
    statement : dict
        What was signed.
    holds : bool
        Whether the signature fits statement and key.
    """

    public_key: bytes
    statement: JsonObject
    holds: bool

    @property
    def key_print(self) -> str:
        """SHA-256 of the raw public key, hex: short enough to be read out or published."""
        return key_print(self.public_key)


def key_print(public_key: bytes) -> str:
    """SHA-256 of a raw public key, hex."""
    return hashlib.sha256(public_key).hexdigest()


def _library() -> Any:
    try:
        from cryptography.hazmat.primitives.asymmetric import ed25519
    except ImportError:
        raise AuditError(
            "signatures need the library cryptography, which is not installed; install it with "
            "pip install 'clipmark[sign]'"
        ) from None
    return ed25519


def sign(private_key: bytes, message: bytes) -> bytes:
    """The 64-byte signature of a message under a raw 32-byte private key (RFC 8032, 5.1.6)."""
    return bytes(_library().Ed25519PrivateKey.from_private_bytes(private_key).sign(message))


def verify(public_key: bytes, signature: bytes, message: bytes) -> bool:
    """Whether a signature fits (RFC 8032, 5.1.7); False for keys and signatures of no such form."""
    library = _library()
    from cryptography.exceptions import InvalidSignature

    try:
        library.Ed25519PublicKey.from_public_bytes(public_key).verify(signature, message)
    except (InvalidSignature, ValueError):
        return False
    return True


def new_key(path: Path) -> tuple[Path, str]:
    """Make a key pair: the private key at `path`, readable by its owner alone, public key beside.

    Returns
    -------
    tuple
        Path of the public key (``KEY.pub.pem`` beside ``KEY.pem``), and its `key_print`.

    Raises
    ------
    FolderError
        When either file exists, or cannot be written.
    AuditError
        When the library is not installed.
    """
    library = _library()
    from cryptography.hazmat.primitives import serialization as form

    public_path = path.with_name(f"{path.name.removesuffix('.pem')}.pub.pem")
    for place in (path, public_path):
        if os.path.lexists(place):
            raise FolderError(f"{place} is there already; a key is never replaced, "
                              "give another name")  # fmt: skip
    private: Ed25519PrivateKey = library.Ed25519PrivateKey.generate()
    secret = private.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, form.NoEncryption())
    public = private.public_key().public_bytes(
        form.Encoding.PEM, form.PublicFormat.SubjectPublicKeyInfo
    )
    try:
        _create_private(path, secret)
        try:
            disk.create_file(public_path, public)
        except OSError:
            with contextlib.suppress(OSError):
                path.unlink()
            raise
    except OSError as error:
        raise disk.explain(error, "write the key", path) from error
    return public_path, key_print(
        private.public_key().public_bytes(form.Encoding.Raw, form.PublicFormat.Raw)
    )


def _create_private(path: Path, secret: bytes) -> None:
    """A new file that was never readable by anybody else."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        try:
            disk.write_all(descriptor, secret)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except BaseException:
        with contextlib.suppress(OSError):
            path.unlink()
        raise
    disk.sync_folder(path.parent)


def read_private_key(path: Path) -> bytes:
    """The raw private key of a PEM file (PKCS 8); raises `AuditError` or `FolderError`."""
    library = _library()
    from cryptography.hazmat.primitives import serialization as form

    data = _read(path)
    try:
        key = form.load_pem_private_key(data, password=None)
    except TypeError:
        raise AuditError(
            f"{path}: the key is locked with a password, which is not asked for here; give a key "
            "without one, as `clipmark audit key` makes it"
        ) from None
    except Exception as error:  # the library's own kinds for other algorithms and forms
        raise _no_key(path, "private") from error
    if not isinstance(key, library.Ed25519PrivateKey):
        raise _no_key(path, "private")
    return bytes(key.private_bytes(form.Encoding.Raw, form.PrivateFormat.Raw, form.NoEncryption()))


def read_public_key(path: Path) -> bytes:
    """The raw public key of a PEM file; raises `AuditError` or `FolderError`."""
    library = _library()
    from cryptography.hazmat.primitives import serialization as form

    data = _read(path)
    try:
        key = form.load_pem_public_key(data)
    except Exception as error:  # as above
        raise _no_key(path, "public") from error
    if not isinstance(key, library.Ed25519PublicKey):
        raise _no_key(path, "public")
    return bytes(key.public_bytes(form.Encoding.Raw, form.PublicFormat.Raw))


def _no_key(path: Path, which: str) -> AuditError:
    return AuditError(
        f"{path} is no {which} key of the kind {ALGORITHM} in a PEM file; give the one that "
        "`clipmark audit key` made"
    )


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(_MAX_KEY_BYTES)
    except OSError as error:
        raise disk.explain(error, "read the key", path) from error


def statement_of(bundle_sha256: str, head: JsonValue, attempt: JsonValue) -> JsonObject:
    """What is signed: the bundle, the head of its journal, the attempt."""
    return {"format": FORMAT, "bundle_sha256": bundle_sha256, "head": head, "attempt": attempt}


def signature_file(private_key: bytes, statement: JsonObject) -> bytes:
    """The signature file of a statement."""
    public = _library().Ed25519PrivateKey.from_private_bytes(private_key).public_key()
    signature = sign(private_key, canonical_bytes(statement))
    told = {
        "format": FORMAT,
        "algorithm": ALGORITHM,
        "public_key": base64.b64encode(public.public_bytes_raw()).decode("ascii"),
        "statement": statement,
        "signature": base64.b64encode(signature).decode("ascii"),
    }
    return (json.dumps(told, indent=2, sort_keys=True) + "\n").encode("ascii")


def read_signature(path: Path) -> Signed:
    """Read a signature file and check it against the key that it names.

    Raises
    ------
    AuditError
        When it is no signature file of this form, or the library is missing.
    FolderError
        When it cannot be read.
    """
    data = _read(path)
    try:
        told = json.loads(data)
        if not isinstance(told, Mapping) or not isinstance(told.get("statement"), dict):
            raise ValueError("not a table")
        if (told.get("format"), told.get("algorithm")) != (FORMAT, ALGORITHM):
            raise AuditError(
                f"{path}: this form of signature ({str(told.get('format'))[:40]}) is not known to "
                "this version; check it with the version that made it"
            )
        if set(told) != _FIELDS:
            raise ValueError("unknown fields")
        public_key = base64.b64decode(told["public_key"], validate=True)
        signature = base64.b64decode(told["signature"], validate=True)
        statement = cast(JsonObject, told["statement"])
        message = canonical_bytes(statement)
    except AuditError:
        raise
    except (ValueError, TypeError, KeyError, RecursionError, binascii.Error):
        raise AuditError(
            f"{path} is not a signature file of clipmark; ask for it anew, or move it away to "
            "check the bundle without it"
        ) from None
    return Signed(public_key, statement, verify(public_key, signature, message))
