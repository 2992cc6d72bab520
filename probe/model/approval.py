"""Approval hash: one SHA-256 that stands for a map and its includes, as somebody approved them.

The hash covers the text of the map without its ``approved_sha256`` line, then the included files in
reading order. Line ends (CRLF) and a byte order mark do not count, so that a copy through another
computer stays approved. For a map of one file with LF line ends it is what
``grep -v '^approved_sha256:' map.yaml | sha256sum`` prints. Profiles are not part of it: the record
carries them with their own hashes.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable

_LINE = re.compile(r"^approved_sha256:[^\n]*(?:\n|\Z)", re.MULTILINE)


def approval_hash(texts: Iterable[str]) -> str:
    """Lower-case hexadecimal SHA-256 of the texts as approved; the map first, then its includes."""
    total = hashlib.sha256()
    for text in texts:
        plain = text.removeprefix("\ufeff").replace("\r\n", "\n")
        total.update(_LINE.sub("", plain).encode("utf-8"))
    return total.hexdigest()
