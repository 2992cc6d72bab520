"""Proof: a record file with all that can be said for it: chain, signature, trust file, time stamp."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from probe.record import timestamp, trust
from probe.record.reader import open_record, raw_lines
from probe.record.timestamp import Stamp
from probe.record.trust import Signatory, Standing
from probe.record.verify import Verification, verify


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """found: the file by itself. signatory: who sealed it. trust_file: which was used, None for none.

    stamp: None if there is no time stamp beside the record. asked_trust, asked_stamp: the user named a trust
    file or certificates, and so asked that they prove something.
    """

    found: Verification
    signatory: Signatory
    trust_file: Path | None
    stamp: Stamp | None
    asked_trust: bool
    asked_stamp: bool

    @property
    def holds(self) -> bool:
        """True if the record verifies with all that was asked of it (exit code 0, else 4)."""
        return self.found.holds and not self.why_not

    @property
    def why_not(self) -> tuple[str, ...]:
        """What is wrong besides the file itself."""
        reasons = []
        if self.signatory.standing in (Standing.UNKNOWN, Standing.REVOKED):
            reasons.append(f"its key does not count: {self.signatory.text}")
        if self.asked_trust and self.signatory.standing is Standing.NO_SIGNATURE:
            reasons.append("it is not signed, and a trust file was given to prove by whom")
        if self.stamp is not None and not self.stamp.holds:
            reasons.append(f"its time stamp is not for it: {self.stamp.text}")
        if self.asked_stamp and self.stamp is None:
            reasons.append("it has no time stamp, and a certificate was given to prove one")
        return tuple(reasons)


def prove(path: Path, *, trust_file: Path | None = None, certificate_file: Path | None = None) -> Proof:
    """All that can be said for the record.

    trust_file: None for the one beside the record, if there is one. certificate_file: of the time-stamp
    authority. Raises InputError if a file cannot be read or a trust file or certificate is none.
    """
    found = verify(path)
    listed = trust_file or trust.find(path)
    known = None if listed is None else trust.trust_from(listed.as_posix(), _read(listed))
    stamp = _stamp(path, certificate_file) if found.holds else None
    found = _with_stamped_time(found, stamp)
    header = found.header
    said_ns = max(found.finished_wall_ns, 0 if header is None else header.started_wall_ns)
    proved_ns = stamp.wall_ns if stamp is not None and stamp.proved else None
    return Proof(
        found=found,
        signatory=trust.signatory(known, found.public, said_ns, proved_ns),
        trust_file=listed,
        stamp=stamp,
        asked_trust=trust_file is not None,
        asked_stamp=certificate_file is not None,
    )


def last_line(path: Path) -> bytes:
    """The last line of the record without its line end; reads the file through."""
    last = b""
    with open_record(path) as file:
        for raw in raw_lines(file):
            last = raw.data
    return last


def _stamp(path: Path, certificate_file: Path | None) -> Stamp | None:
    """What the answer beside the record is worth."""
    answer = timestamp.answer_path(path)
    certificates = (
        timestamp.certificates_from(certificate_file.as_posix(), _read(certificate_file))
        if certificate_file is not None
        else ()
    )
    if not answer.is_file():
        return None
    return timestamp.examine(_read(answer), last_line(path), certificates)


def _with_stamped_time(found: Verification, stamp: Stamp | None) -> Verification:
    """A record that says it is younger than its time stamp says something that cannot be true."""
    if stamp is None or not stamp.holds or found.header is None or found.times_doubt:
        return found
    after_s = (found.header.started_wall_ns - stamp.wall_ns) / 1e9
    if after_s <= 1:
        return found
    doubt = f"the time stamp was given {after_s:.0f} s before the run began, by the computer's clock"
    return replace(found, times_doubt=doubt)


def _read(path: Path) -> bytes:
    from probe.collect.inputs import read_bytes

    return read_bytes(path)
