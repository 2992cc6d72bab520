"""How a run ended: as exit code, as summary, as one object."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace

from probe.cli import failure
from probe.cli.audit_start import Start
from probe.cli.failure import Exit
from probe.cli.invocation import command
from probe.collect.events import AuditResult
from probe.model.finding import Expectation, Verdict
from probe.record.seal import spoken
from probe.record.signing import fingerprint


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a run ended. result: None when it was stopped by force. trouble: why the record is not whole.

    code: short text that names the sealed record; a witness can write it down.
    """

    result: AuditResult | None
    interrupted: bool
    trouble: str = ""
    code: str = ""


def finish(start: Start, ended: Ended) -> int:
    """Show the summary on the right stream; the exit code. A closed pipe does not change the code."""
    code = exit_code(ended)
    try:
        _show(start, ended)
        if start.as_json:
            _emit(start, ended, code)
    except BrokenPipeError:
        failure.silence_stdout()
    return code


def _show(start: Start, ended: Ended) -> None:
    """The summary for people, on stderr when stdout is for machines."""
    from probe.present import summary
    from probe.present.console import console

    people = console(sys.stderr if start.as_json else sys.stdout)
    closing = summary.Closing(
        record=str(start.path),
        code=spoken(ended.code) if ended.code else "",
        signed=_signed(start) if ended.code else "",
        trouble=ended.trouble,
        commands=tuple(next_commands(start, ended)),
    )
    if ended.result is not None:
        summary.show(people, ended.result, closing)
    else:
        summary.show_cut_off(people, closing)


def next_commands(start: Start, ended: Ended) -> list[str]:
    """What to type next: the record of a device in trouble, and the proof of the record.

    Nothing after the demo, which has its own next steps.
    """
    if start.practice:
        return []
    path = str(start.path)
    bad = [f.subject for f in ended.result.findings if f.verdict is Verdict.FAIL] if ended.result else []
    tags = [subject for subject in bad if subject in start.plan.scope.tags]
    shows = command("record", "show", path, "--tag", tags[0]) if tags else command("record", "show", path)
    return [shows, command("record", "verify", path)]


def _emit(start: Start, ended: Ended, code: Exit) -> None:
    """The result as one object on stdout."""
    from probe.present import machine
    from probe.present.console import emit_json

    path = str(start.path)
    if ended.result is not None:
        document = machine.audit_document(ended.result, record=path, code=ended.code, exit_code=code)
    else:
        document = machine.cut_off_document(
            start.plan.lineup, record=path, code=ended.code, trouble=ended.trouble, exit_code=code
        )
    key = start.writer.key
    document["record"]["key"] = fingerprint(key) if key else None
    emit_json(document)


def _signed(start: Start) -> str:
    """By which key the record is sealed, or that nobody signed it."""
    key = start.writer.key
    return (
        f"key {spoken(fingerprint(key))}"
        if key
        else "NOT SIGNED: the code above is its only proof, note it down"
    )


def with_required(result: AuditResult, expectations: Sequence[Expectation]) -> AuditResult:
    """The result, incomplete if a verdict that the map requires is "not tested"."""
    from probe.judge.conclusion import untested_required

    missing = untested_required(result.findings, expectations)
    if not missing:
        return result
    subjects = list(dict.fromkeys(one.subject for one in missing))
    named = ", ".join(subjects[:5]) + (f" and {len(subjects) - 5} more" if len(subjects) > 5 else "")
    many = f"{len(missing)} required verdict{'s' if len(missing) != 1 else ''} could not be given"
    return replace(result, complete=False, why_incomplete=f"{many}: {named}")


def exit_code(ended: Ended) -> Exit:
    """The exit code of a run: an interrupted or unrecorded one is 3 whatever was found.

    Then 1 if anything fails, 3 if something required was not tested, otherwise 0.
    """
    if ended.result is None or ended.interrupted or ended.trouble:
        return Exit.INCOMPLETE
    if any(finding.verdict is Verdict.FAIL for finding in ended.result.findings):
        return Exit.FINDINGS_FAIL
    return Exit.DONE if ended.result.complete else Exit.INCOMPLETE
