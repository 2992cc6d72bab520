"""``report`` as a user meets it: names of files, refusals, and what --verify finds."""

from __future__ import annotations

import json
import shutil
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

import probe
from probe.cli.main import main
from probe.present.turnover import making

RECORDS = Path(__file__).parents[2] / "records"
SAMPLE = RECORDS / "report.audit.jsonl"
Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A report with everything that a project may add."""
    folder = tmp_path_factory.mktemp("made")
    (folder / "logo.svg").write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 3"><rect width="9" height="3"/></svg>'
    )
    (folder / "plate.jpg").write_bytes(b"no picture, only bytes")
    (folder / "de.yaml").write_text("language: de\nverdict: {pass: bestanden}\n", encoding="utf-8")
    (folder / "project.yaml").write_text(
        "format: buswitness-project/1\nnumber: P-1\nlogo: logo.svg\ntexts: de.yaml\n"
        "attachments:\n  - {file: plate.jpg, title: Plate}\n",
        encoding="utf-8",
    )
    target = folder / "r.pdf"
    arguments = ["report", str(SAMPLE), "--project", str(folder / "project.yaml"), "-o", str(target)]
    assert main([*arguments, "--paper", "letter"]) == 0
    return target.read_bytes()


def verified(data: bytes, folder: Path, capsys: Capture) -> tuple[int, dict[str, object]]:
    path = folder / "given.pdf"
    path.write_bytes(data)
    capsys.readouterr()
    code = main(["report", "--verify", str(path), "--json"])
    return code, json.loads(capsys.readouterr().out)


def test_it_stands_beside_the_record_and_never_overwrites(tmp_path: Path, capsys: Capture) -> None:
    record = tmp_path / "a.audit.jsonl"
    shutil.copy(SAMPLE, record)
    for kind in ("xlsx", "html"):
        assert main(["report", str(record), "--format", kind, "--json"]) == 0
        told = json.loads(capsys.readouterr().out)
        assert (tmp_path / f"a.report.{kind}").stat().st_size == told["bytes"]
        assert (told["verdict"], told["complete"]) == ("fail", False)
    assert main(["report", str(record), "--format", "xlsx"]) == 0
    assert (tmp_path / "a.report-2.xlsx").exists()
    before = (tmp_path / "a.report.xlsx").read_bytes()
    assert main(["report", str(record), "-o", str(tmp_path / "a.report.xlsx")]) == 2
    assert (tmp_path / "a.report.xlsx").read_bytes() == before


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["report"], 2, "a record is missing"),
        (["report", "none.audit.jsonl"], 2, "no such file"),
        (["report", str(SAMPLE), "--format", "docx"], 2, "pdf html xlsx"),
        (["report", str(SAMPLE), "--paper", "a3"], 2, "a4 letter"),
        (["report", str(SAMPLE), "--verify", "x.pdf"], 2, "takes a report alone"),
        (["report", str(RECORDS / "format-1-accepted.audit.jsonl")], 2, "holds no run"),
        (["report", str(RECORDS / "format-1.audit.jsonl")], 2, "sunspec-203.yaml"),
    ],
)
def test_wrong_input_is_told(arguments: list[str], code: int, said: str, capsys: Capture) -> None:
    assert main(arguments) == code
    assert said in capsys.readouterr().err


def test_a_damaged_record_gets_no_report(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "x.audit.jsonl"
    path.write_bytes(SAMPLE.read_bytes().replace(b"52-M1", b"52-M9", 1))
    assert main(["report", str(path)]) == 4
    assert "does not verify" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == [path]


def test_a_missing_file_of_the_project_is_told_with_its_place(tmp_path: Path, capsys: Capture) -> None:
    project = tmp_path / "project.yaml"
    project.write_text("format: buswitness-project/1\nlogo: none.svg\n", encoding="utf-8")
    assert main(["report", str(SAMPLE), "--project", str(project)]) == 2
    assert f"{project.as_posix()}:2:7" in capsys.readouterr().err


def test_a_report_proves_itself(made: bytes, tmp_path: Path, capsys: Capture) -> None:
    code, told = verified(made, tmp_path, capsys)
    assert (code, told["pages"], told["record_holds"], told["complete"]) == (0, "same", True, False)


def test_a_record_that_was_cut_is_reported_as_open_and_proves_no_more(
    tmp_path: Path, capsys: Capture
) -> None:
    record = tmp_path / "cut.audit.jsonl"
    record.write_bytes(b"".join(SAMPLE.read_bytes().splitlines(keepends=True)[:-1]))
    assert main(["report", str(record)]) == 0
    assert "record was not closed" in capsys.readouterr().out
    code, told = verified((tmp_path / "cut.report.pdf").read_bytes(), tmp_path, capsys)
    assert (code, told["pages"], told["record_holds"]) == (4, "same", False)


def test_a_hand_over_shows_its_first_pass_and_what_was_accepted(tmp_path: Path, capsys: Capture) -> None:
    accepted, joined, page = (tmp_path / name for name in ("a.audit.jsonl", "m.audit.jsonl", "m.html"))
    who = ["--by", "B. <i>Owner</i>", "--reason", "spare <script>", "--no-sign"]
    wanted = ["--finding", "identity.serial@52-F7", "--record", str(accepted)]
    assert main(["record", "accept", str(SAMPLE), *wanted, *who]) == 0
    assert main(["record", "merge", str(SAMPLE), str(accepted), "--record", str(joined), "--no-sign"]) in (
        1,
        3,
    )
    assert main(["report", str(joined), "-o", str(page)]) == 0
    text = page.read_text(encoding="utf-8")
    assert "1 run joined. At first 8 findings failed" in text
    assert "accepted as deviations: 1." in text
    assert "B. &lt;i&gt;Owner&lt;/i&gt;" in text
    assert "spare &lt;script&gt;" in text
    assert main(["report", str(joined), "-o", str(tmp_path / "m.pdf")]) == 0
    code, told = verified((tmp_path / "m.pdf").read_bytes(), tmp_path, capsys)
    assert (code, told["pages"]) == (0, "same")


def _page_changed(data: bytes) -> bytes:
    """One page's drawing replaced by nothing, in the same number of bytes."""
    at = data.index(b"/Filter/FlateDecode", data.index(b"/Type/Page/"))
    start = data.index(b"stream\n", at) + 7
    return data[:start] + bytes(40) + data[start + 40 :]


