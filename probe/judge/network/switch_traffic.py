"""Checks on the traffic of a switch's ports: errors, discards, load, broadcasts; rates, never totals."""

from __future__ import annotations

from collections.abc import Iterator

from probe.judge.check import LineupCheck
from probe.judge.limit import Interval, within
from probe.judge.lineup_context import LineupContext
from probe.judge.network.rates import Change, change
from probe.judge.network.switch_check import agent_check
from probe.judge.network.switch_view import Interface, SwitchView
from probe.judge.network.utilisation import load
from probe.judge.wording import AT_THE_GEAR, count, percent, span
from probe.model.finding import Finding, Verdict

#: Common practice, no source.
BUSY_SHARE = 0.5
BROADCASTS_REVIEW, BROADCASTS_FAIL = 100.0, 1000.0

_ERRORS = (
    "ifInErrors",
    "ifOutErrors",
    "dot3StatsAlignmentErrors",
    "dot3StatsFCSErrors",
    "dot3StatsLateCollisions",
)
_DISCARDS = ("ifInDiscards", "ifOutDiscards")
_WORDS = {
    "ifInErrors": "received in error",
    "ifOutErrors": "not sent for errors",
    "dot3StatsAlignmentErrors": "alignment errors",
    "dot3StatsFCSErrors": "checksum errors",
    "dot3StatsLateCollisions": "late collisions",
    "ifInDiscards": "received and dropped",
    "ifOutDiscards": "not sent and dropped",
}


# --- errors and discards -----------------------------------------------------------------------------------


