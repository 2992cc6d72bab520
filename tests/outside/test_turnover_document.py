"""The turnover document by readers that are not ours: poppler, qpdf and pikepdf.

Claims of PDF/A and PDF/UA are read from the XMP by pikepdf; a full validator (veraPDF) is in none of the
registries that this project reaches, so what is checked beside the claims is what ISO 19005-3 asks first
(from memory): fonts embedded, an output intent, a structure tree, a language, no encryption, no script, and
every enclosed file with its relationship.
"""

from __future__ import annotations

import hashlib
import re
import shutil
import subprocess
from pathlib import Path

import pikepdf
import pytest

from probe.cli.main import main
from probe.cli.report_command import material_of
from probe.present.turnover import typeset
from probe.present.turnover.assembly import PaperSize
from probe.present.turnover.blocks import Paper, Text
from probe.present.turnover.making import Order, ReportFormat, report
from probe.present.turnover.printable import _RANGES, printable

SAMPLE = Path(__file__).parents[1] / "records" / "report.audit.jsonl"
POPPLER = pytest.mark.skipif(shutil.which("pdfdetach") is None, reason="poppler-utils is not installed")
QPDF = pytest.mark.skipif(shutil.which("qpdf") is None, reason="qpdf is not installed")


@pytest.fixture(scope="module")
def pdf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    target = tmp_path_factory.mktemp("report") / "r.pdf"
    assert main(["report", str(SAMPLE), "-o", str(target)]) == 0
    return target


def said(*command: str | Path) -> str:
    return subprocess.run([str(part) for part in command], capture_output=True, check=True).stdout.decode()


@POPPLER
def test_poppler_takes_the_record_out_byte_for_byte(pdf: Path, tmp_path: Path) -> None:
    said("pdfdetach", "-saveall", "-o", tmp_path, pdf)
    assert (tmp_path / SAMPLE.name).read_bytes() == SAMPLE.read_bytes()
    names = {path.name for path in tmp_path.iterdir()}
    assert {"map.yaml", "meter-integer.yaml", "report-options.json"} <= names
    assert all(path.parent == tmp_path for path in tmp_path.rglob("*")), "nothing outside, nothing below"


@POPPLER
def test_the_hashes_on_the_page_are_those_of_the_enclosed_files(pdf: Path, tmp_path: Path) -> None:
    said("pdfdetach", "-saveall", "-o", tmp_path, pdf)
    text = re.sub(r"\s", "", said("pdftotext", "-layout", pdf, "-"))
    for path in tmp_path.iterdir():
        if path.name != "report-options.json":  # it lists the others
            assert hashlib.sha256(path.read_bytes()).hexdigest() in text, path.name


@POPPLER
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_no_word_stands_beyond_the_margin(tmp_path: Path, paper: str) -> None:
    # 18 mm at both sides, in points of 1/72 inch; a word that cannot be broken would be cut by the paper
    target = tmp_path / "r.pdf"
    assert main(["report", str(SAMPLE), "-o", str(target), "--paper", paper]) == 0
    margin, width = 18 / 25.4 * 72, 595.276 if paper == "a4" else 612.0
    words = re.findall(r'xMin="([0-9.-]+)" yMin="[0-9.-]+" xMax="([0-9.-]+)".*?>(.*?)</word>',
                       said("pdftotext", "-bbox", target, "-"))  # fmt: skip
    assert len(words) > 1000
    beyond = {
        word for low, high, word in words if float(low) < margin - 1 or float(high) > width - margin + 1
    }
    assert not beyond


@QPDF
def test_qpdf_finds_no_fault_and_takes_the_record_out_byte_for_byte(pdf: Path) -> None:
    assert "No syntax or stream encoding errors found" in said("qpdf", "--check", pdf)
    shown = subprocess.run(
        ["qpdf", f"--show-attachment={SAMPLE.name}", str(pdf)], capture_output=True, check=True
    ).stdout
    assert shown == SAMPLE.read_bytes()


