"""Journal: everything that happens in a run goes through here, to the ledger, the observers and the shelves.

A shelf holds one device's evidence until it is judged, then it is emptied: a run over thousands of devices
keeps only what is not judged yet. An observer that raises is dropped with one note; a ledger that raises
breaks the run (``LedgerBroken``), because what cannot be kept must not be collected.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from probe.collect.adapter_watch import AdapterWatch
from probe.collect.events import ClockObserver, Ledger, Observer, Phase
from probe.judge.clock_state import ClockState
from probe.model.clock import RunClock, paired
from probe.model.device_evidence import SURVEYED, DeviceEvidence, RunEvidence
from probe.model.errors import RecordError
from probe.model.evidence import (
    Anchor,
    Connect,
    Disconnect,
    Echo,
    Evidence,
    Exchange,
    Neighbour,
    Note,
    Purpose,
    ReferenceSample,
    Stray,
)

_REFERENCE = Purpose.REFERENCE


class LedgerBroken(Exception):  # noqa: N818 - says what happened
    """The ledger could not keep a piece of evidence; the run ends at once. The cause is chained."""


class LinkLog:
    """What happened to one link's connections; shared by all units behind it."""

    __slots__ = ("connects", "disconnects")

    def __init__(self) -> None:
        self.connects: list[tuple[int, Connect]] = []
        self.disconnects: list[tuple[int, Disconnect]] = []


class Shelf:
    """One device's evidence, in the order in which it came."""

    __slots__ = ("echoes", "exchanges", "link", "neighbours", "strays", "tag")

    def __init__(self, tag: str, link: LinkLog) -> None:
        self.tag = tag
        self.link = link
        self.exchanges: list[tuple[int, Exchange]] = []
        self.strays: list[tuple[int, Stray]] = []
        self.echoes: list[tuple[int, Echo]] = []
        self.neighbours: list[tuple[int, Neighbour]] = []

    def evidence(self, *, interrupted: bool) -> DeviceEvidence:
        """All that the judge needs of this device."""
        return DeviceEvidence(
            tag=self.tag,
            exchanges=tuple(self.exchanges),
            connects=tuple(self.link.connects),
            disconnects=tuple(self.link.disconnects),
            strays=tuple(self.strays),
            echoes=tuple(self.echoes),
            neighbours=tuple(self.neighbours),
            interrupted=interrupted,
        )

    def empty(self) -> None:
        """Let go of the evidence: whoever served the device holds the shelf until the end of the run."""
        for kind in (self.exchanges, self.strays, self.echoes, self.neighbours):
            kind.clear()


