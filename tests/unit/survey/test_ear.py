"""What the ear keeps, counts and never keeps; and that a storm has no end in memory."""

from __future__ import annotations

from typing import Any

import pytest

from probe.collect.survey import ear as module
from probe.collect.survey.ear import Ear
from probe.model.frames import arp
from probe.model.frames.ethernet import encode
from probe.model.network_evidence import Frame, Listening, SecretSeen, Talk

MAC, OTHER = "02:00:5e:10:00:01", "02:00:5e:10:00:02"
SECOND = 1_000_000_000


class Clock:
    """A clock in the test's hand."""

    def __init__(self) -> None:
        self.ns = 0

    def now_ns(self) -> int:
        return self.ns

    def wall_ns(self) -> int:
        return self.ns


class Listener:
    """An ear with what it kept and said."""

    def __init__(self) -> None:
        self.clock, self.kept, self.said = Clock(), [], []  # type: ignore[var-annotated]
        self.ear = Ear("eth0", self.clock, self.kept.append, self.said.append)

    def hears(self, frame: bytes, times: int = 1, *, outgoing: bool = False) -> None:
        for _ in range(times):
            self.ear.take(frame, len(frame), outgoing)

    def of(self, kind: type) -> list[Any]:
        return [one for one in self.kept if isinstance(one, kind)]

    def ends(self, dropped: int = 0) -> tuple[list[Talk], Listening]:
        *talks, listening = self.ear.evidence(dropped, "raw socket")
        return [one for one in talks if isinstance(one, Talk)], listening  # type: ignore[return-value]


@pytest.fixture
def listener() -> Listener:
    return Listener()


def request(number: int, own: str = "192.0.2.9") -> bytes:
    return arp.request(f"02:00:5e:20:{number >> 8 & 255:02x}:{number & 255:02x}", own, "192.0.2.1")


def test_a_frame_that_only_repeats_is_counted_and_kept_twice(listener: Listener) -> None:
    """Twice, so that a record shows that it went on."""
    listener.hears(request(1), 50)
    assert len(listener.of(Frame)) == 2
    (talk,), listening = listener.ends()
    assert (talk.protocol, talk.frames, talk.octets) == ("arp", 50, 3000)
    assert (listening.frames, listening.octets) == (50, 3000)


def test_frames_of_this_computer_are_not_surveyed(listener: Listener) -> None:
    listener.hears(request(1), outgoing=True)
    assert listener.kept == []
    assert listener.ends() == ([], listener.ends()[1])


def test_who_claims_an_address_is_learned(listener: Listener) -> None:
    listener.hears(request(1, "192.0.2.9"))
    listener.hears(request(2, "192.0.2.9"))
    listener.hears(request(3, "0.0.0.0"))
    assert listener.ear.claims == {"192.0.2.9": {"02:00:5e:20:00:01", "02:00:5e:20:00:02"}}


def test_a_storm_of_invented_senders_is_bounded(listener: Listener, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_PAIRS", 50)
    for number in range(2_000):
        listener.hears(request(number))
    talks, listening = listener.ends(dropped=7)
    assert len(listener.of(Frame)) == module.MOST_OWNERS
    assert len(talks) == 50
    assert (listening.frames, listening.uncounted, listening.dropped) == (2_000, 1_950, 7)
    assert listening.busiest == listening.busiest_arp == 2_000


def test_one_sender_cannot_fill_the_record(listener: Listener, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_OF_ONE", 20)
    for number in range(100):
        listener.hears(arp.request(MAC, "192.0.2.9", f"192.0.2.{number + 1}"))
    assert len(listener.of(Frame)) == 20


def test_the_whole_record_has_a_bound_that_is_told_once(
    listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_FRAMES", 5)
    for number in range(20):
        listener.hears(arp.request(f"02:00:5e:20:00:{number:02x}", f"192.0.2.{number + 1}", "192.0.2.1"))
    assert len(listener.of(Frame)) == 5
    assert len(listener.said) == 1


def test_the_busiest_second_is_told(listener: Listener) -> None:
    listener.hears(request(1), 3)
    listener.clock.ns = SECOND
    listener.hears(request(1), 8)
    listener.clock.ns = 5 * SECOND
    listener.hears(request(1), 2)
    assert listener.ends()[1].busiest == 8


def test_of_others_conversations_nothing_behind_the_ports_is_kept(listener: Listener) -> None:
    """A community name in a datagram: told once a pair, with the frame cut before it."""
    payload = bytes.fromhex("3026020101") + b"\x04\x06hidden" + bytes(20)
    head = bytes.fromhex("4500003c0000000040110000") + bytes((192, 0, 2, 1, 192, 0, 2, 2))
    udp = (40_000).to_bytes(2) + (161).to_bytes(2) + (8 + len(payload)).to_bytes(2) + bytes(2)
    frame = encode(OTHER, MAC, 0x0800, head[:2] + (28 + len(payload)).to_bytes(2) + head[4:] + udp + payload)
    listener.hears(frame, 3)
    (secret,) = listener.of(SecretSeen)
    assert (secret.protocol, secret.what, secret.source, secret.default) == (
        "SNMP", "community name", "192.0.2.1", False,
    )  # fmt: skip
    (kept,) = listener.of(Frame)
    assert b"hidden" not in kept.data
    assert (kept.length, len(kept.data)) == (len(frame), 14 + 20 + 8)


def test_what_is_no_frame_is_counted_and_harms_nobody(listener: Listener) -> None:
    listener.hears(b"\0" * 5)
    listener.hears(encode(OTHER, MAC, 0x88CC, b"\xff\xff\xff"))
    assert listener.ends()[1].frames == 2
    assert len(listener.of(Frame)) == 1  # the malformed neighbour is evidence