def test_pikepdf_reads_the_claims_and_what_they_rest_on(pdf: Path) -> None:
    with pikepdf.open(pdf) as document:
        with document.open_metadata() as metadata:
            assert metadata.pdfa_status == "3A"
            assert str(metadata["pdfuaid:part"]) == "1"
            assert "MSB-1" in str(metadata["dc:title"])
        root = document.Root
        assert not document.is_encrypted
        assert root.OutputIntents[0].S == "/GTS_PDFA1"
        assert bool(root.MarkInfo.Marked)
        assert "/StructTreeRoot" in root
        assert str(root.Lang) == "en"
        assert "/JavaScript" not in root.get("/Names", {})
        assert "/OpenAction" not in root
        assert "/AcroForm" not in root
        files = {str(spec.UF): str(spec.AFRelationship) for spec in root.AF}
        assert files[SAMPLE.name] == "/Source"
        assert files["map.yaml"] == "/Data"
        assert files["report-options.json"] == "/Supplement"
        assert set(files) == set(document.attachments)
        for name, attached in document.attachments.items():
            if name == SAMPLE.name:
                assert attached.get_file().read_bytes() == SAMPLE.read_bytes()


def test_every_figure_is_told_in_words(pdf: Path) -> None:
    with pikepdf.open(pdf) as document:
        figures = [
            one for one in document.objects
            if isinstance(one, pikepdf.Dictionary) and one.get("/S") == "/Figure"
        ]  # fmt: skip
        assert len(figures) >= 8
        assert all(str(one.get("/Alt", "")) for one in figures)


@POPPLER
def test_fonts_are_embedded(pdf: Path) -> None:
    rows = said("pdffonts", pdf).splitlines()[2:]
    assert rows
    assert all(re.search(r"\byes +yes +yes\b", row) for row in rows), (
        "embedded, subset, with a map to Unicode"
    )


@POPPLER
def test_every_page_says_incomplete_its_lineup_and_its_record(pdf: Path) -> None:
    pages = said("pdftotext", pdf, "-").split("\f")[:-1]
    assert len(pages) > 15
    code = "66ab 1b23 62ad bcd4"
    for number, page in enumerate(pages, 1):
        assert "INCOMPLETE" in page, number
        assert code in page, number
        assert f"Page {number} / {len(pages)}" in page
        assert "MSB-1" in page


@POPPLER
def test_hostile_texts_are_shown_as_text(pdf: Path) -> None:
    text = " ".join(said("pdftotext", pdf, "-").split())
    assert '#panic("no") $x$ *b* _i_ @ref `raw`' in text
    assert "<script>alert(1)</script>" in text
    assert "[U+001B][31mred" in text
    assert "[U+0000] [U+202E]liart [U+1F600] [U+4E2D]" in text
    assert '#panic("d") <b>Main</b> *1*' in text


@POPPLER
@pytest.mark.parametrize(("size", "points"), [("a4", (595, 842)), ("letter", (612, 792))])
def test_sheets_have_their_size(size: str, points: tuple[int, int], tmp_path: Path) -> None:
    target = tmp_path / "r.pdf"
    assert main(["report", str(SAMPLE), "--paper", size, "-o", str(target)]) == 0
    found = re.search(r"Page size: +([\d.]+) x ([\d.]+)", said("pdfinfo", target))
    assert found is not None
    assert (round(float(found[1])), round(float(found[2]))) == points


def test_the_same_record_gives_the_same_file(pdf: Path) -> None:
    again, _ = report(material_of(SAMPLE), Order(paper=PaperSize.A4), ReportFormat.PDF)
    assert again == pdf.read_bytes()


def one_page(text: str) -> bytes:
    paper = Paper(
        language="en", title="t", author="a", head_left="", head_right="", foot_left="", warning="",
        words={"page": "Page", "caution": "Caution"}, lamps={},
    )  # fmt: skip
    from probe.present.turnover.blocks import Heading

    return typeset.pdf([Heading(text="h"), Text(text=text)], paper, "a4", (), logo=None, date_s=0)


def test_every_sign_that_is_kept_can_be_set() -> None:
    """The typesetter refuses a PDF/A with a sign that its fonts lack: so it proves the table of signs."""
    kept = [chr(code) for low, high in _RANGES for code in range(low, high + 1)]
    assert printable("".join(kept)) == "".join(kept)
    part = typeset.LONGEST // 2
    for start in range(0, len(kept), part):
        assert one_page(" ".join(kept[start : start + part])[: typeset.LONGEST]).startswith(b"%PDF-1.7")


def test_a_sign_that_the_fonts_lack_would_be_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """The check above can fail: without the replacement the typesetter says no."""
    assert one_page("\u4e2d\x00")
    monkeypatch.setattr(typeset, "printable", lambda text: text)
    with pytest.raises(typeset.TypesetError):
        one_page("\u4e2d")
