"""What goes wrong on a wire, one case each: the answer still finds its request, and the fault is counted."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest

from probe.model.capture import CaptureFigures
from probe.practice import packets
from probe.practice.packets import ACK, FIN, RST, SYN, Connection, End, Packet, arp, ethernet, ip4, modbus

Figures = Callable[[bytes], CaptureFigures]
MS = 1_000_000
READ = bytes((3, 0, 100, 0, 2))
DATA = bytes((3, 4, 0, 1, 0, 2))
WRITE = bytes((16, 0, 100, 0, 2, 4, 0, 1, 0, 2))
WRITTEN = bytes((16, 0, 100, 0, 2))


class Story:
    """Frames one after the other, 5 ms apart unless told."""

    def __init__(self) -> None:
        self.wire = Connection()
        self.found: list[Packet] = []
        self.now = 1_760_000_000 * 1000 * MS

    def frame(self, data: bytes, after_ms: float = 5) -> bytes:
        """Put a frame on the wire."""
        self.now += round(after_ms * MS)
        self.found.append(Packet(self.now, data))
        return data

    def ask(self, number: int, pdu: bytes = READ, after_ms: float = 5, unit: int = 1) -> bytes:
        return self.frame(self.wire.say(modbus(number, unit, pdu), by_server=False), after_ms)

    def answer(self, number: int, pdu: bytes = DATA, after_ms: float = 5, unit: int = 1) -> bytes:
        return self.frame(self.wire.say(modbus(number, unit, pdu), by_server=True), after_ms)

    def opened(self) -> Story:
        """The connection after its first two segments."""
        self.frame(self.wire.say(b"", by_server=False, flags=SYN))
        self.frame(self.wire.say(b"", by_server=True, flags=SYN | ACK))
        return self

    def file(self) -> bytes:
        return packets.pcapng(self.found)


def times_ms(seen: CaptureFigures) -> tuple[float, float]:
    assert seen.reply is not None
    return seen.reply.least_ns / MS, seen.reply.most_ns / MS


def test_a_retransmission_is_no_second_request(figures: Figures) -> None:
    story = Story()
    story.ask(1)
    story.frame(story.wire.segment(1000, 900_000, modbus(1, 1, READ), by_server=False), 300)
    story.answer(1, after_ms=10)
    seen = figures(story.file())
    assert (seen.totals["requests_seen"], seen.totals["matched"]) == (1, 1)
    assert seen.totals["mb_retransmitted"] == 1
    assert times_ms(seen) == (310, 310), "from the first time that the request was on the wire"


def test_a_copy_by_the_mirror_is_no_retransmission(figures: Figures) -> None:
    story = Story()
    story.frame(story.ask(1), 0.002)
    story.frame(story.answer(1), 0.002)
    totals = figures(story.file()).totals
    assert (totals["requests_seen"], totals["responses_seen"], totals["mb_copies"]) == (1, 1, 2)
    assert totals["retransmitted"] == 0


def test_new_bytes_ride_inside_a_retransmission(figures: Figures) -> None:
    story = Story()
    story.ask(1)
    both = modbus(1, 1, READ) + modbus(2, 1, READ)
    story.frame(story.wire.segment(1000, 900_000, both, by_server=False))
    story.wire.client.sent += 12
    story.answer(1)
    story.answer(2)
    totals = figures(story.file()).totals
    assert (totals["requests_seen"], totals["matched"], totals["mb_partly_new"]) == (2, 2, 1)


def test_segments_out_of_order(figures: Figures) -> None:
    story = Story().opened()
    first = story.wire.say(modbus(1, 1, READ)[:5], by_server=False)
    second = story.wire.say(modbus(1, 1, READ)[5:], by_server=False)
    story.frame(second)
    story.frame(first)
    story.answer(1)
    totals = figures(story.file()).totals
    assert (totals["requests_seen"], totals["matched"], totals["split"]) == (1, 1, 1)
    assert totals["holes_skipped"] == 0


def test_a_hole_of_the_capture_is_passed_once_acknowledged(figures: Figures) -> None:
    story = Story().opened()
    story.ask(1)
    story.wire.say(modbus(1, 1, DATA), by_server=True)  # never captured
    story.ask(2)
    story.answer(2)
    story.ask(3)
    story.answer(3)
    seen = figures(story.file())
    assert (seen.totals["requests_seen"], seen.totals["matched"]) == (3, 2)
    assert seen.totals["mb_holes"] == 1
    assert [one.frame for one in seen.unanswered] == [3]


def test_an_id_used_for_everything_is_not_shifted_by_a_lost_answer(figures: Figures) -> None:
    """A master that always uses id 7 gives up on the first; oldest-first would shift all later ones."""
    story = Story()
    story.ask(7)
    for _ in range(10):
        story.ask(7, after_ms=1000)
        story.answer(7, after_ms=20)
    seen = figures(story.file())
    assert (seen.totals["matched"], seen.totals["reused"]) == (10, 10)
    assert times_ms(seen) == (20, 20)


def test_a_burst_with_one_id_is_answered_in_order(figures: Figures) -> None:
    story = Story()
    for _ in range(3):
        story.ask(7, after_ms=1)
    for _ in range(3):
        story.answer(7, after_ms=10)
    seen = figures(story.file())
    assert seen.totals["matched"] == 3
    assert times_ms(seen) == (12, 30)


def test_answers_out_of_order_by_id(figures: Figures) -> None:
    story = Story()
    for number in (1, 2, 3):
        story.ask(number)
    for number in (3, 1, 2):
        story.answer(number)
    seen = figures(story.file())
    assert seen.totals["matched"] == 3
    assert seen.totals["most_open"] == 3
    assert seen.devices[0].in_flight == 3


def test_frames_in_the_wrong_order_in_the_file(figures: Figures) -> None:
    story = Story()
    story.ask(1)
    story.answer(1)
    seen = figures(packets.pcapng(reversed(story.found)))
    assert seen.totals["matched"] == 1
    assert seen.totals["backward"] == 1
    assert times_ms(seen) == (5, 5)


def test_an_exception_has_a_reply_time_too(figures: Figures) -> None:
    story = Story()
    story.ask(1)
    story.answer(1, bytes((0x83, 2)), 40)
    seen = figures(story.file())
    assert seen.devices[0].exception_codes == ((2, 1),)
    assert times_ms(seen) == (40, 40)


def test_an_answer_sent_twice_is_told(figures: Figures) -> None:
    story = Story()
    story.ask(1)
    story.answer(1)
    story.answer(1)
    seen = figures(story.file())
    assert (seen.totals["matched"], seen.devices[0].repeated) == (1, 1)


def test_writes_and_by_whom(figures: Figures) -> None:
    story = Story()
    story.ask(1, WRITE)
    story.answer(1, WRITTEN)
    story.ask(2, bytes((5, 0, 7, 0xFF, 0)))
    story.answer(2, bytes((0x85, 4)))
    writes = {write.function: write for write in figures(story.file()).writes}
    assert (writes[16].client, writes[16].server, writes[16].unit) == ("192.0.2.10", "192.0.2.20", 1)
    assert (writes[16].done, writes[16].refused, writes[16].low, writes[16].high) == (1, 0, 100, 101)
    assert (writes[5].done, writes[5].refused, writes[5].low) == (0, 1, 7)


def test_the_interval_of_polls_and_its_jitter(figures: Figures) -> None:
    story = Story()
    for number in range(101):
        story.ask(number, after_ms=980 if number % 2 else 1000)
        story.answer(number, after_ms=10)
    (poll,) = figures(story.file()).devices[0].polls
    assert (poll.function, poll.start, poll.quantity, poll.intervals) == (3, 100, 2, 100)
    assert poll.mean_ns == pytest.approx(1000 * MS, abs=1000)
    assert (poll.least_ns, poll.most_ns) == (990 * MS, 1010 * MS)
    assert poll.jitter_ns == pytest.approx(10 * MS, rel=0.01)


def test_another_protocol_on_the_port(figures: Figures) -> None:
    story = Story()
    story.frame(story.wire.say(b"GET / HTTP/1.0\r\n\r\n", by_server=False))
    story.ask(1)
    story.answer(1)
    totals = figures(story.file()).totals
    assert (totals["not_modbus"], totals["not_modbus_bytes"], totals["matched"]) == (1, 18, 1)


def test_a_connection_from_its_opening_to_its_end(figures: Figures) -> None:
    story = Story()
    story.frame(story.wire.say(b"", by_server=False, flags=SYN))
    story.frame(story.wire.say(b"", by_server=True, flags=SYN | ACK))
    story.ask(1)
    story.answer(1)
    story.frame(story.wire.say(b"", by_server=False, flags=FIN | ACK))
    story.frame(story.wire.say(b"", by_server=True, flags=FIN | ACK))
    totals = figures(story.file()).totals
    assert (totals["opened"], totals["syn"], totals["syn_ack"], totals["fin"]) == (1, 1, 1, 2)
    assert totals["matched"] == 1


def test_a_refused_connection(figures: Figures) -> None:
    story = Story()
    story.frame(story.wire.say(b"", by_server=False, flags=SYN))
    story.frame(story.wire.segment(0, 1001, b"", by_server=True, flags=RST | ACK))
    assert figures(story.file()).totals["refused"] == 1


def test_a_port_that_is_used_again(figures: Figures) -> None:
    story = Story()
    for start in (5000, 9_000_000):
        story.wire = Connection(client=End("192.0.2.10", 40_000, "02:00:5e:10:00:01", start=start))
        story.frame(story.wire.say(b"", by_server=False, flags=SYN))
        story.ask(1)
    seen = figures(story.file())
    assert (seen.totals["opened"], seen.totals["requests_seen"], seen.totals["reused"]) == (2, 2, 0)


def test_two_hosts_with_one_address(figures: Figures) -> None:
    story = Story()
    for last in (1, 2):
        me = f"02:00:5e:10:00:0{last}"
        claim = arp(2, (me, "192.0.2.30"), ("ff:ff:ff:ff:ff:ff", "192.0.2.30"))
        story.frame(ethernet(me, "ff:ff:ff:ff:ff:ff", 0x0806, claim))
    seen = figures(story.file())
    (conflict,) = seen.conflicts
    assert conflict.address == "192.0.2.30"
    assert conflict.by_arp
    assert (seen.totals["arp_gratuitous"], seen.totals["broadcast"]) == (2, 2)


def test_a_storm_is_measured_by_the_second(figures: Figures) -> None:
    """RFC 2544 arithmetic: a 64-byte frame takes 84 bytes of the wire, with preamble and gap."""
    story = Story()
    frame = ethernet("02:00:5e:10:00:01", "ff:ff:ff:ff:ff:ff", 0x88B6, b"storm")
    for _ in range(3000):
        story.frame(frame, 0.5)
    totals = figures(story.file()).totals
    assert totals["peak_group"] == 2000
    assert totals["peak_bytes"] == 2000 * 84


def test_talkers_stay_visible_in_a_flood_of_made_up_addresses(figures: Figures) -> None:
    story = Story()
    for number in range(9000):
        story.frame(
            ethernet(
                "02:00:5e:10:00:01",
                "02:00:5e:10:00:02",
                0x0800,
                ip4(
                    f"198.18.{number >> 8}.{number & 255}", "192.0.2.1", 17, struct.pack(">HHHH", 9, 9, 8, 0)
                ),
            ),
            0.01,
        )
        if number % 50 == 0:
            story.ask(number, after_ms=0.01)
    seen = figures(story.file())
    assert seen.talkers[0].address == "192.0.2.10"
    assert seen.totals["hosts_full"] >= 1
    assert any("hosts" in words for words in seen.left_out)
    assert sum(one.frames for one in seen.talkers) + seen.totals["other_frames"] <= seen.packets


def test_more_connections_than_the_table_holds(figures: Figures) -> None:
    story = Story()
    for number in range(6000):
        story.wire = Connection(
            client=End(f"192.0.2.{10 + number // 3000}", 20_000 + number % 3000, "02:00:5e:10:00:01")
        )
        story.ask(1, after_ms=0.01)
        story.answer(1, after_ms=0.01)
    totals = figures(story.file()).totals
    assert (totals["opened"], totals["matched"]) == (6000, 6000)
    assert totals["evicted"] == 6000 - 2048


def test_a_long_capture_keeps_a_bounded_course(figures: Figures) -> None:
    story = Story()
    for number in range(200):
        story.ask(number, after_ms=60_000)
        story.answer(number)
    seen = figures(story.file())
    assert len(seen.moments) <= 1024
    assert seen.moment_ns == 16_000 * MS
    assert sum(moment.packets for moment in seen.moments) == 400
    assert sum(moment.replies for moment in seen.moments) == 200


def test_an_answer_that_does_not_acknowledge_the_request_is_not_its_answer(figures: Figures) -> None:
    """It answers a request from before the capture that had the same id."""
    story = Story()
    story.ask(7)
    story.frame(story.wire.segment(900_000, 1000, modbus(7, 1, DATA), by_server=True))
    story.wire.server.sent += 13
    story.answer(7, after_ms=30)
    seen = figures(story.file())
    assert (seen.totals["responses_seen"], seen.totals["matched"]) == (2, 1)
    assert times_ms(seen) == (35, 35)


def test_a_request_that_acknowledges_more_than_the_answer_came_after_it(figures: Figures) -> None:
    story = Story()
    story.answer(7)
    story.frame(story.wire.segment(1000, 900_013, modbus(7, 1, READ), by_server=False))
    seen = figures(packets.pcapng([*story.found]))
    assert seen.totals["matched"] == 0
