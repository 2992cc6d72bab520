"""Verifies a Buswitness record (format buswitness-record/1). Standard library only; no network.

Usage: python verify_record.py FILE.  Exit code 0: the record verifies. 4: it does not. See docs/record.md.
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


def check(path):
    """(lines, code) of a record that verifies. Raises ValueError that says what is wrong, and where."""
    previous, number, sealed = "0" * 64, 0, False
    with open(path, "rb") as file:
        while raw := file.readline(16 * 1024 * 1024 + 1):
            number += 1
            where = f"line {number}"
            if sealed:
                raise ValueError(f"{where}: stands behind the seal")
            if not raw.endswith(b"\n"):
                raise ValueError(f"{where}: is cut off")
            raw = raw[:-1]
            line = json.loads(raw, parse_int=whole, parse_float=whole, parse_constant=whole)
            if canonical(line) != raw or set(line) != {"body", "kind", "prev", "seq"}:
                raise ValueError(f"{where}: is not the canonical form of a line")
            body = line["body"]
            if number == 1 and (line["kind"], body["format"]) != ("head", "buswitness-record/1"):
                raise ValueError(f"{where}: is not the head of a record of this format")
            if line["seq"] != number or line["prev"] != previous:
                raise ValueError(f"{where}: does not follow from the line before it")
            if line["kind"] == "seal":
                opened = {**body, "check": None, "signature": None, "timestamp": None}
                check_value = hashlib.sha256(canonical({**line, "body": opened})).hexdigest()
                if (body["check"], body["count"], body["head"]) != (check_value, number, previous):
                    raise ValueError(f"{where}: the seal does not fit")
                if body["signature"] is not None or body["timestamp"] is not None:
                    raise ValueError(f"{where}: holds a signature, which this program cannot judge")
                sealed = True
            previous = hashlib.sha256(raw).hexdigest()
    if not sealed:
        raise ValueError(f"not closed: the file ends after line {number} without a seal")
    return number, previous


if __name__ == "__main__":
    try:
        lines, code = check(sys.argv[1])
    except (ValueError, KeyError, TypeError, RecursionError, OSError) as error:
        print(f"does not verify: {error}")
        sys.exit(4)
    print(f"verifies: {lines} lines, code {' '.join(code[i : i + 4] for i in range(0, 24, 4))}")
