"""Alerts and metrics of a fleet, for people and for the usual monitoring."""

from __future__ import annotations

import sys
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from probe.cli.audit_run import stops_on_signals
from probe.cli.duration import seconds
from probe.history.store import History
from probe.model.errors import InputError, Problem
from probe.present.console import emit_json, say
from probe.present.fleet_page import date_text
from probe.sweep.alerts.book import acknowledge as note
from probe.sweep.alerts.book import current, unsent
from probe.sweep.alerts.state import Alert
from probe.sweep.place import open_fleet

ALERTS_FORMAT = "buswitness-alerts/1"
LONGEST_SNOOZE_S = 366 * 86_400.0  # what nobody wants to hear of for years is not snoozed


def show(fleet: Path, *, as_json: bool) -> int:
    """List what is not over; 1 if anything is, else 0."""
    history = open_fleet(fleet).open_history(create=False)
    try:
        alerts, waiting = current(history), unsent(history)
    finally:
        history.close()
    if as_json:
        data = [{"sweep": sweep, **_data(alert)} for sweep, alert in alerts]
        emit_json({"format": ALERTS_FORMAT, "alerts": data, "messages_waiting": waiting})
    else:
        for sweep, alert in alerts:
            say(_line(sweep, alert))
        say(f"{len(alerts)} alerts not over; {waiting} messages wait to be told")
    return int(bool(alerts))


def acknowledge(fleet: Path, number: int, *, reason: str, by: str, snooze: str) -> int:
    """Note who knows of an alert, and why; 0. Raises InputError if there is no such alert."""
    quiet_s = seconds(snooze, "--snooze", longest_s=LONGEST_SNOOZE_S)
    history = open_fleet(fleet).open_history(create=False)
    try:
        until_ns = time.time_ns() + round(quiet_s * 1e9) if quiet_s else 0
        if not note(history, number, by=by, reason=reason, quiet_until_ns=until_ns):
            listed = ", ".join(str(alert.id) for _, alert in current(history)) or "none"
            what = "there is no such alert, or it is over"
            raise InputError([Problem(file="NUMBER", what=what, found=str(number), allowed=listed)])
    finally:
        history.close()
    say(
        f"Alert {number}: known to {by}"
        + (f", nothing more is told until {date_text(until_ns)}" if until_ns else "")
    )
    return 0


def metrics(fleet: Path, *, output: Path | None, listen: str) -> int:
    """Write the metrics to a file or stdout, or answer at an address until a signal; 0."""
    from probe.sweep.metrics import text, write

    history = open_fleet(fleet).open_history(create=False)
    try:
        if listen:
            _serve(history, *_place(listen))
        elif output is not None:
            write(history, output)
        else:
            sys.stdout.write(text(history).decode("utf-8"))
    except OSError as error:
        what = f"the metrics cannot be given out: {error.strerror or error}"
        raise InputError([Problem(file=listen or str(output), what=what)]) from None
    finally:
        history.close()
    return 0


def _place(listen: str) -> tuple[str, int]:
    host, _, port = listen.rpartition(":")
    if not host or not port.isdigit() or int(port) > 65535:
        what = "this is no address to listen at"
        raise InputError(
            [Problem(file="--listen", what=what, found=listen, allowed="HOST:PORT, as 127.0.0.1:9464")]
        )
    return host.strip("[]"), int(port)


def _serve(history: History, host: str, port: int) -> None:
    from probe.sweep.metrics import CONTENT_TYPE, text

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            if self.path.partition("?")[0] != "/metrics":
                self.send_error(404)
                return
            body = text(history)
            self.send_response(200)
            self.send_header("Content-Type", CONTENT_TYPE)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's name
            """A monitor asks every few seconds: no line for each."""

    with ThreadingHTTPServer((host, port), Handler) as server:
        say(f"metrics at http://{host}:{server.server_port}/metrics until Ctrl-C", error=True)
        stop = threading.Event()
        threading.Thread(target=server.serve_forever, daemon=True).start()
        with stops_on_signals(stop.set):
            while not stop.wait(0.5):
                pass
        server.shutdown()


def _line(sweep: str, alert: Alert) -> str:
    trouble = alert.trouble
    known = f"; known to {alert.acknowledged_by}: {alert.reason}" if alert.acknowledged_by else ""
    many = f" ({len(trouble.members)} findings)" if len(trouble.members) > 1 else ""
    state = "" if alert.state.value == "open" else f" [{alert.state.value}]"
    return (
        f"{alert.id:>5}  {trouble.verdict.value:<6}  {sweep}: {trouble.title}{many}, "
        f"since {date_text(alert.since_ns)}{state}{known}"
    )


def _data(alert: Alert) -> dict[str, object]:
    trouble = alert.trouble
    return {
        "id": alert.id,
        "key": trouble.key,
        "verdict": trouble.verdict.value,
        "danger": trouble.danger,
        "title": trouble.title,
        "findings": list(trouble.members),
        "state": alert.state.value,
        "since_ns": alert.since_ns,
        "acknowledged_by": alert.acknowledged_by,
        "reason": alert.reason,
        "quiet_until_ns": alert.quiet_until_ns,
    }
