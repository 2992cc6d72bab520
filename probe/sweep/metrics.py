"""Metrics of a fleet for the usual monitoring: OpenMetrics text, as a file or at an address.

Source: OpenMetrics 1.0 (by way of the prometheus-client library).
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

from prometheus_client.core import GaugeMetricFamily
from prometheus_client.metrics_core import Metric
from prometheus_client.openmetrics.exposition import generate_latest
from prometheus_client.registry import Collector, CollectorRegistry

from probe.history.status import standings
from probe.history.store import History
from probe.model.finding import Verdict
from probe.sweep.alerts.book import current, unsent
from probe.sweep.whole_file import put

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"


class FleetCollector(Collector):
    """Reads the history whenever it is asked."""

    def __init__(self, history: History) -> None:
        self._history = history

    def collect(self) -> Iterator[Metric]:
        """All metrics. Labels are site and lineup; no tag of a device, so that their number stays small."""
        findings = _gauge("findings", "Findings of the latest run by verdict.", "verdict")
        age = _gauge("run_age_seconds", "Seconds since the latest run began.")
        complete = _gauge("run_complete", "1 if the latest run gave every verdict that it had to.")
        lasted = _gauge("run_duration_seconds", "How long the latest run took.")
        now_s = time.time()
        for one in standings(self._history):
            labels = [one.site, one.lineup]
            numbers = {
                Verdict.PASS: one.passes,
                Verdict.FAIL: one.fails,
                Verdict.REVIEW: one.reviews,
                Verdict.NOT_TESTED: one.untested,
            }
            for verdict, number in numbers.items():
                findings.add_metric([*labels, verdict.value.replace(" ", "_")], number)
            age.add_metric(labels, now_s - one.started_ns / 1e9)
            complete.add_metric(labels, int(one.complete))
            lasted.add_metric(labels, (one.finished_ns - one.started_ns) / 1e9)
        alerts = GaugeMetricFamily("buswitness_alerts_open", "Alerts that are not over.", labels=["sweep"])
        counts: dict[str, int] = {}
        for sweep, _ in current(self._history):
            counts[sweep] = counts.get(sweep, 0) + 1
        for sweep, number in sorted(counts.items()):
            alerts.add_metric([sweep], number)
        waiting = GaugeMetricFamily("buswitness_messages_waiting", "Messages that could not be told yet.")
        waiting.add_metric([], unsent(self._history))
        yield from (findings, age, complete, lasted, alerts, waiting)


def _gauge(name: str, words: str, *labels: str) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"buswitness_{name}", words, labels=["site", "lineup", *labels])


def text(history: History) -> bytes:
    """The metrics as OpenMetrics text."""
    registry = CollectorRegistry()
    registry.register(FleetCollector(history))
    return bytes(generate_latest(registry))  # type: ignore[no-untyped-call]


def write(history: History, path: Path) -> None:
    """Write the text to a file that is always whole: for a monitor that reads folders. Raises OSError."""
    partial = path.with_name(path.name + ".part")
    partial.write_bytes(text(history))
    put(partial, path)