def _errors(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterator[Finding]:
    yield from _counted(check, view, _ERRORS, Verdict.FAIL, "Frames lost to errors at port {}")


def _discards(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterator[Finding]:
    yield from _counted(check, view, _DISCARDS, Verdict.REVIEW, "Frames dropped for want of room at port {}")


def _counted(
    check: LineupCheck, view: SwitchView, names: tuple[str, ...], verdict: Verdict, title: str
) -> Iterator[Finding]:
    """A finding for each port whose counters rose; one for all the others."""
    clean: list[Change] = []
    rose, calm = 0, 0
    unknown: dict[str, str] = {}
    for one in view.ports:
        found = {name: seen for name in names if (seen := change(view, name, one)) is not None}
        risen = {name: seen for name, seen in found.items() if seen.rise}
        unknown.update((one.name, seen.reason) for seen in found.values() if seen.reason)
        if risen:
            rose += 1
            yield _risen(check, view, one, risen, verdict, title)
        else:
            calm += bool(found)
            clean += [seen for seen in found.values() if not seen.reason]
    if unknown:
        port, reason = next(iter(unknown.items()))
        yield check.untested(view.tag, f"{reason} ({count(len(unknown), 'port')}, first {port})")
    elif clean:
        worst = max(clean, key=lambda seen: seen.seconds.high)
        yield check.find(
            view.tag,
            Verdict.PASS,
            f"{check.title} ({count(calm, 'other port' if rose else 'port')})",
            observed=f"0 in {span(worst.seconds.low)}",
            expected="0 while watched",
            evidence=worst.lines,
        )


def _risen(
    check: LineupCheck,
    view: SwitchView,
    one: Interface,
    risen: dict[str, Change],
    verdict: Verdict,
    title: str,
) -> Finding:
    rate = max((seen.a_second for seen in risen.values()), key=lambda rate: rate.high)
    told = ", ".join(f"{seen.rise} {_WORDS[name]}" for name, seen in risen.items())
    longest = max(seen.seconds.high for seen in risen.values())
    return check.find(
        view.tag,
        verdict,
        title.format(one.name),
        observed=f"{told} in {span(longest)}",
        expected="0 while watched",
        uncertainty=f"{rate.low:.3g} to {rate.high:.3g} a second at most",
        point=one.name,
        evidence=tuple(line for seen in risen.values() for line in seen.lines),
        advice=(
            "Clean and reseat plug or fibre, measure the cable, compare the duplex of both sides. "
            + AT_THE_GEAR
            if verdict is Verdict.FAIL
            else "More comes than the port can carry, or a filter drops it: see the load of this port."
        ),
    )


# --- load and broadcasts -----------------------------------------------------------------------------------


def _load(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterator[Finding]:
    busiest: tuple[Interval, str, tuple[int, ...]] | None = None
    reasons: list[str] = []
    for one in view.ports:
        for way, word in (("In", "received"), ("Out", "sent")):
            found = load(view, one, way) if one.up else None
            if isinstance(found, str):
                reasons.append(f"{one.name}: {found}")
            elif found is not None:
                share, lines = found
                verdict = within(share, None, BUSY_SHARE)
                if verdict is not Verdict.PASS:
                    yield _busy(check, view, f"{one.name} ({word})", share, lines)
                if busiest is None or share.high > busiest[0].high:
                    busiest = (share, f"{one.name} ({word})", lines)
    if busiest is not None and within(busiest[0], None, BUSY_SHARE) is Verdict.PASS:
        yield check.find(
            view.tag,
            Verdict.PASS,
            f"No port carries more than {percent(busiest[0].high)} % of its speed",
            observed=f"{percent(busiest[0].middle)} at {busiest[1]}",
            expected=f"at most {percent(BUSY_SHARE)}",
            unit="%",
            uncertainty=_between(busiest[0]),
            evidence=busiest[2],
        )
    elif busiest is None and reasons:
        yield check.untested(view.tag, reasons[0])


def _busy(
    check: LineupCheck, view: SwitchView, where: str, share: Interval, lines: tuple[int, ...]
) -> Finding:
    return check.find(
        view.tag,
        Verdict.REVIEW,
        f"Port {where} carries much of what it can",
        observed=percent(share.middle),
        expected=f"at most {percent(BUSY_SHARE)}",
        unit="%",
        uncertainty=_between(share),
        point=where,
        evidence=lines,
        advice="An average over the dwell: bursts are fuller. See who talks most, and whether it must share "
        "this link with protection and control.",
    )


def _between(share: Interval) -> str:
    return f"{percent(share.low)} to {percent(share.high)}"


def _broadcasts(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterator[Finding]:
    found = [
        (one, seen)
        for one in view.ports
        if one.up and (seen := change(view, "ifHCInBroadcastPkts", one, bits=64)) is not None
    ]
    usable = [(one, seen) for one, seen in found if not seen.reason]
    if not usable:
        return
    one, worst = max(usable, key=lambda pair: pair[1].a_second.high)
    rate = worst.a_second
    failed = within(rate, None, BROADCASTS_FAIL)
    verdict = failed if failed is not Verdict.PASS else within(rate, None, BROADCASTS_REVIEW)
    if failed is Verdict.PASS and verdict is Verdict.FAIL:
        verdict = Verdict.REVIEW
    yield check.find(
        view.tag,
        verdict,
        "Broadcasts are few" if verdict is Verdict.PASS else f"Many broadcasts come in at port {one.name}",
        observed=f"{rate.middle:.3g} (port {one.name})",
        expected=f"at most {BROADCASTS_REVIEW:g}, never above {BROADCASTS_FAIL:g}",
        unit="a second",
        uncertainty=f"{rate.low:.3g} to {rate.high:.3g}",
        point="" if verdict is Verdict.PASS else one.name,
        evidence=worst.lines,
        advice=""
        if verdict is Verdict.PASS
        else "Every device must look at every broadcast: small ones fall silent. Look for a loop first.",
    )


CHECKS: tuple[LineupCheck, ...] = (
    agent_check(
        _errors,
        id="switch.errors",
        title="No frames lost to errors",
        lacks="error counters (IF-MIB) twice",
        why="A fibre or plug that loses one frame in a thousand delays one trip alarm in a thousand by a "
        "retransmission, and gets worse.",
        source="RFC 2863 (IF-MIB), RFC 3635 (EtherLike-MIB); limit 0: common practice, no source",
        danger=6,
        twice=True,
    ),
    agent_check(
        _discards,
        id="switch.discards",
        title="No frames dropped for want of room",
        lacks="discard counters (IF-MIB) twice",
        why="Dropped frames were whole: more comes than a port can carry.",
        source="RFC 2863 (IF-MIB: ifInDiscards, ifOutDiscards); limit 0: common practice, no source",
        danger=3,
        twice=True,
    ),
    agent_check(
        _load,
        id="switch.load",
        title="Links have room",
        lacks="octet counters and speeds (IF-MIB) twice",
        why="A link that is half full on average is full in bursts, and alarms come in bursts.",
        source="RFC 2863 (IF-MIB: ifHCInOctets, ifHCOutOctets); limit: common practice, no source",
        danger=3,
        twice=True,
    ),
    agent_check(
        _broadcasts,
        id="switch.broadcasts",
        title="Broadcasts are few",
        lacks="broadcast counters (IF-MIB) twice",
        why="Small devices fall silent when they must look at thousands of broadcasts a second.",
        source="RFC 2863 (IF-MIB: ifHCInBroadcastPkts); limits: common practice, no source",
        danger=6,
        twice=True,
    ),
)
