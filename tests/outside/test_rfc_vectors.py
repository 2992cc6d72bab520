"""Published vectors: canonical JSON (RFC 8785), Ed25519 (RFC 8032, 7.1), against what seals a record."""

from __future__ import annotations

import hashlib

import pytest
import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from probe.record.line import canonical
from probe.record.signing import KeySigner, signature_holds

#: SHA-256 of the canonical outputs that the RFC's author publishes with the reference implementation
#: (``testdata/output`` there); inputs as published, hashes recomputed from the published outputs.
JCS = {
    "arrays": (
        [56, {"d": True, "10": None, "1": []}],
        "099601b171cafed97c333f8878d68e7f8c8f795412adb34b2fdcf0e7c7beac42",
    ),
    "structures": (
        {
            "1": {"f": {"f": "hi", "F": 5}, "\n": 56.0},
            "10": {},
            "": "empty",
            "a": {},
            "111": [{"e": "yes", "E": "no"}],
            "A": {},
        },
        "605f65004ec2db7692522a0852c22f1c989e036d547e88963d1a3143cf3195d5",
    ),
    "unicode": (
        {"Unnormalized Unicode": "A\u030a"},
        "0d99aad92a125196ff887876643fd3206786a84ddce2cee52ba4ad256d2381d3",
    ),
    "values": (
        {
            "numbers": [333333333.33333329, 1e30, 4.50, 2e-3, 1e-27],
            "string": '\u20ac$\u000f\u000aA\'B"\\\\"/',
            "literals": [None, True, False],
        },
        "2d5e01a318d0f0879ab568c4be289c8b1f64ef8921a53c6277d5e069978baacb",
    ),
    "weird": (
        {
            "\u20ac": "Euro Sign",
            "\r": "Carriage Return",
            "\n": "Newline",
            "1": "One",
            "\u0080": "Control\u007f",
            "\U0001f602": "Smiley",
            "\u00f6": "Latin Small Letter O With Diaeresis",
            "\ufb33": "Hebrew Letter Dalet With Dagesh",
            "</script>": "Browser Challenge",
        },
        "6af595a9aa80110b964b4de3f82a05fa6ae7423005019bacfa2620dddc4e94d1",
    ),
}
#: The sixth published input, "french", with its published output: from memory, so it is held against an
#: independent encoder here, and no hash is given as published.
FRENCH = (
    {
        "p\u00eache": "but canonicalization MUST",
        "sin": "ignore locale",
        "peach": "This sorting order",
        "p\u00e9ch\u00e9": "is wrong according to French",
    },
    (
        '{"peach":"This sorting order","p\u00e9ch\u00e9":"is wrong according to French",'
        '"p\u00eache":"but canonicalization MUST","sin":"ignore locale"}'
    ),
)
#: What our lines may hold of these: no fractions, ASCII names only. The rest must be refused, not mangled.
OURS = {"arrays", "unicode"}

#: RFC 8032, 7.1, TEST 1 to 3: secret key, message, public key, signature.
ED25519 = [
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        (
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46b"
            "d25bf5f0595bbe24655141438e7a100b"
        ),
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "72",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        (
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c"
            "387b2eaeb4302aeeb00d291612bb0c00"
        ),
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "af82",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        (
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc659"
            "4a7c15e9716ed28dc027beceea1ec40a"
        ),
    ),
]


@pytest.mark.parametrize("name", JCS)
def test_the_library_that_our_lines_are_held_against_gives_the_published_bytes(name: str) -> None:
    value, sha256 = JCS[name]
    assert hashlib.sha256(rfc8785.dumps(value)).hexdigest() == sha256


def test_names_are_sorted_by_code_units_whatever_a_language_wants() -> None:
    value, published = FRENCH
    assert rfc8785.dumps(value) == published.encode()
    with pytest.raises(TypeError):  # our lines have ASCII names only
        canonical(value)  # type: ignore[arg-type]
    ascii_names = {"peach": 1, "peche": 2, "Peche": 3, "pe": 4, "sin": 5, "Sin": 6}
    assert canonical(ascii_names) == rfc8785.dumps(ascii_names)


@pytest.mark.parametrize("name", JCS)
def test_our_encoder_gives_the_published_bytes_or_refuses(name: str) -> None:
    value, sha256 = JCS[name]
    if name in OURS:
        assert hashlib.sha256(canonical(value)).hexdigest() == sha256  # type: ignore[arg-type]
    else:
        with pytest.raises(TypeError):
            canonical(value)  # type: ignore[arg-type]


@pytest.mark.parametrize(("secret", "message", "public", "signature"), ED25519)
def test_ed25519_gives_the_published_signature_and_takes_no_other(
    secret: str, message: str, public: str, signature: str
) -> None:
    signer = KeySigner(Ed25519PrivateKey.from_private_bytes(bytes.fromhex(secret)))
    said = bytes.fromhex(message)
    assert (signer.public, signer.sign(said)) == (public, signature)
    assert signature_holds(public, signature, said)
    assert not signature_holds(public, signature, said + b"x")
    for place in range(0, 128, 5):
        digit = "0" if signature[place] != "0" else "1"
        assert not signature_holds(public, signature[:place] + digit + signature[place + 1 :], said)


def test_a_signature_with_the_group_order_added_is_not_taken() -> None:
    """S + L signs as well by the bare equation; RFC 8032, 5.1.7 wants it refused (S below L)."""
    _, message, public, signature = ED25519[1]
    order = 2**252 + 27742317777372353535851937790883648493
    s = int.from_bytes(bytes.fromhex(signature[64:]), "little") + order
    other = signature[:64] + s.to_bytes(32, "little").hex()
    assert not signature_holds(public, other, bytes.fromhex(message))


@pytest.mark.parametrize(("public", "signature"), [("", ""), ("00" * 32, "00" * 64), ("xx" * 32, "00" * 64)])
def test_what_is_no_key_or_no_signature_proves_nothing(public: str, signature: str) -> None:
    assert not signature_holds(public, signature, b"something")
