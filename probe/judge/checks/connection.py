"""Does the connection stay open between requests."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.check import DeviceCheck, Need
from probe.judge.context import DeviceContext
from probe.judge.limit import exactly, within
from probe.judge.wording import count
from probe.model.finding import Finding, Verdict

#: So many connections closed by the device after hardly a request are a habit; common practice, no source.
HABIT = 3
#: A connection that carried no more requests than this was hardly used.
HARDLY_USED = 2


def _run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    if not context.reach.is_alive:
        return
    by_peer = [(seq, one) for seq, one in context.evidence.disconnects if one.by_peer]
    short = [seq for seq, one in by_peer if one.requests <= HARDLY_USED]
    verdict = within(exactly(len(short)), None, HABIT - 1)
    right = verdict is Verdict.PASS
    yield check.find(
        context.tag,
        Verdict.PASS if right else Verdict.REVIEW,
        "The connection stays open" if right else "The device closes the connection after hardly a request",
        observed=f"closed {count(len(by_peer), 'time')} by the device",
        expected="open while it is used",
        evidence=() if right else tuple(short[:8]),
        advice=""
        if right
        else "Each request then needs a new connection: slow, and some devices stop for good after too "
        "many. Look "
        "whether its connections are held by other masters, and for an idle time-out in its settings.",
    )


CHECK = DeviceCheck(
    id="reach.connection",
    title="The connection stays open",
    needs=(Need.ATTEMPTS,),
    why="A device that hangs up all the time runs out of connections when several masters work, and then "
    "answers "
    "nobody.",
    source="MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 4.2 (from memory); limit: common "
    "practice, no source",
    since="0.1",
    danger=2,
    where="devices with an IP address of their own",
    run=_run,
    applies=lambda subject: subject.device.address.host is not None,
    required=lambda subject: False,
)
