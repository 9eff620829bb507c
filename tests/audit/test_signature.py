"""Signatures: the wrapper against RFC 8032, keys as files, and what a signature holds."""

import stat

import pytest

from clipmark.audit import signature as room
from clipmark.audit.bundle import make_bundle
from clipmark.audit.bundle_verify import verify_bundle
from clipmark.errors import AuditError, FolderError
from tests.audit.bundle_small import members_of, rewritten, small_event

# RFC 8032, section 7.1, tests 1 to 3 and "SHA(abc)": private key, public key, message, signature.
VECTORS = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155"
        "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac"
        "18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
    ),
    (
        "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
        "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
        "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
        "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
        "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b589"
        "09351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704",
    ),
]


@pytest.mark.parametrize(("private", "public", "message", "signature"), VECTORS)
def test_signatures_are_those_of_rfc_8032(private, public, message, signature):
    private, public, message, signature = map(bytes.fromhex, (private, public, message, signature))
    assert room.sign(private, message) == signature
    assert room.verify(public, signature, message)
    assert not room.verify(public, signature, message + b"\0")
    assert not room.verify(public, signature[:-1] + bytes([signature[-1] ^ 1]), message)
    assert not room.verify(public[:-1], signature, message)


@pytest.fixture(scope="module")
def there(tmp_path_factory):
    folder = tmp_path_factory.mktemp("signed")
    attempt = small_event(folder / "e")
    room.new_key(folder / "club.pem")
    room.new_key(folder / "other.pem")
    make_bundle(folder / "e" / "event", attempt, folder / "b.zip", sign_with=folder / "club.pem")
    return folder, attempt


@pytest.fixture
def signed(there, tmp_path):
    for name in ("b.zip", "b.zip.sig"):
        (tmp_path / name).write_bytes((there[0] / name).read_bytes())
    return tmp_path / "b.zip"


def of_signature(path, key=None):
    check = verify_bundle(path, public_key=key)
    return next(stage for stage in check.stages if stage.name == "signature")


def test_a_private_key_is_readable_by_its_owner_alone_and_never_replaced(there):
    folder, _ = there
    assert stat.S_IMODE((folder / "club.pem").stat().st_mode) == 0o600
    with pytest.raises(FolderError, match="a key is never replaced"):
        room.new_key(folder / "club.pem")


def test_a_signature_holds_with_the_key_that_made_it(signed, there):
    assert of_signature(signed, there[0] / "club.pub.pem").outcome == "confirmed"


def test_without_a_known_key_a_signature_vouches_for_nothing(signed):
    stage = of_signature(signed)
    assert stage.outcome == "not checked"
    assert "must be known from elsewhere" in stage.sentence


def test_another_key_does_not_hold(signed, there):
    stage = of_signature(signed, there[0] / "other.pub.pem")
    assert stage.outcome == "failed"
    assert "another key" in stage.sentence


def test_a_signature_of_another_bundle_does_not_hold(there, tmp_path):
    folder, attempt = there
    make_bundle(folder / "e" / "event", attempt, tmp_path / "b.zip", by="Marsh")
    (tmp_path / "b.zip.sig").write_bytes((folder / "b.zip.sig").read_bytes())
    stage = of_signature(tmp_path / "b.zip", folder / "club.pub.pem")
    assert stage.outcome == "failed"
    assert "another bundle" in stage.sentence


def test_a_journal_written_anew_does_not_keep_its_signature(signed, there):
    def call_it_cleared(body):
        body["verdict"], body["reason"] = "cleared", None

    signed.write_bytes(rewritten(members_of(signed.read_bytes()), there[1], call_it_cleared))
    assert of_signature(signed, there[0] / "club.pub.pem").outcome == "failed"


def test_a_key_without_a_signature_is_not_confirmed(signed, there):
    signed.with_name("b.zip.sig").unlink()
    assert of_signature(signed, there[0] / "club.pub.pem").outcome == "failed"


@pytest.mark.parametrize(
    "change", [b"{}", b"\xff\xfe", b"[1]", b'{"format": "clipmark signature 9"}']
)
def test_what_is_no_signature_file_is_said_so(signed, there, change):
    signed.with_name("b.zip.sig").write_bytes(change)
    stage = of_signature(signed, there[0] / "club.pub.pem")
    assert stage.outcome == "failed"
    assert "b.zip.sig" in stage.sentence


def test_a_file_that_is_no_key_is_refused_in_a_sentence(there, tmp_path):
    with pytest.raises(AuditError, match="is no private key of the kind Ed25519"):
        room.read_private_key(there[0] / "club.pub.pem")
    with pytest.raises(AuditError, match="is no public key of the kind Ed25519"):
        room.read_public_key(there[0] / "club.pem")


def test_a_missing_library_is_a_sentence(monkeypatch, tmp_path):
    import sys

    monkeypatch.setitem(sys.modules, "cryptography.hazmat.primitives.asymmetric", None)
    with pytest.raises(AuditError, match=r"pip install 'clipmark\[sign\]'"):
        room.new_key(tmp_path / "k.pem")
