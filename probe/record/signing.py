"""Signing: Ed25519 over the seal of a record; the one module that knows the cryptography library's curve.

What is signed is short text, never the file: the words ``buswitness-record/1 seal`` and the seal's
``check``, which through ``head`` stands for every line. The words keep a signature made for one purpose from
being good for another.

Source: RFC 8032, 5.1 (Ed25519; clause from memory, its vectors are run in the tests).
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any, Protocol

from probe.record.line import Plain

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

ALGORITHM = "ed25519"
PHRASE = b"buswitness-record/1 seal "
KEY_DIGITS, SIGNATURE_DIGITS = 64, 128
_HEX = frozenset("0123456789abcdef")


class Signer(Protocol):
    """Somebody's private key, ready to sign."""

    @property
    def public(self) -> str:
        """The public key, 64 lower-case hexadecimal digits (the 32 bytes of RFC 8032)."""
        ...

    def sign(self, message: bytes) -> str:
        """The signature, 128 lower-case hexadecimal digits."""
        ...


class KeySigner:
    """A signer with its private key in memory."""

    def __init__(self, key: Ed25519PrivateKey) -> None:
        from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

        self._key = key
        self._public = key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw).hex()

    @property
    def public(self) -> str:
        """The public key, 64 lower-case hexadecimal digits."""
        return self._public

    def sign(self, message: bytes) -> str:
        """The signature, 128 lower-case hexadecimal digits; the same for the same message every time."""
        return self._key.sign(message).hex()


def fingerprint(public: str) -> str:
    """SHA-256 of the 32 bytes of a public key, 64 hexadecimal digits; what people compare (``spoken``)."""
    return hashlib.sha256(bytes.fromhex(public)).hexdigest()


def seal_message(check: str) -> bytes:
    """What a seal's signature signs."""
    return PHRASE + check.encode()


def signature_holds(public: str, signature: str, message: bytes) -> bool:
    """Whether the signature over the message was made with the private half of the key. Never raises."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(bytes.fromhex(signature), message)
    except (InvalidSignature, ValueError):
        return False
    return True


def key_body(public: str) -> Plain:
    """A public key as the head of a record holds it; null for none."""
    return {"algorithm": ALGORITHM, "public": public} if public else None


def key_from(body: Any) -> str:
    """The public key that a head holds, empty for none. Raises KeyError, TypeError or ValueError if not one.

    body: Any, because it was read from a file.
    """
    if body is None:
        return ""
    if not isinstance(body, dict) or body["algorithm"] != ALGORITHM:
        raise ValueError("the key is of a kind that this version does not know")
    return digits(body["public"], KEY_DIGITS)


def digits(value: object, many: int) -> str:
    """The value if it is that many lower-case hexadecimal digits. Raises ValueError if not."""
    if not isinstance(value, str) or len(value) != many or not _HEX.issuperset(value):
        raise ValueError(f"{many} lower-case hexadecimal digits expected")
    return value
