"""Can the device be reached, how often does it stay silent, how long does it take to answer."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import inf

from probe.judge.check import DeviceCheck, Need
from probe.judge.checks.silence import ADVICE, EXPLAINED
from probe.judge.context import DeviceContext, Numbered
from probe.judge.facts import Reach
from probe.judge.held_up import stall_of, stalls_of
from probe.judge.limit import Interval, exactly, within
from probe.judge.reach import MALFORMED, is_lost
from probe.judge.statistic import percentile, share_bounds, trials_to_show
from probe.judge.wording import count, milliseconds, percent
from probe.model.finding import Finding, Verdict

#: A dwell so long makes enough requests to show the usual limit of 1 %: 368 without a loss at one a second.
LONG_S = 600.0


def _answers(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    reach = context.reach
    if reach.is_alive:
        yield _alive(check, context)
    elif reach.is_ours:
        yield check.untested(context.tag, reach.value, advice=ADVICE[reach])
    elif context.evidence.interrupted:
        yield check.untested(context.tag, f"the run ended while the device was silent ({reach.value})")
    else:
        yield check.find(
            context.tag,
            Verdict.FAIL,
            f"Does not answer: {EXPLAINED[reach]}",
            observed=_tries(context),
            expected="an answer",
            advice=ADVICE[reach],
            evidence=_sequences(context),
        )


def _alive(check: DeviceCheck, context: DeviceContext) -> Finding:
    sent = len(context.sent)
    lost = context.lost
    bounds = share_bounds(lost, sent)
    text = (
        f"{sent} of {sent} requests answered; true loss below {percent(bounds.high)} % (95 % bound)"
        if not lost
        else f"{sent - lost} of {sent} requests answered"
    )
    title = "Answers" if context.reach is Reach.ANSWERS else f"Reachable, {context.reach.value}"
    return check.find(
        context.tag, Verdict.PASS, title, observed=text, expected="an answer", evidence=(context.sent[0][0],)
    )


def _tries(context: DeviceContext) -> str:
    requests, connects = len(context.sent), len(context.evidence.connects)
    parts = [count(requests, "request")] if requests else []
    if connects:
        parts.append(count(connects, "connection attempt"))
    return f"{' in '.join(parts)}, no answer"


def _sequences(context: DeviceContext) -> tuple[int, ...]:
    """The attempts that show it: the requests, or the connections where none could be sent."""
    return tuple(seq for seq, _ in (context.sent or context.evidence.connects))[:8]


def _loss(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    sent = len(context.sent)
    lost = context.lost
    if not context.reach.is_alive or not (lost or context.scope.dwell_s >= LONG_S):
        return
    limit = context.map.tolerances.loss_percent
    bounds = share_bounds(lost, sent)
    verdict = within(Interval(bounds.low * 100, bounds.high * 100), None, limit)
    yield check.find(
        context.tag,
        verdict,
        f"{lost} of {sent} requests without an answer",
        observed=percent(lost / sent),
        expected=f"at most {limit:g}",
        unit="%",
        uncertainty=f"{percent(bounds.low)} to {percent(bounds.high)} (95 %, two-sided)",
        advice=_loss_advice(verdict, limit),
        evidence=tuple(seq for seq, exchange in context.sent if is_lost(exchange))[:8],
    )


def _loss_advice(verdict: Verdict, limit: float) -> str:
    if verdict is Verdict.PASS:
        return ""
    if verdict is Verdict.REVIEW and 0 < limit < 100:
        needed = trials_to_show(limit / 100)
        return (
            f"Too few requests to tell: {needed} without a loss show less than {limit:g} %. "
            "Repeat with --dwell 10m or longer and look at the share again."
        )
    return (
        "Look for a loose or overlong cable, a missing terminator, two devices with one address, or a device "
        "that is asked by too many masters."
    )


def _delay(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    limit = context.map.tolerances.reply_ms
    times = _times(context.sent, is_clean=context.is_clean)
    if not context.reach.is_alive or not times or times[0] == inf:
        return
    slowest = percentile(times, 95)
    verdict = within(exactly(slowest / 1e6), None, limit)
    if verdict is not Verdict.PASS and (stalls := stalls_of(context)):
        calm = [numbered for numbered in context.sent if not stall_of(numbered[1], stalls)]
        times = _times(calm, is_clean=context.is_clean)
        if not times:
            yield _own_fault(check, context, slowest, limit)
            return
        slowest = percentile(times, 95)
        verdict = within(exactly(slowest / 1e6), None, limit)
    middle, worst = percentile(times, 50), times[-1]
    yield check.find(
        context.tag,
        verdict,
        "Reply time" if verdict is Verdict.PASS else _slow_title(slowest),
        observed=f"{milliseconds(slowest)} (median {milliseconds(middle)}, longest {milliseconds(worst)})",
        expected=f"at most {limit:g}",
        unit="ms",
        advice="" if verdict is Verdict.PASS else _SLOW,
        evidence=() if verdict is Verdict.PASS else tuple(_slow(context, limit)),
    )


def _times(sent: Sequence[Numbered], *, is_clean: bool) -> list[float]:
    """Reply times in rising order, nanoseconds; infinite for requests without an answer."""
    if is_clean:
        return sorted([float(exchange.received_ns - exchange.sent_ns) for _, exchange in sent])
    return sorted(
        inf if is_lost(exchange) else float(exchange.received_ns - exchange.sent_ns)
        for _, exchange in sent
        if exchange.outcome not in MALFORMED  # bytes that came, but no reply whose time could be told
    )


_SLOW = (
    "Look whether another master polls the device at the same time, whether a dead unit on the same serial "
    "line holds the gateway up, and whether the gateway's serial speed is what the drawings say."
)


def _own_fault(check: DeviceCheck, context: DeviceContext, slowest: float, limit: float) -> Finding:
    stalls = stalls_of(context)
    touched = next(stall for _, exchange in context.sent if (stall := stall_of(exchange, stalls)))
    return check.find(
        context.tag,
        Verdict.REVIEW,
        "Slow, but this computer was held up at the time",
        observed=milliseconds(slowest),
        expected=f"at most {limit:g}",
        unit="ms",
        evidence=(touched, *_slow(context, limit)),
        advice="Close other programs and repeat: these times may be this computer's own.",
    )


def _slow_title(nanoseconds: float) -> str:
    if nanoseconds == inf:
        return "No reply time holds for 95 % of the requests: too many were lost"
    return f"Slow: 95 % of the replies within {milliseconds(nanoseconds)} ms"


def _slow(context: DeviceContext, limit_ms: float) -> Iterable[int]:
    slow = [seq for seq, e in context.sent if e.received_ns - e.sent_ns > limit_ms * 1e6]
    return slow[:8]


ANSWERS = DeviceCheck(
    id="reach.answers",
    title="The device answers",
    needs=(Need.ATTEMPTS,),
    why="A breaker or meter that nobody can reach is blind in operation: its trips, alarms and remote state "
    "never arrive, and people go to the gear without knowing what it holds.",
    source="MODBUS Application Protocol Specification V1.1b3, 7 (0A and 0B told apart)",
    since="0.1",
    danger=6,
    where="every device",
    run=_answers,
)

LOSS = DeviceCheck(
    id="reach.loss",
    title="Share of requests without an answer",
    needs=(Need.ATTEMPTS,),
    why="Lost requests delay or drop alarms and turn up as unexplained gaps in trends. A few polls cannot "
    "show a "
    "small share, so only a long run must give this verdict; any run that lost something gives it as well.",
    source="Clopper and Pearson, Biometrika 26 (1934), exact bounds; limit: map tolerances",
    since="0.1",
    danger=4,
    where="every device, in a run with --dwell of 10 minutes or more, and whenever a request was lost",
    run=_loss,
    applies=lambda subject: subject.scope.dwell_s >= LONG_S,
    unasked=True,
)

DELAY = DeviceCheck(
    id="reach.delay",
    title="Reply time",
    needs=(Need.REPLIES,),
    why="Slow replies make the master's poll cycle longer than its time-outs; values and alarms come late or "
    "not at all.",
    source="RFC 2330, 11.3 (percentile as nearest rank); limit: map tolerances",
    since="0.1",
    danger=3,
    where="every device",
    run=_delay,
)
