"""What fuzzing found in the links: every wait comes to its end, whatever the other units say meanwhile."""

from __future__ import annotations

import asyncio

from probe.model.evidence import Outcome, Purpose, Stray
from probe.model.pdu import read_request
from probe.model.profile import Quirks
from probe.wire.link import Request
from tests.fuzz.targets import links


def _asked(unit: int) -> Request:
    return Request(f"Q{unit}", Purpose.POLL, 1, 1, unit, read_request(3, 0, 2), 1.0)


def test_a_late_answer_that_only_silence_ends_does_not_take_the_wait_with_it() -> None:
    """Unit 5 owes an answer; while 6 is asked, it comes, its byte count wrong and its checksum right.

    It is known for a frame only at the time-out, and 6 has then given no answer. The wait never ended.
    """

    async def talk() -> tuple[Outcome, Outcome, list[Stray]]:
        wire = links.Wire(loop)
        link = links.Rtu("rtu", wire, wire.strays.append, silence_s=0.0, closes=True)
        link.wire, wire.link = wire, link
        await link.open(1.0)
        first = await link.exchange(_asked(5), Quirks())
        second = asyncio.ensure_future(link.exchange(_asked(6), Quirks()))
        await asyncio.sleep(0.1)
        late = bytes((5, 3, 30, 1, 2, 3, 4))
        wire.deliver(late + links.crc(late))
        ended = await asyncio.wait_for(second, 60)
        await link.close()
        return first.outcome, ended.outcome, wire.strays

    loop = links.virtual_loop()
    try:
        first, second, strays = loop.run_until_complete(talk())
    finally:
        links.close()
    assert (first, second) == (Outcome.NO_ANSWER, Outcome.NO_ANSWER)
    assert [(one.outcome, one.tag) for one in strays] == [(Outcome.LATE, "Q5")]
