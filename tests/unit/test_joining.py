"""Records read for a merge and written whole into one: order, numbers, and what does not fit together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from probe.collect.inputs import open_library
from probe.judge import expected
from probe.model.errors import InputError
from probe.model.evidence import JUDGED, Anchor, Note
from probe.model.finding import Expectation, Finding, Verdict
from probe.model.lineup import SourceText
from probe.model.map_load import load_lineup
from probe.model.scope import Scope
from probe.record.content import RecordContent, load
from probe.record.embedded import line_inside
from probe.record.header import Header
from probe.record.history import Acceptance, acceptance_body
from probe.record.joining import Joined, gather, sources_of, take_out, write
from probe.record.reader import parse
from probe.record.signing import KeySigner
from probe.record.verify import verify
from probe.record.writer import RecordWriter

DAY_NS = 86_400_000_000_000
SIGNER = KeySigner(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))
MAP = b"""\
format: buswitness-map/1
site: Tarn Hollow Water Works
lineup: MSB-1
system: {voltage_v: 480, frequency_hz: 60}
devices:
  - {tag: F-2, kind: meter, profile: meter-float, section: A, address: {host: 127.0.0.1, port: 15020}}
  - {tag: F-1, kind: meter, profile: meter-float, section: A, address: {host: 127.0.0.1, port: 15021}}
