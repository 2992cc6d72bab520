"""Alerts told over real sockets: a mail server, a web server, syslog; and none lost while they are down."""

from __future__ import annotations

import json
import re
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest

from probe.history.digest import RunDigest, Said, Series
from probe.history.keep import Keeper
from probe.history.slot_book import SlotState
from probe.history.store import History, open_history
from probe.model.finding import Verdict
from probe.model.fleet import Fleet
from probe.model.fleet_load import load_fleet
from probe.sweep.alerts.book import Message, current, unsent
from probe.sweep.alerts.deliver import Alerting
from probe.sweep.alerts.ways import syslog_line
from probe.sweep.run import Outcome

aiosmtpd = pytest.importorskip("aiosmtpd.controller", reason="aiosmtpd is not installed")


@pytest.fixture
def history(tmp_path: Path) -> Iterator[History]:
    store = open_history(str(tmp_path / "h.sqlite"))
    yield store
    store.close()


def fleet_of(channel: str) -> Fleet:
    return load_fleet(
        "fleet.yaml",
        "format: buswitness-fleet/1\nclear_after: 1\nsweeps:\n"
        "  - {name: msb-1, map: m.yaml, at: 0 2 * * *}\n"
        f"alerts:\n  - {{name: duty, {channel}}}\n",
    )


def outcome_of(history: History, number: int, verdict: Verdict) -> Outcome:
    finding = "breaker.position@52-F1"
    bad = verdict is not Verdict.PASS
    digest = RunDigest(
        site="Tarn Hollow",
        lineup="MSB-1",
        started_ns=number * 10**9,
        finished_ns=number * 10**9 + 1,
        code=str(number),
        complete=True,
        tool_version="0",
        tested=frozenset({"52-F1"}),
        verdicts={Series("52-F1", "breaker.position"): verdict},
        said=(Said(finding, verdict, "Not where it should be \u2713", danger=7),) if bad else (),
    )
    return Outcome(SlotState.DONE, digest=digest, kept=Keeper(history).keep(digest))


class Inbox:
    """A mail server's handler that keeps what it takes, or refuses."""

    def __init__(self) -> None:
        self.mails: list[Any] = []
        self.refuses = False

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self.refuses:
            return "451 try again"
        self.mails.append(envelope)
        return "250 OK"


@contextmanager
def mail_server(inbox: Inbox) -> Iterator[int]:
    controller = aiosmtpd.Controller(inbox, hostname="127.0.0.1", port=0)
    # The library checks its own port by connecting to it, which needs a number: bind one first.
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        controller.port = free.getsockname()[1]
    controller.start()
    try:
        yield controller.port
    finally:
        controller.stop()


def test_a_mail_tells_what_opened_and_what_is_over(history: History) -> None:
    inbox = Inbox()
    with mail_server(inbox) as port:
        alerting = Alerting(
            fleet_of(
                "mail: {to: [duty@example.org], sender: probe@example.org, server: 127.0.0.1, "
                f"port: {port}, security: none}}"
            ),
            history,
        )
        sweep = fleet_of("syslog: {host: h}").sweeps[0]
        for number, verdict in enumerate([Verdict.PASS, Verdict.FAIL, Verdict.FAIL, Verdict.PASS], start=1):
            alerting.heard(sweep, outcome_of(history, number, verdict))
    assert [mail.rcpt_tos for mail in inbox.mails] == [["duty@example.org"]] * 2
    first, last = (mail.content.decode() for mail in inbox.mails)
    assert "Subject: Tarn Hollow / MSB-1: 1 failing" in first
    assert "Subject: Tarn Hollow / MSB-1: 1 over" in last
    assert unsent(history) == 0
    assert current(history) == ()