def _record_changed(data: bytes) -> bytes:
    """The enclosed record with one device renamed, packed to the same length."""
    at = data.index(b"/Type/EmbeddedFile")
    start = data.index(b"stream\n", at) + 7
    length = int(data[data.rindex(b"/Length ", 0, at) + 8 : at])
    record = zlib.decompress(data[start : start + length]).replace(b"52-M1", b"52-M9", 1)
    for level in range(1, 10):
        packed = zlib.compress(record, level)
        if len(packed) <= length:
            break
    head = data[: data.rindex(b"/Length ", 0, at)] + f"/Length {len(packed)}".encode()
    return head + data[at:start] + packed + data[start + length :]


@pytest.mark.parametrize(
    ("change", "code", "pages"),
    [
        (_page_changed, 4, "differ"),
        (_record_changed, 4, "not tested"),
        (lambda data: data + b"\n% signed\n", 3, "same, and more behind"),
        (lambda data: data[: len(data) // 2], 4, "not tested"),
        (lambda data: b"no pdf " + data, 4, "not tested"),
        (lambda _: b"", 4, "not tested"),
        (lambda _: b"%PDF-1.7\nnothing\n", 4, "not tested"),
    ],
)
def test_whatever_was_changed_is_found(
    made: bytes, change: Callable[[bytes], bytes], code: int, pages: str, tmp_path: Path, capsys: Capture
) -> None:
    found, told = verified(change(made), tmp_path, capsys)
    assert (found, told["pages"]) == (code, pages)


def test_another_version_cannot_tell_and_says_so(
    made: bytes, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(probe, "__version__", "9.9.9")
    code, told = verified(made, tmp_path, capsys)
    assert (code, told["pages"]) == (3, "not tested")
    assert "9.9.9" in str(told["why"])
    assert told["record_holds"] is True


def test_another_build_of_the_same_version_cannot_tell_either(
    made: bytes, tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(making, "making_code", lambda: "0" * 64)
    code, told = verified(made, tmp_path, capsys)
    assert (code, told["pages"]) == (3, "not tested")
    assert "another build" in str(told["why"])