"""


@dataclass
class Run:
    """A hand-made record. anchor_day: when its evidence began; day: what its head says."""

    day: int = 1
    anchor_day: int | None = None
    tags: tuple[str, ...] = ("F-1", "F-2")
    left_out: tuple[str, ...] = ()
    marked: tuple[str, ...] = ("F-1", "F-2")
    verdicts: dict[str, Verdict] = field(default_factory=lambda: {"F-1": Verdict.PASS, "F-2": Verdict.FAIL})
    site: str = "Tarn Hollow Water Works"
    lineup: str = "MSB-1"
    map_texts: tuple[SourceText, ...] = ()
    signer: KeySigner | None = None
    closed: bool = True


def _record(path: Path, run: Run) -> Path:
    header = Header(
        tool_version="0", site=run.site, lineup=run.lineup, map_texts=run.map_texts,
        profile_texts=(), scope=Scope(tags=run.tags, left_out=run.left_out),
        started_wall_ns=run.day * DAY_NS, operator=f"Tester {run.day}",
    )  # fmt: skip
    writer = RecordWriter.create(path, header, signer=run.signer)
    writer.expect([Expectation(check="reach.answers", subject=tag) for tag in run.verdicts])
    if run.anchor_day is not None:
        writer.keep(Anchor(0, run.anchor_day * DAY_NS))
    seen = {tag: writer.keep(Note(5, "saw", tag)) for tag in run.tags}
    for tag in run.marked:
        writer.keep(Note(6, JUDGED, tag))
    writer.conclude([_finding(tag, verdict, (seen[tag],)) for tag, verdict in run.verdicts.items()], ())
    if run.closed:
        writer.seal(complete=True, reason="")
    else:
        writer.close()
    return path


def _finding(tag: str, verdict: Verdict, evidence: tuple[int, ...]) -> Finding:
    return Finding(check="reach.answers", subject=tag, verdict=verdict, title="Answers", evidence=evidence)


def _accepting(path: Path, source: RecordContent, day: int = 9) -> Path:
    """A record that accepts the first failure of another one."""
    failed = next(one for one in source.findings if one.verdict is Verdict.FAIL)
    acceptance = Acceptance(
        finding=failed.id, code=source.code, verdict=failed.verdict, title=failed.title,
        observed=failed.observed, expected=failed.expected, by="Owner", reason="spare",
        at_wall_ns=day * DAY_NS,
    )  # fmt: skip
    writer = RecordWriter.create(path, replace(source.header, key="", started_wall_ns=day * DAY_NS))
    writer.write("acceptance", acceptance_body(acceptance))
    writer.seal(complete=True, reason="")
    return path


def _merged(path: Path, parts: Sequence[Path]) -> tuple[Joined, RecordContent]:
    joined = gather(parts)
    scope = replace(joined.last.scope, tags=joined.merged.tags, left_out=joined.merged.left_out)
    header = replace(joined.last, sources=sources_of(joined), key="", scope=scope)
    write(RecordWriter.create(path, header), joined)
    assert verify(path).holds
    return joined, load(path)


def _order(joined: Joined) -> list[str]:
    return [member.path.name for member in joined.members]


def test_runs_stand_in_the_order_in_which_they_really_began(tmp_path: Path) -> None:
    """A run that was judged again later began when its evidence says; acceptances come last."""
    late = _record(tmp_path / "late", Run(day=3))
    again = _record(tmp_path / "again", Run(day=9, anchor_day=1))
    middle = _record(tmp_path / "middle", Run(day=2))
    accepts = [_accepting(tmp_path / f"accept-{day}", load(middle), day) for day in (8, 1)]
    joined = gather([late, accepts[0], accepts[1], middle, again])
    assert _order(joined) == ["again", "middle", "late", "accept-1", "accept-8"]
    assert [member.started_wall_ns // DAY_NS for member in joined.members[:3]] == [1, 2, 3]
    assert joined.last.operator == "Tester 3"


def test_of_two_that_began_together_the_one_judged_later_is_the_later_one(tmp_path: Path) -> None:
    again = _record(tmp_path / "again", Run(day=9, anchor_day=1))
    first = _record(tmp_path / "first", Run(day=1, anchor_day=1))
    assert _order(gather([again, first])) == ["first", "again"]


def test_a_record_given_twice_or_inside_another_one_counts_once(tmp_path: Path) -> None:
    one, two = _record(tmp_path / "one", Run(day=1)), _record(tmp_path / "two", Run(day=2))
    _, merged = _merged(tmp_path / "merged", [one, two, one])
    assert len(merged.runs) == 2
    _, again = _merged(tmp_path / "again", [tmp_path / "merged", two])
    assert [run.code for run in again.runs] == [load(one).code, load(two).code]


def test_every_finding_leads_to_the_line_that_it_rested_on(tmp_path: Path) -> None:
    """Its number in the merged record is that of the very line of its own run."""
    first = _record(
        tmp_path / "1", Run(day=1, tags=("F-1",), marked=("F-1",), verdicts={"F-1": Verdict.FAIL})
    )
    second = _record(
        tmp_path / "2", Run(day=2, tags=("F-2",), marked=("F-2",), verdicts={"F-2": Verdict.FAIL})
    )
    third = _accepting(tmp_path / "3", load(second))
    _, merged = _merged(tmp_path / "merged", [second, third, first])
    lines = (tmp_path / "merged").read_bytes().splitlines()
    for finding in merged.findings:
        (number,) = finding.evidence
        _, inside = line_inside(parse(lines[number - 1]).body)
        assert (inside.kind, inside.body["topic"], inside.body["text"]) == ("note", "saw", finding.subject)
    (accepted,) = [one for one in merged.histories if one.disposition == "accepted"]
    assert (accepted.finding, accepted.accepted[0].by) == ("reach.answers@F-2", "Owner")


def test_each_record_comes_out_again_byte_by_byte(tmp_path: Path) -> None:
    parts = [
        _record(tmp_path / "1", Run(day=1, signer=SIGNER)),
        _record(tmp_path / "2", Run(day=2, closed=False)),
    ]
    joined, _ = _merged(tmp_path / "merged", parts)
    for number, path in enumerate(parts, 1):
        out: list[bytes] = []
        take_out(tmp_path / "merged", number, out.append)
        assert b"".join(out) == path.read_bytes()
    assert [member.part.key for member in joined.members] == [SIGNER.public, ""]
    for wrong in (0, 3):
        with pytest.raises(InputError):
            take_out(tmp_path / "merged", wrong, out.append)


def test_of_a_record_that_was_cut_the_whole_lines_go_in(tmp_path: Path) -> None:
    path = _record(tmp_path / "1", Run(closed=False, signer=SIGNER))
    whole = path.read_bytes()
    path.write_bytes(whole + b'{"body":{"at_ns":')
    joined, _ = _merged(tmp_path / "merged", [path])
    assert joined.members[0].part.key == "", "a key that signed nothing vouches for nothing"
    assert joined.members[0].source.closed is False
    out: list[bytes] = []
    take_out(tmp_path / "merged", 1, out.append)
    assert b"".join(out) == whole


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ({"site": "Other Works"}, "MSB-1, Other Works"),
        ({"lineup": "MSB-2"}, "MSB-2, Tarn Hollow Water Works"),
    ],
)
def test_records_of_another_lineup_do_not_fit(tmp_path: Path, changes: dict[str, str], found: str) -> None:
    one, other = _record(tmp_path / "one", Run()), _record(tmp_path / "other", Run(day=2, **changes))  # type: ignore[arg-type]
    with pytest.raises(InputError) as caught:
        gather([one, other])
    (problem,) = caught.value.problems
    assert (problem.file, problem.found) == (str(other), found)
    assert problem.allowed == "MSB-1, Tarn Hollow Water Works"


def test_acceptances_alone_or_of_a_run_that_is_not_there_do_not_fit(tmp_path: Path) -> None:
    one, two = _record(tmp_path / "one", Run()), _record(tmp_path / "two", Run(day=2))
    accepts = _accepting(tmp_path / "accept", load(one))
    with pytest.raises(InputError, match="no run among"):
        gather([accepts])
    with pytest.raises(InputError, match="not among these records") as caught:
        gather([two, accepts])
    assert caught.value.problems[0].found == f"code {load(one).code[:24]}"
    assert gather([one, accepts]).members[1].is_run is False


def test_verdicts_without_any_mark_are_of_a_version_that_did_not_mark(tmp_path: Path) -> None:
    """Such a run came to its end: its devices are done. With marks, only those that are marked."""
    old = gather([_record(tmp_path / "old", Run(marked=()))])
    assert old.members[0].part.done == {"F-1", "F-2"}
    half = gather([_record(tmp_path / "half", Run(marked=("F-2",)))])
    assert half.members[0].part.done == {"F-2"}
    nothing = gather([_record(tmp_path / "nothing", Run(marked=(), verdicts={}))])
    assert nothing.members[0].part.done == set()


def test_a_run_that_was_killed_before_its_verdicts_is_judged_by_its_evidence(tmp_path: Path) -> None:
    lineup, _ = load_lineup("map.yaml", lambda _: MAP, open_library())
    scope = Scope(tags=("F-2", "F-1"))
    writer = RecordWriter.create(
        tmp_path / "killed", Header.of(lineup, scope, tool_version="0", started_wall_ns=DAY_NS)
    )
    writer.expect(expected(lineup, scope))
    writer.keep(Anchor(0, DAY_NS))
    writer.keep(Note(1, JUDGED, "F-1"))
    writer.close()
    (member,) = gather([writer.path]).members
    assert member.part.findings
    assert Verdict.PASS not in {one.verdict for one in member.part.findings}
    assert {"F-1", "F-2"} <= {one.subject for one in member.part.findings}
    assert (member.part.done, member.part.map_order) == ({"F-1"}, ("F-2", "F-1"))


def test_the_order_is_that_of_the_map_or_where_that_does_not_load_of_the_scope(tmp_path: Path) -> None:
    newer = SourceText(name="map.yaml", text="format: buswitness-map/99\n", sha256="0" * 64)
    for number, texts in enumerate(((), (newer,))):
        run = Run(tags=("F-1",), left_out=("F-2",), marked=("F-1",), verdicts={"F-1": Verdict.PASS})
        path = _record(tmp_path / str(number), replace(run, map_texts=texts))
        assert gather([path]).members[0].part.map_order == ("F-1", "F-2")
