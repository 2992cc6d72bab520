"""Time stamps against OpenSSL: a test authority answers our request, and both sides check each other."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from probe.cli.timestamp_commands import attach, request
from probe.model.errors import InputError, RecordError
from probe.record import timestamp
from probe.record.der import INTEGER, SEQUENCE, nonce_of, with_sorted_certificates
from probe.record.der import path as path_in
from probe.record.proof import last_line, prove
from probe.record.verify import verify

pytestmark = pytest.mark.skipif(
    shutil.which("openssl") is None, reason="needs the openssl program (Debian: openssl)"
)

SAMPLE = Path(__file__).parents[1] / "records" / "format-1-signed.audit.jsonl"
CONFIG = """\
[req]
distinguished_name = name
prompt = no
[name]
CN = Tarn Hollow test authority
[root]
basicConstraints = critical,CA:true
keyUsage = critical,keyCertSign
subjectKeyIdentifier = hash
[stamper]
basicConstraints = CA:false
keyUsage = critical,digitalSignature
extendedKeyUsage = critical,timeStamping
subjectKeyIdentifier = hash
authorityKeyIdentifier = keyid
[plain]
basicConstraints = CA:false
keyUsage = critical,digitalSignature
[tsa]
default_tsa = tsa1
[tsa1]
dir = .
serial = $dir/serial
crypto_device = builtin
signer_cert = $dir/stamper.pem
certs = $dir/root.pem
signer_key = $dir/stamper.key
signer_digest = sha256
default_policy = 1.2.3.4.1
other_policies = 1.2.3.4.5
digests = sha256, sha384, sha512
accuracy = secs:1
ess_cert_id_alg = sha256
"""


def _openssl(folder: Path, *arguments: str) -> str:
    done = subprocess.run(["openssl", *arguments], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def _authority(folder: Path, name: str = "Tarn Hollow test authority") -> None:
    """A root and a stamping certificate of its own."""
    folder.mkdir(exist_ok=True)
    (folder / "tsa.cnf").write_text(CONFIG.replace("Tarn Hollow test authority", name), encoding="utf-8")
    (folder / "serial").write_text("01\n", encoding="utf-8")
    new = ("req", "-config", "tsa.cnf", "-newkey", "rsa:2048", "-nodes", "-batch")
    _openssl(
        folder, *new, "-x509", "-days", "30", "-extensions", "root", "-keyout", "root.key", "-out", "root.pem"
    )
    _openssl(folder, *new, "-subj", f"/CN={name} stamper", "-keyout", "stamper.key", "-out", "stamper.csr")
    signed = ("x509", "-req", "-in", "stamper.csr", "-CA", "root.pem", "-CAkey", "root.key", "-days", "30")
    _openssl(
        folder,
        *signed,
        "-CAcreateserial",
        "-extfile",
        "tsa.cnf",
        "-extensions",
        "stamper",
        "-out",
        "stamper.pem",
    )


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("authority")
    _authority(folder)
    return folder


@pytest.fixture
def record(tmp_path: Path) -> Path:
    path = tmp_path / "r.audit.jsonl"
    path.write_bytes(SAMPLE.read_bytes())
    return path


def _answer(authority: Path, asked: Path, answer: Path) -> Path:
    arguments = ("ts", "-reply", "-config", "tsa.cnf", "-queryfile", str(asked), "-out", str(answer))
    _openssl(authority, *arguments)
    return answer


def _stamped(authority: Path, record: Path) -> Path:
    request(record, output=None, as_json=True)
    return _answer(authority, timestamp.request_path(record), record.with_name("answer.tsr"))


def test_openssl_reads_our_request_and_finds_the_code_in_it(authority: Path, record: Path) -> None:
    request(record, output=None, as_json=True)
    told = _openssl(authority, "ts", "-query", "-in", str(timestamp.request_path(record)), "-text")
    dump = "".join(
        part for line in told.splitlines() if " - " in line for part in line.split(" - ")[1][:49].split()
    ).replace("-", "")
    assert dump[:64] == verify(record).head
    assert "Hash Algorithm: sha256" in told
    assert "Certificate required: yes" in told
    assert "Nonce: 0x" in told


def test_an_answer_is_attached_and_proved_by_us_and_by_openssl(authority: Path, record: Path) -> None:
    before = record.read_bytes()
    attach(record, _stamped(authority, record), certificate_file=authority / "root.pem", as_json=True)
    proof = prove(record, certificate_file=authority / "root.pem")
    assert proof.holds
    assert proof.stamp is not None
    assert (proof.stamp.fits, proof.stamp.proved) == (True, True)
    assert record.read_bytes() == before, "a record is never edited"
    beside = str(timestamp.answer_path(record))
    arguments = ("ts", "-verify", "-digest", verify(record).head, "-in", beside, "-CAfile", "root.pem")
    assert "Verification: OK" in _openssl(authority, *arguments)


def test_without_a_certificate_it_fits_but_is_not_proved(authority: Path, record: Path) -> None:
    attach(record, _stamped(authority, record), certificate_file=None, as_json=True)
    proof = prove(record)
    assert proof.holds
    assert proof.stamp is not None
    assert (proof.stamp.fits, proof.stamp.proved) == (True, None)


def test_a_chain_with_the_stampers_own_certificate_proves_too(authority: Path, record: Path) -> None:
    attach(record, _stamped(authority, record), certificate_file=None, as_json=True)
    both = record.with_name("both.pem")
    both.write_bytes((authority / "root.pem").read_bytes() + (authority / "stamper.pem").read_bytes())
    proof = prove(record, certificate_file=both)
    assert proof.stamp is not None
    assert proof.stamp.proved


def test_another_authoritys_certificate_does_not_prove_it(
    authority: Path, record: Path, tmp_path: Path
) -> None:
    _authority(tmp_path / "other", "Another authority")
    attach(record, _stamped(authority, record), certificate_file=None, as_json=True)
    proof = prove(record, certificate_file=tmp_path / "other" / "root.pem")
    assert not proof.holds
    assert proof.stamp is not None
    assert proof.stamp.proved is False


def test_every_changed_byte_of_an_answer_is_harmless_or_found(authority: Path, record: Path) -> None:
    """Whatever is changed in an answer, it never proves another time (or nothing of it was signed)."""
    answer = _stamped(authority, record).read_bytes()
    line = last_line(record)
    roots = timestamp.certificates_from("root", (authority / "root.pem").read_bytes())
    genuine = timestamp.examine(answer, line, roots)
    assert genuine.proved
    data = bytearray(answer)
    for place in range(0, len(data), 11):
        data[place] ^= 1 << (place % 8)
        found = timestamp.examine(bytes(data), line, roots)
        assert not (found.fits and found.proved) or found.wall_ns == genuine.wall_ns, place
        data[place] ^= 1 << (place % 8)


def test_an_answer_for_another_record_is_refused(authority: Path, record: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.audit.jsonl"
    other.write_bytes(SAMPLE.with_name("format-1.audit.jsonl").read_bytes())
    with pytest.raises(InputError, match="something else"):
        attach(record, _stamped(authority, other), certificate_file=None, as_json=True)
    assert not timestamp.answer_path(record).exists()


def test_an_answer_to_another_request_for_the_same_record_is_refused(authority: Path, record: Path) -> None:
    """The nonce: somebody might hand back an old answer."""
    old = _stamped(authority, record)
    timestamp.request_path(record).unlink()
    request(record, output=None, as_json=True)
    with pytest.raises(InputError, match="another request"):
        attach(record, old, certificate_file=None, as_json=True)


def test_an_answer_that_lies_beside_a_record_without_belonging_to_it_is_told(
    authority: Path, record: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other.audit.jsonl"
    other.write_bytes(SAMPLE.with_name("format-1.audit.jsonl").read_bytes())
    timestamp.answer_path(record).write_bytes(_stamped(authority, other).read_bytes())
    proof = prove(record)
    assert proof.found.holds
    assert not proof.holds
    assert "something else" in proof.why_not[0]


def test_a_certificate_without_a_stamp_proves_nothing(authority: Path, record: Path) -> None:
    proof = prove(record, certificate_file=authority / "root.pem")
    assert not proof.holds
    assert "no time stamp" in proof.why_not[0]


def test_an_answer_is_not_written_over(authority: Path, record: Path) -> None:
    answer = _stamped(authority, record)
    attach(record, answer, certificate_file=None, as_json=True)
    with pytest.raises(InputError, match="already"):
        attach(record, answer, certificate_file=None, as_json=True)


def test_only_a_sealed_record_is_stamped(tmp_path: Path) -> None:
    path = tmp_path / "open.audit.jsonl"
    path.write_bytes(b"".join(SAMPLE.read_bytes().splitlines(keepends=True)[:-1]))
    with pytest.raises(RecordError, match="not closed"):
        request(path, output=None, as_json=True)


@pytest.mark.parametrize("data", [b"", b"no answer", b"0\x03\x02\x01\x02", b"0\x80", bytes(300_000)])
def test_what_is_no_answer_is_refused(data: bytes) -> None:
    found = timestamp.examine(data, b"line")
    assert (found.fits, found.proved) == (False, None)


def test_a_refusal_of_the_authority_is_told(authority: Path, record: Path, tmp_path: Path) -> None:
    """OpenSSL refuses a request for a hash that its configuration does not list."""
    asked = tmp_path / "md5.tsq"
    _openssl(authority, "ts", "-query", "-digest", "00" * 16, "-md5", "-out", str(asked))
    refusal = _answer(authority, asked, tmp_path / "refusal.tsr")
    found = timestamp.examine(refusal.read_bytes(), last_line(record))
    assert not found.fits
    assert "refused" in found.text


@pytest.mark.parametrize("data", [b"", b"0", b"0\x84\xff\xff\xff\xff", b"0\x02\x02", b"1234", bytes(100)])
def test_a_request_that_is_none_has_no_nonce(data: bytes) -> None:
    assert nonce_of(data) is None


def test_a_compressed_copy_finds_the_answer_of_its_record(authority: Path, record: Path) -> None:
    import gzip

    attach(record, _stamped(authority, record), certificate_file=None, as_json=True)
    copy = record.with_name(record.name + ".gz")
    copy.write_bytes(gzip.compress(record.read_bytes()))
    proof = prove(copy, certificate_file=authority / "root.pem")
    assert proof.stamp is not None
    assert proof.stamp.proved


def test_sorted_certificates_are_the_same_certificates(authority: Path, record: Path) -> None:
    answer = _stamped(authority, record).read_bytes()
    ordered = with_sorted_certificates(answer)
    assert sorted(ordered) == sorted(answer)
    path = record.with_name("ordered.tsr")
    path.write_bytes(ordered)
    arguments = ("ts", "-verify", "-digest", verify(record).head, "-in", str(path), "-CAfile", "root.pem")
    assert "Verification: OK" in _openssl(authority, *arguments)
    assert with_sorted_certificates(ordered) == ordered
    assert with_sorted_certificates(answer[:500]) == answer[:500]


def test_the_time_is_the_one_that_openssl_reads(authority: Path, record: Path) -> None:
    answer = _stamped(authority, record)
    told = _openssl(authority, "ts", "-reply", "-in", str(answer), "-text")
    (line,) = [one for one in told.splitlines() if one.startswith("Time stamp: ")]
    said = datetime.strptime(line, "Time stamp: %b %d %H:%M:%S %Y GMT").replace(tzinfo=UTC)
    found = timestamp.examine(answer.read_bytes(), last_line(record))
    assert found.wall_ns == int(said.timestamp()) * 1_000_000_000
    assert f"{said:%Y-%m-%dT%H:%M:%SZ}" in found.text


@pytest.mark.parametrize("name", ["sha384", "sha512"])
def test_other_hashes_of_the_same_line_fit_too(
    authority: Path, record: Path, tmp_path: Path, name: str
) -> None:
    (tmp_path / "line").write_bytes(last_line(record))
    asked = tmp_path / "asked.tsq"
    _openssl(
        authority, "ts", "-query", "-data", str(tmp_path / "line"), f"-{name}", "-cert", "-out", str(asked)
    )
    answer = _answer(authority, asked, tmp_path / "answer.tsr").read_bytes()
    roots = timestamp.certificates_from("root", (authority / "root.pem").read_bytes())
    found = timestamp.examine(answer, last_line(record), roots)
    assert (found.fits, found.proved) == (True, True)
    assert not timestamp.examine(answer, b"another line", roots).fits


def test_a_certificate_that_is_no_root_proves_nothing_beside_a_root_that_it_does_not_lead_to(
    authority: Path, record: Path, tmp_path: Path
) -> None:
    """Who gives a root asks that the stamp leads to it."""
    _authority(tmp_path / "other", "Another authority")
    answer = _stamped(authority, record).read_bytes()
    both = (tmp_path / "other" / "root.pem").read_bytes() + (authority / "stamper.pem").read_bytes()
    found = timestamp.examine(answer, last_line(record), timestamp.certificates_from("both", both))
    assert (found.fits, found.proved, found.holds) == (True, False, False)
    assert "does not lead to the certificate" in found.text


def test_the_nonce_of_the_request_is_that_of_the_answer(authority: Path, record: Path) -> None:
    answer = _stamped(authority, record).read_bytes()
    asked = nonce_of(timestamp.request_path(record).read_bytes())
    assert asked is not None
    assert timestamp.examine(answer, last_line(record), nonce=asked).fits
    found = timestamp.examine(answer, last_line(record), nonce=asked + 1)
    assert (found.fits, found.text) == (False, "it answers another request")


def test_certificates_are_read_in_either_form(authority: Path) -> None:
    pem = (authority / "root.pem").read_bytes()
    _openssl(authority, "x509", "-in", "root.pem", "-outform", "DER", "-out", "root.der")
    assert timestamp.certificates_from("root", (authority / "root.der").read_bytes()) == (
        timestamp.certificates_from("root", pem)
    )
    assert len(timestamp.certificates_from("two", pem + (authority / "stamper.pem").read_bytes())) == 2


def test_an_answer_beyond_256_kib_is_not_even_read() -> None:
    assert "too large" in timestamp.examine(bytes(256 * 1024 + 1), b"line").text
    assert "too large" not in timestamp.examine(bytes(256 * 1024), b"line").text


@pytest.mark.parametrize("name", ["r.audit.jsonl", "r.audit.jsonl.gz", "r.audit.jsonl.zst"])
def test_request_and_answer_lie_beside_the_record_whatever_it_is_packed_with(name: str) -> None:
    folder = Path("a.gz")
    assert timestamp.answer_path(folder / name) == folder / "r.audit.jsonl.tsr"
    assert timestamp.request_path(folder / name) == folder / "r.audit.jsonl.tsq"


@pytest.mark.parametrize(
    ("after_ns", "doubt"), [(10**9, ""), (10**9 + 1, "1 s before"), (3600 * 10**9, "3600 s before")]
)
def test_a_run_that_says_it_began_after_its_time_stamp_is_doubted(
    record: Path, monkeypatch: pytest.MonkeyPatch, after_ns: int, doubt: str
) -> None:
    """Second by second, so with an authority's word by hand. A second is what both may be apart."""
    found = verify(record)
    assert found.header is not None
    stamp = timestamp.Stamp(fits=True, proved=None, wall_ns=found.header.started_wall_ns - after_ns, text="")
    timestamp.answer_path(record).write_bytes(b"by hand")
    monkeypatch.setattr(timestamp, "examine", lambda *_: stamp)
    assert doubt in prove(record).found.times_doubt
    assert bool(prove(record).found.times_doubt) is bool(doubt)
    monkeypatch.setattr(timestamp, "examine", lambda *_: replace(stamp, fits=False))
    assert prove(record).found.times_doubt == "", "what is not for this record says nothing of its time"


