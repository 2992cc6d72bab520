"""Writes the signed samples beside ``format-1.audit.jsonl``: signed, accepted, merged. Refuses to write over.

Run: python tests/records/make_signed.py FOLDER. The committed files were made once by this script and must
verify for ever. The key is no secret: it is that of TEST 1 in RFC 8032, 7.1.
"""

from __future__ import annotations

import runpy
import sys
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from probe.record import joining
from probe.record.content import load
from probe.record.header import Header, Relation, Source
from probe.record.history import Acceptance, acceptance_body
from probe.record.signing import KeySigner
from probe.record.writer import RecordWriter

SEED = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
SIGNER = KeySigner(Ed25519PrivateKey.from_private_bytes(SEED))
SAMPLE = runpy.run_path(str(Path(__file__).with_name("make_sample.py")))
LATER = 1_773_480_413_000_000_001 + 86_400_000_000_000


def signed(path: Path) -> None:
    """The sample of format 1, with a signature."""
    writer = RecordWriter.create(path, SAMPLE["header"](), signer=SIGNER)
    writer.expect(SAMPLE["expectations"]())
    for item in SAMPLE["evidence"]():
        writer.keep(item)
    writer.conclude(SAMPLE["findings"](), SAMPLE["causes"]())
    writer.seal(complete=False, reason="interrupted by the operator")


def accepted(path: Path, run: Path) -> None:
    """Somebody accepts the sample's failing finding."""
    content = load(run)
    found = content.findings[0]
    source = Source(
        relation=Relation.ACCEPTS, code=content.code, count=content.count, file=run.name, closed=True
    )
    writer = RecordWriter.create(path, _desk(content.header, (source,)), signer=SIGNER)
    acceptance = Acceptance(
        finding=found.id,
        code=content.code,
        verdict=found.verdict,
        title=found.title,
        observed=found.observed,
        expected=found.expected,
        by="Owner's engineer",
        reason="spare feeder, not in use",
        at_wall_ns=LATER,
        key=SIGNER.public,
    )
    writer.write("acceptance", acceptance_body(acceptance))
    writer.seal(complete=True, reason="")


def merged(path: Path, *files: Path) -> None:
    """The run and the acceptance joined."""
    joined = joining.gather(files)
    header = _desk(joined.last, joining.sources_of(joined), joined)
    writer = RecordWriter.create(path, header, signer=SIGNER)
    joining.write(writer, joined)


def _desk(like: Header, sources: tuple[Source, ...], joined: joining.Joined | None = None) -> Header:
    return Header(
        tool_version="0.1.0",
        site=like.site,
        lineup=like.lineup,
        map_texts=like.map_texts if joined else (),
        profile_texts=like.profile_texts if joined else (),
        scope=like.scope,
        started_wall_ns=LATER,
        sources=sources,
    )


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    signed(folder / "format-1-signed.audit.jsonl")
    accepted(folder / "format-1-accepted.audit.jsonl", folder / "format-1-signed.audit.jsonl")
    merged(
        folder / "format-1-merged.audit.jsonl",
        folder / "format-1-signed.audit.jsonl",
        folder / "format-1-accepted.audit.jsonl",
    )
