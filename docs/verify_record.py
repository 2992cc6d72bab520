"""Verifies a Buswitness record (format buswitness-record/1); no network. See docs/record.md.

Usage: python verify_record.py FILE [PUBLIC_KEY].  Exit code 0: the record verifies. 4: it does not.
Standard library only; for signed records also `cryptography`. PUBLIC_KEY (64 digits): who must have signed.
"""
# ruff: noqa: T201, PTH123 - a program of one page that people read before they trust it

import hashlib
import json
import sys


def canonical(value):
    """RFC 8785 bytes of text, whole numbers, booleans, null, lists and objects with ASCII keys."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def whole(text):
    """A number as lines hold it: whole, and small enough for every JSON reader."""
    if not -(2**53) < int(text) < 2**53:
        raise ValueError(f"{text} is too large")
    return int(text)


def signature(key, body):
    """Prove that the holder of the key in the head signed the seal (RFC 8032). Raises ValueError."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    text = body["signature"]
    if key["algorithm"] != "ed25519" or (len(text), text.lower()) != (128, text):
        raise ValueError("the signature is of an unknown kind")
    try:
        public = Ed25519PublicKey.from_public_bytes(bytes.fromhex(key["public"]))
        public.verify(bytes.fromhex(text), b"buswitness-record/1 seal " + body["check"].encode())
    except InvalidSignature:
        raise ValueError("the signature was not made with the key that the head names") from None


def check(lines):
    """(lines, code, key, sealed) of a whole chain. Raises ValueError that says what is wrong, and where."""
    previous, number, sealed, key, named, inside = "0" * 64, 0, False, None, [], []
    for number, raw in enumerate(lines, 1):
        where = f"line {number}"
        if sealed:
            raise ValueError(f"{where}: stands behind the seal")
        if not raw.endswith(b"\n"):
            raise ValueError(f"{where}: is cut off, or too long")
        line = json.loads(raw[:-1], parse_int=whole, parse_float=whole, parse_constant=whole)
        if canonical(line) != raw[:-1] or set(line) != {"body", "kind", "prev", "seq"}:
            raise ValueError(f"{where}: is not the canonical form of a line")
        body, kind = line["body"], line["kind"]
        if (kind == "head") != (number == 1) or line["seq"] != number or line["prev"] != previous:
            raise ValueError(f"{where}: does not follow from the line before it")
        if kind == "head":
            key = body.get("key")
            named = [source for source in body.get("sources", []) if source["relation"] == "merges"]
            if body["format"] != "buswitness-record/1":
                raise ValueError("another format than this program knows")
        elif kind == "embedded":  # a line of another record that stands whole in this one
            inside += [[]] if body["source"] == len(inside) + 1 else []
            inside[body["source"] - 1].append(body["line"].encode() + b"\n")
        elif kind == "seal":
            opened = {**body, "check": None, "signature": None, "timestamp": None}
            made = hashlib.sha256(canonical({**line, "body": opened})).hexdigest()
            if (body["check"], body["count"], body["head"]) != (made, number, previous):
                raise ValueError(f"{where}: the seal does not fit")
            if (body["signature"] is None) != (key is None) or body["timestamp"] is not None:
                raise ValueError(f"{where}: a signature is missing, or nobody's")
            if key is not None:
                signature(key, body)
            sealed = True
        previous = hashlib.sha256(raw[:-1]).hexdigest()
    found = [(code, many, closed) for many, code, _, closed in map(check, inside)]
    if sealed and found != [(one["code"], one["count"], one["closed"]) for one in named]:
        raise ValueError("the records inside are not those that the head names")
    return number, previous, key, sealed


def check_file(path):
    """(lines, code, public key or "") of a record that verifies. Raises ValueError."""
    with open(path, "rb") as file:
        many, code, key, sealed = check(iter(lambda: file.readline(16 * 1024 * 1024 + 1), b""))
    if not sealed:
        raise ValueError(f"not closed: the file ends after line {many} without a seal")
    return many, code, key["public"] if key else ""


if __name__ == "__main__":
    try:
        lines, code, public = check_file(sys.argv[1])
        if sys.argv[2:] and sys.argv[2] != public:
            raise ValueError(f"it is signed by {public or 'nobody'}")
    except (ValueError, KeyError, TypeError, IndexError, AttributeError, RecursionError, OSError) as error:
        print(f"does not verify: {error}")
        sys.exit(4)
    print(f"verifies: {lines} lines, code {' '.join(code[i : i + 4] for i in range(0, 24, 4))}")
    print(f"signed by {public}" if public else "not signed")