@pytest.mark.parametrize(("status", "granted"), [(0, True), (1, True), (2, False), (5, False)])
def test_granted_is_what_the_standard_calls_so(
    authority: Path, record: Path, status: int, granted: bool
) -> None:
    """PKIStatus: granted 0, grantedWithMods 1, all else is none (RFC 3161, 2.4.2; clause from memory)."""
    answer = bytearray(_stamped(authority, record).read_bytes())
    at = path_in(bytes(answer), (0, SEQUENCE), (0, SEQUENCE), (0, INTEGER))
    assert at is not None
    answer[at.inside] = status
    found = timestamp.examine(bytes(answer), last_line(record))
    assert found.fits is granted
    assert granted or f"status {status}: no reason given" in found.text


def test_a_certificate_between_leads_to_its_root_and_is_none_itself(
    authority: Path, record: Path, tmp_path: Path
) -> None:
    """Root, one between, the stamper's: beside another root the one between proves nothing."""
    deep = tmp_path / "deep"
    _authority(deep, "Deep authority")
    new = ("req", "-config", "tsa.cnf", "-newkey", "rsa:2048", "-nodes", "-batch", "-subj", "/CN=Between")
    _openssl(deep, *new, "-keyout", "between.key", "-out", "between.csr")
    for name, by, sort in (("between", "root", "root"), ("stamper", "between", "stamper")):
        signed = (
            "x509",
            "-req",
            "-in",
            f"{name}.csr",
            "-CA",
            f"{by}.pem",
            "-CAkey",
            f"{by}.key",
            "-days",
            "30",
        )
        _openssl(
            deep,
            *signed,
            "-CAcreateserial",
            "-extfile",
            "tsa.cnf",
            "-extensions",
            sort,
            "-out",
            f"{name}.pem",
        )
    answer, line = _stamped(deep, record).read_bytes(), last_line(record)
    between = (deep / "between.pem").read_bytes()
    for root, proved in ((deep / "root.pem", True), (authority / "root.pem", False)):
        given = timestamp.certificates_from("given", root.read_bytes() + between)
        assert timestamp.examine(answer, line, given).proved is proved
