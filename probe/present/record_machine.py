"""Record as machine text: the objects that ``record show --json`` and ``record verify --json`` print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from probe.model.evidence import Evidence, Exchange
from probe.model.finding import WORST_FIRST, Finding, worst
from probe.present.machine import cause_object, finding_object
from probe.record.body import evidence_body, evidence_kind
from probe.record.content import RecordContent
from probe.record.decoded import Decoding
from probe.record.header import Source, rfc3339
from probe.record.history import Acceptance, History
from probe.record.proof import Proof
from probe.record.signing import fingerprint

SHOW_FORMAT = "buswitness-record-show/1"
VERIFY_FORMAT = "buswitness-record-verify/1"


def verification_document(proof: Proof, file: str) -> dict[str, Any]:
    """What ``record verify --json`` prints (design, section 4)."""
    found, signatory = proof.found, proof.signatory
    header = found.header
    return {
        "format": VERIFY_FORMAT,
        "file": file,
        "verifies": proof.holds,
        "why_not": list(proof.why_not),
        "whole": found.whole,
        "unchanged": found.unchanged,
        "first_bad_line": found.first_bad_line,
        "damage": found.damage.value,
        "text": found.text,
        "closed": found.closed,
        "complete": found.complete,
        "reason": found.reason,
        "sealed_by": fingerprint(found.public) if found.public else None,
        "public_key": found.public or None,
        "key_known": signatory.standing.is_known,
        "key_standing": signatory.standing.value,
        "key_name": signatory.name or None,
        "trust_file": None if proof.trust_file is None else str(proof.trust_file),
        "timestamp": _stamp(proof),
        "count": found.count,
        "head": found.head,
        "code": found.short if found.holds else None,
        "times_plausible": None if header is None else not found.times_doubt,
        "times_doubt": found.times_doubt,
        "site": None if header is None else header.site,
        "lineup": None if header is None else header.lineup,
        "started": None if header is None else rfc3339(header.started_wall_ns),
        "tool_version": None if header is None else header.tool_version,
    }


def _stamp(proof: Proof) -> dict[str, Any] | None:
    stamp = proof.stamp
    if stamp is None:
        return None
    time = rfc3339(stamp.wall_ns) if stamp.wall_ns else None
    return {"fits": stamp.fits, "proved": stamp.proved, "time": time, "text": stamp.text}


def record_document(
    content: RecordContent,
    findings: Sequence[Finding],
    evidence: Mapping[int, Evidence],
    *,
    file: str,
    finished_wall_ns: int | None,
    decoding: Decoding | None = None,
) -> dict[str, Any]:
    """What ``record show --json`` prints. findings, evidence: those that were asked for."""
    header, seal = content.header, content.seal
    return {
        "format": SHOW_FORMAT,
        "record": {"path": file, "code": content.code if seal is not None else None, "count": content.count},
        "site": header.site,
        "lineup": header.lineup,
        "started": rfc3339(header.started_wall_ns),
        "finished": None if finished_wall_ns is None else rfc3339(finished_wall_ns),
        "closed": seal is not None,
        "complete": seal is not None and seal.complete,
        "why_incomplete": "not closed" if seal is None else seal.reason,
        "operator": header.operator,
        "tool_version": header.tool_version,
        "counts": _counts(findings),
        "devices": [_device(tag, findings) for tag in header.scope.tags],
        "left_out": list(header.scope.left_out),
        "findings": [finding_object(finding) for finding in findings],
        "causes": [cause_object(cause) for cause in content.causes],
        "key": fingerprint(header.key) if header.key else None,
        "sources": [_source(source) for source in header.sources],
        "histories": [_history(one) for one in content.histories],
        "acceptances": [acceptance_document(one) for one in content.acceptances],
        "evidence": [
            {
                "line": number,
                "kind": evidence_kind(piece),
                **evidence_body(piece),
                **_decoded(decoding, number, piece),
            }
            for number, piece in sorted(evidence.items())
        ],
    }


def _decoded(decoding: Decoding | None, number: int, piece: Evidence) -> dict[str, Any]:
    if decoding is None or not isinstance(piece, Exchange):
        return {}
    return {
        "decoded": [
            {
                "name": field.name,
                "title": field.title,
                "address": field.address,
                "raw": field.raw.hex(),
                "value": field.value or None,
                "unit": field.unit,
                "quality": field.quality,
            }
            for field in decoding.fields(number, piece)
        ]
    }


def acceptance_document(one: Acceptance) -> dict[str, Any]:
    """An acceptance, in the words of the JSON objects."""
    return {
        "finding": one.finding,
        "run": one.code,
        "verdict": one.verdict.value,
        "title": one.title,
        "observed": one.observed,
        "expected": one.expected,
        "by": one.by,
        "reason": one.reason,
        "at": rfc3339(one.at_wall_ns),
        "key": fingerprint(one.key) if one.key else None,
    }


def _history(one: History) -> dict[str, Any]:
    return {
        "finding": one.finding,
        "disposition": one.disposition,
        "stages": [
            {
                "record": stage.source,
                "verdict": stage.verdict.value,
                "title": stage.title,
                "observed": stage.observed,
                "expected": stage.expected,
                "gone": stage.gone,
                "at": rfc3339(stage.at_wall_ns),
                "operator": stage.operator,
                "key": fingerprint(stage.key) if stage.key else None,
                "evidence": list(stage.evidence),
            }
            for stage in one.stages
        ],
        "accepted": [acceptance_document(item) for item in one.accepted],
    }


def _source(source: Source) -> dict[str, Any]:
    return {
        "relation": str(source.relation),
        "file": source.file,
        "code": source.code,
        "count": source.count,
        "closed": source.closed,
    }


def _counts(findings: Sequence[Finding]) -> dict[str, int]:
    return {verdict.value: sum(f.verdict is verdict for f in findings) for verdict in WORST_FIRST}


def _device(tag: str, findings: Sequence[Finding]) -> dict[str, Any]:
    own = [finding for finding in findings if finding.subject == tag]
    return {"tag": tag, "verdict": worst([f.verdict for f in own]).value, "counts": _counts(own)}