def test_a_server_that_is_down_for_a_day_loses_nothing(history: History) -> None:
    now = [10**18]
    inbox = Inbox()
    inbox.refuses = True
    with mail_server(inbox) as port:
        fleet = fleet_of(
            "mail: {to: [duty@example.org], sender: probe@example.org, server: 127.0.0.1, "
            f"port: {port}, security: none}}"
        )
        Alerting(fleet, history, now_ns=lambda: now[0]).heard(
            fleet.sweeps[0], outcome_of(history, 1, Verdict.FAIL)
        )
        for _ in range(40):
            now[0] += 36 * 60 * 10**9
            Alerting(fleet, history, now_ns=lambda: now[0]).deliver()  # a new process each time
        assert (len(inbox.mails), unsent(history)) == (0, 1)
        inbox.refuses = False
        now[0] += 3600 * 10**9
        assert Alerting(fleet, history, now_ns=lambda: now[0]).deliver() == 1
    assert len(inbox.mails) == 1
    assert unsent(history) == 0


@contextmanager
def web_server(answer: Callable[[], int]) -> Iterator[tuple[int, list[tuple[dict[str, str], Any]]]]:
    taken: list[tuple[dict[str, str], Any]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            taken.append((dict(self.headers.items()), body))
            self.send_response(answer())
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None: ...  # noqa: A002

    with HTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield server.server_port, taken
        finally:
            server.shutdown()
            thread.join()


def test_a_webhook_gets_json_with_a_name_that_stays(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BUSWITNESS_WEBHOOK_TOKEN", "s3cret")
    answers = iter([503, 204])
    now = [10**18]
    with web_server(lambda: next(answers)) as (port, taken):
        fleet = fleet_of(f"webhook: {{url: 'http://127.0.0.1:{port}/x'}}")
        alerting = Alerting(fleet, history, now_ns=lambda: now[0])
        alerting.heard(fleet.sweeps[0], outcome_of(history, 1, Verdict.FAIL))
        now[0] += 3600 * 10**9
        assert alerting.deliver() == 1
    (first, body), (second, again) = taken
    assert first["Idempotency-Key"] == second["Idempotency-Key"]
    assert first["Authorization"] == "Bearer s3cret"
    assert body == again
    assert body["events"][0]["findings"] == ["breaker.position@52-F1"]
    assert "s3cret" not in json.dumps(body)


#: RFC 5424, 6: HEADER SP STRUCTURED-DATA [SP MSG], MSG in UTF-8 behind a byte order mark.
RFC_5424 = re.compile(
    rb"<(\d{1,3})>1 \d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z [!-~]{1,255} [!-~]{1,48} [!-~]{1,128} [!-~]{1,32} "
    rb"- \xef\xbb\xbf(.*)",
    re.DOTALL,
)


def test_syslog_over_udp_and_counted_over_tcp(history: History) -> None:
    with socket.socket(type=socket.SOCK_DGRAM) as udp:
        udp.bind(("127.0.0.1", 0))
        udp.settimeout(20)
        fleet = fleet_of(f"syslog: {{host: 127.0.0.1, port: {udp.getsockname()[1]}}}")
        Alerting(fleet, history).heard(fleet.sweeps[0], outcome_of(history, 1, Verdict.FAIL))
        over_udp = udp.recv(4096)
    match = RFC_5424.fullmatch(over_udp)
    assert match is not None
    assert int(match[1]) == 16 * 8 + 3
    assert match[2].decode() == "Tarn Hollow / MSB-1: 52-F1: Not where it should be \u2713"
    with socket.create_server(("127.0.0.1", 0)) as tcp:
        tcp.settimeout(20)
        where = tcp.getsockname()[1]
        fleet = fleet_of(f"syslog: {{host: 127.0.0.1, port: {where}, transport: tcp}}")
        Alerting(fleet, history).heard(fleet.sweeps[0], outcome_of(history, 2, Verdict.PASS))
        peer, _ = tcp.accept()
        with peer:
            data = b""
            while more := peer.recv(4096):
                data += more
    size, _, line = data.partition(b" ")
    assert int(size) == len(line)
    match = RFC_5424.fullmatch(line)
    assert match is not None
    assert int(match[1]) == 16 * 8 + 5


def test_a_hostile_title_stays_on_its_line() -> None:
    message = Message(1, "duty", 10**18, {"lineup": "L", "events": [], "changed": []}, 0, "")
    line = syslog_line(message, (3, "opened\n<0>1", "a\nb\x00c"))
    assert b"\n" not in line
    assert RFC_5424.fullmatch(line)