class Journal:
    """Keeps, tells and shelves. on_broken is called once if the ledger fails outside any task of ours."""

    def __init__(self, ledger: Ledger, observers: Sequence[Observer], clock: RunClock) -> None:
        self.requests = 0
        self.broken: BaseException | None = None
        self.surveys = False  # what speaks of the network is held until the end, to be judged together
        self.on_broken: Callable[[], None] = lambda: None
        self.shelves: dict[str, Shelf] = {}
        self._ledger = ledger
        self._keep = ledger.keep
        self.clock = clock
        self._observers = list(observers)
        self._listen()
        self._anchors: list[tuple[int, Anchor]] = []
        self._notes: list[tuple[int, Note]] = []
        self._references: list[tuple[int, ReferenceSample]] = []
        self._reference_exchanges: list[tuple[int, Exchange]] = []
        self._strays: list[tuple[int, Stray]] = []
        self._network: list[tuple[int, Evidence]] = []
        self._run: RunEvidence | None = None
        self._adapters = AdapterWatch(self.note)

    # evidence ----------------------------------------------------------------------------------------

    def keep(self, evidence: Evidence) -> int:
        """Hand one piece of evidence to the ledger; its sequence number. Raises LedgerBroken."""
        try:
            sequence = self._keep(evidence)
        except (RecordError, OSError) as error:
            self._break(error)
            raise LedgerBroken(str(error)) from error
        if self.surveys and type(evidence) in SURVEYED:
            self._network.append((sequence, evidence))
            self._run = None
        return sequence

    def exchange(self, shelf: Shelf, exchange: Exchange) -> None:
        """Keep one attempt of one request; the hot path of a run."""
        try:
            item = (self.keep(exchange) if self.surveys else self._keep(exchange), exchange)
        except (RecordError, OSError) as error:
            self._break(error)
            raise LedgerBroken(str(error)) from error
        self.requests += 1
        if exchange.purpose is _REFERENCE:
            self._reference_exchanges.append(item)
            self._run = None
        else:
            shelf.exchanges.append(item)
        try:
            for tell in self._exchange_observers:
                tell(exchange)
        except Exception:  # noqa: BLE001 - an observer's fault never stops a run
            self._tell("exchange", exchange)

    def connect(self, log: LinkLog, connect: Connect) -> None:
        """Keep one attempt to open a connection."""
        log.connects.append((self.keep(connect), connect))
        self._adapters.see(connect)

    def disconnect(self, log: LinkLog, disconnect: Disconnect) -> None:
        """Keep the end of a connection."""
        log.disconnects.append((self.keep(disconnect), disconnect))

    def stray(self, stray: Stray) -> None:
        """Keep bytes that answer nothing; called by links from the event loop, so it never raises."""
        try:
            item = (self.keep(stray), stray)
        except LedgerBroken:
            self.on_broken()
            return
        shelf = self.shelves.get(stray.tag)
        if shelf is not None:
            shelf.strays.append(item)
        else:
            self._strays.append(item)
            self._run = None

    def echo(self, echo: Echo) -> None:
        """Keep an ICMP echo (nothing if its device is judged already)."""
        shelf = self.shelves.get(echo.tag)
        if shelf is not None:
            shelf.echoes.append((self.keep(echo), echo))

    def neighbour(self, neighbour: Neighbour) -> None:
        """Keep what the system's neighbour table holds for a host."""
        shelf = self.shelves.get(neighbour.tag)
        if shelf is not None:
            shelf.neighbours.append((self.keep(neighbour), neighbour))

    def reference(self, sample: ReferenceSample) -> None:
        """Keep one reading of the reference clock."""
        self._references.append((self.keep(sample), sample))
        self._run = None

    def anchor(self) -> None:
        """Tie monotonic time to wall time once more."""
        anchor = Anchor(*paired(self.clock))
        self._anchors.append((self.keep(anchor), anchor))
        self._run = None

    def note(self, topic: str, text: str, *, lasted_ns: int = 0) -> None:
        """Keep a note about the run and tell it. lasted_ns: of what ends now, 0 for a moment."""
        now_ns = self.clock.now_ns()
        note = Note(now_ns, topic, text, max(1, now_ns - lasted_ns) if lasted_ns else 0)
        self._notes.append((self.keep(note), note))
        self._run = None
        self.tell_note(text)

    def run_evidence(self) -> RunEvidence:
        """What belongs to the run as a whole, so far."""
        if self._run is None:
            self._run = RunEvidence(
                anchors=tuple(self._anchors),
                notes=tuple(self._notes),
                references=tuple(self._references),
                reference_exchanges=tuple(self._reference_exchanges),
                strays=tuple(self._strays),
                network=tuple(self._network),
            )
        return self._run

    # shelves and ledger ------------------------------------------------------------------------------

    def shelf(self, tag: str, link: LinkLog) -> Shelf:
        """A new shelf for a device."""
        shelf = self.shelves[tag] = Shelf(tag, link)
        return shelf

    def flush(self) -> None:
        """Hand all lines so far to the operating system. Raises LedgerBroken."""
        try:
            self._ledger.flush()
        except (RecordError, OSError) as error:
            self._break(error)
            raise LedgerBroken(str(error)) from error

    def _break(self, error: BaseException) -> None:
        self.broken = self.broken or error

    # observers ---------------------------------------------------------------------------------------

    def _listen(self) -> None:
        """Look up once what is called often."""
        self._exchange_observers = [observer.exchange for observer in self._observers]
        self._phase_observers = [observer.phase for observer in self._observers]
        self._clock_observers = [one for one in self._observers if isinstance(one, ClockObserver)]

    def phase(self, tag: str, phase: Phase) -> None:
        """Tell where a device stands."""
        try:
            for tell in self._phase_observers:
                tell(tag, phase)
        except Exception:  # noqa: BLE001 - an observer's fault never stops a run
            self._tell("phase", tag, phase)

    def clock_state(self, state: ClockState) -> None:
        """Tell how well a clock is known now, to those who want to hear it."""
        for observer in self._clock_observers:
            try:
                observer.clock(state)
            except Exception as error:  # noqa: BLE001 - an observer's fault never stops a run
                self._drop(observer, error)

    def tell_note(self, text: str) -> None:
        """Tell a note without keeping it."""
        self._tell("note", text)

    def tell(self, event: str, *facts: Any, **named: Any) -> None:
        """Tell all observers an event that is not evidence (run_started, judged, run_finished)."""
        self._tell(event, *facts, **named)

    def _tell(self, event: str, *facts: Any, **named: Any) -> None:
        for observer in tuple(self._observers):
            try:
                getattr(observer, event)(*facts, **named)
            except Exception as error:  # noqa: BLE001 - an observer's fault never stops a run
                self._drop(observer, error)

    def _drop(self, observer: Observer, error: Exception) -> None:
        """Let a faulty observer go, once and in plain words."""
        self._observers.remove(observer)
        self._listen()
        name = type(observer).__name__
        self.note(
            "observer", f"{name} failed ({type(error).__name__}: {error}) and was dropped; the run goes on"
        )
