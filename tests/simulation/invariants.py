"""What must hold of every run, whatever befell it. Each rule yields sentences about what does not hold.

wire       only reads leave this computer; one request in flight; gaps, pauses and budgets of connects and
           requests are kept; each request of the record was on the wire, each on the wire is in the record
truth      what counts as data is the answer that the gear gave to that very request
verdicts   every check that was due has a verdict; none passes without evidence, and none of a device that
           never answered; evidence is named that the record holds
record     it verifies; it carries the run's map and profiles to the byte; its verdicts are the run's;
           judging it again gives the same
end        the run ends, with nothing left behind, and says so when it is not complete
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterator
from functools import cache
from itertools import pairwise

from probe.collect.pacing import SECOND_NS, Pacing
from probe.model.evidence import Connect, ConnectOutcome, Exchange, Framing, Outcome
from probe.model.finding import Verdict
from probe.model.lineup import Lineup, SourceText
from probe.model.map_load import lineup_from_texts
from probe.model.profile_load import ProfileLibrary
from probe.record.content import RecordContent, lineup_of, load
from probe.record.header import Header
from probe.record.rejudge import judge_again
from probe.record.verify import verify
from tests.simulation.drawing import Case, Seat, in_network, profile_texts
from tests.simulation.run import Ran

_ANSWERED = (Outcome.DATA, Outcome.EXCEPTION)
#: Verdicts that rest on the map and its documents alone: no evidence of the wire can stand under them.
_OF_THE_MAP = ("desk.", "run.")
#: Named by the device that feeds the bus; the evidence is that of the others on it.
_OF_A_BUS = ("electrical.bus_voltage",)
#: Verdicts on whether and how fast a device answers: an exception is an answer, too.
_OF_ANSWERS = ("reach.", "reply.")
_PACING = Pacing()
_ROUNDING_NS = 1_000  # times of the run are whole nanoseconds, timers are floats


def violations(ran: Ran) -> list[str]:
    """Everything that does not hold; empty for a run as it should be."""
    found = [*ran.tap.wrong, *ran.left]
    if ran.failure:
        return [*found, f"the run failed: {ran.failure}"]
    content = load(ran.record)
    found += _wire(ran, content)
    found += _truth(ran, content)
    found += _record(ran, content)
    found += _verdicts(ran, content)
    found += _end(ran)
    return found


# wire --------------------------------------------------------------------------------------------------


def _wire(ran: Ran, content: RecordContent) -> Iterator[str]:
    exchanges = [one for _, one in content.evidence.get(Exchange, ())]
    by_link: dict[str, list[Exchange]] = defaultdict(list)
    for one in exchanges:
        by_link[ran.case.lineup.map.target(one.tag).link].append(one)
    connects = [one for _, one in content.evidence.get(Connect, ())]
    for seat in ran.case.seats:
        link = ran.case.lineup.map.target(next(iter(seat.units.values()))).link
        mine = [one for one in connects if one.host == link]
        yield from _link(ran, seat, link, by_link[link], mine)
    yield from _told(ran, exchanges)
    yield from _budgets(ran)
    yield from _attempts(ran, exchanges)


def _link(ran: Ran, seat: Seat, link: str, asked: list[Exchange], connects: list[Connect]) -> Iterator[str]:
    """Order, gaps and pauses of one link."""
    limits = [_limits(ran.case, tag) for tag in seat.units.values() if tag in ran.case.scope.tags]
    gap_ns = max((round(one.gap_s * SECOND_NS) for one in limits), default=0)
    pause_ns = max((round(one.connect_pause_s * SECOND_NS) for one in limits), default=0)
    sent = [one for one in asked if one.outcome is not Outcome.NOT_SENT]
    for one, following in pairwise(sent):
        between_ns = following.sent_ns - one.received_ns
        if between_ns < 0:
            yield f"{link}: two requests in flight, {one.sent_ns} and {following.sent_ns} ns"
        elif between_ns + _ROUNDING_NS < gap_ns:
            yield f"{link}: gap of {between_ns} ns before {following.sent_ns}, the type asks {gap_ns}"
    starts = [one.sent_ns for one in sent]
    for one in connects:
        if one.outcome is ConnectOutcome.OPEN and pause_ns:
            first = bisect_left(starts, one.received_ns)
            if first < len(starts) and starts[first] - one.received_ns + _ROUNDING_NS < pause_ns:
                yield f"{link}: asked {starts[first] - one.received_ns} ns after opening, pause {pause_ns}"
    yield from _connects(link, connects, [one.received_ns for one in asked if one.outcome in _ANSWERED])


def _connects(link: str, connects: list[Connect], answered: list[int]) -> Iterator[str]:
    """At most one connect a second; one in two seconds, and ten a minute, without a valid reply between."""
    floor_ns = round(_PACING.connect_floor_s * SECOND_NS)
    barren_ns = round(_PACING.connect_interval_s * SECOND_NS)
    run: list[int] = []
    for one in connects:
        if run and any(run[-1] <= at < one.sent_ns for at in answered[bisect_left(answered, run[-1]) :][:1]):
            least_ns, run = floor_ns, run[-1:]
        else:
            least_ns = barren_ns
        if run and one.sent_ns - run[-1] + _ROUNDING_NS < least_ns:
            yield f"{link}: connects {one.sent_ns - run[-1]} ns apart, at least {least_ns}"
        run.append(one.sent_ns)
        most = _PACING.connects_a_minute
        if len(run) > most and run[-1] - run[-1 - most] < 60 * SECOND_NS - _ROUNDING_NS:
            yield f"{link}: more than {most} connects within a minute"


def _told(ran: Ran, exchanges: list[Exchange]) -> Iterator[str]:
    """The record and the wire tell of the same requests."""
    kept = Counter((one.sent_ns, one.request) for one in exchanges if one.outcome is not Outcome.NOT_SENT)
    seen = Counter((one.at_ns, one.frame) for one in ran.tap.sent)
    tried = Counter((one.sent_ns, one.request) for one in exchanges if one.outcome is Outcome.NOT_SENT)
    missing = seen - kept - tried
    for at_ns, frame in kept - seen:
        yield f"the record tells of a request that was never on the wire: {at_ns} ns {frame.hex(' ')}"
    # Cut off in flight by the end of the run: at most one a place; a disk that failed loses what it loses.
    allowed = len(ran.case.seats) if ran.case.disturbed else 0
    if missing.total() > allowed and not ran.case.ledger:
        at_ns, frame = next(iter(missing))
        yield f"{missing.total()} requests are not in the record, as that at {at_ns} ns: {frame.hex(' ')}"


def _budgets(ran: Ran) -> Iterator[str]:
    """Requests a second of a network, where this computer was not held up."""
    if ran.case.stalls:
        return
    for network in ran.case.lineup.map.networks:
        rate = network.requests_per_second
        if rate is None or network.subnet is None:
            continue
        subnet = str(network.subnet)
        # A host drawn by its name lies in no network that the map could tell (docs/device-map.md).
        mine = {seat.place for seat in ran.case.seats if in_network(seat.host, subnet)}
        times = [one.at_ns for one in ran.tap.sent if one.place in mine]
        for first, at_ns in enumerate(times):
            window = times[first : bisect_left(times, at_ns + SECOND_NS)]
            if len(window) > rate + 2:
                yield f"{network.name}: {len(window)} requests in the second from {at_ns} ns, budget {rate}"
                break


def _attempts(ran: Ran, exchanges: list[Exchange]) -> Iterator[str]:
    """No request is repeated more often than the type allows.

    Busy devices are asked three times more; one connection that the device closed counts as no fault.
    """
    for one in exchanges:
        most = _limits(ran.case, one.tag).retries + 1 + _PACING.busy_tries + 1
        if one.attempt > most:
            yield f"{one.tag}: attempt {one.attempt} of one request, at most {most}"


# truth -------------------------------------------------------------------------------------------------


def _truth(ran: Ran, content: RecordContent) -> Iterator[str]:
    for number, one in content.evidence.get(Exchange, ()):
        if one.outcome is Outcome.DATA and (one.request, one.response) not in ran.tap.brought:
            yield f"line {number}, {one.tag}: took for data what nobody answered to {one.request.hex(' ')}"


# verdicts ----------------------------------------------------------------------------------------------


def _is_of_device(one: Exchange) -> bool:
    """True if something of the device came back, be it well-formed or not."""
    silent = (Outcome.NO_ANSWER, Outcome.CLOSED, Outcome.RESET, Outcome.NOT_SENT)
    anothers = one.outcome is Outcome.WRONG_UNIT and one.framing is Framing.RTU
    return one.outcome not in silent and not anothers


def _verdicts(ran: Ran, content: RecordContent) -> Iterator[str]:
    result = ran.result
    if result is None:
        return
    given = {(finding.check, finding.subject) for finding in result.findings}
    for due in ran.plan.expectations:
        if due.required and (due.check, due.subject) not in given:
            yield f"no verdict on {due.check}@{due.subject}"
    ids = Counter(finding.id for finding in result.findings)
    yield from (f"{name} stands {many} times" for name, many in ids.items() if many > 1)
    if ran.case.ledger:  # what was seen last may not be in the record, by its own account
        return
    spoke = {one.tag for _, one in content.evidence.get(Exchange, ()) if _is_of_device(one)}
    formless = {f.subject for f in result.findings if f.check == "reply.form" and f.verdict is Verdict.FAIL}
    valid = {one.tag for _, one in content.evidence.get(Exchange, ()) if one.outcome in _ANSWERED}
    spoke &= valid | formless
    told = {one.tag for _, one in content.evidence.get(Exchange, ()) if one.outcome is Outcome.DATA}
    numbers = {number for items in content.evidence.values() for number, _ in items}
    for finding in result.findings:
        if finding.check in _OF_A_BUS:
            continue
        if finding.verdict is Verdict.PASS and finding.subject in ran.case.lineup.map.by_tag:
            if finding.subject not in (spoke if finding.check.startswith(_OF_ANSWERS) else told):
                yield f"{finding.id} passes, but nothing was ever heard of it"
        elif finding.verdict is Verdict.PASS and not told and not finding.check.startswith(_OF_THE_MAP):
            yield f"{finding.id} passes, but no device ever gave data"
        if not set(finding.evidence) <= numbers:
            yield f"{finding.id} names evidence that the record does not hold"


# record ------------------------------------------------------------------------------------------------


def _record(ran: Ran, content: RecordContent) -> Iterator[str]:
    found = verify(ran.record)
    if ran.sealed and not found.holds:
        yield f"the record does not verify: {found}"
    lineup = ran.case.lineup
    if content.header.map_texts != lineup.map_texts or content.header.profile_texts != lineup.profile_texts:
        yield "the record carries other texts than the run was given"
        return
    again = judge_again(content, _lineup_of(ran.case, content.header))
    result = ran.result
    whole = result is not None and (not ran.case.ledger or bool(content.findings))
    if result is not None and not ran.case.ledger and content.findings != result.findings:
        yield "the record holds other verdicts than the run gave"
    if not whole or result is None:
        return
    for one in set(result.findings) ^ set(again.findings):
        yield f"judged again, {one.id} is another: {one.verdict} {one.observed}"
    if again.findings == result.findings and again.causes != result.causes:
        yield "judged again, the causes are others"
    if set(again.findings) == set(result.findings) and again.findings != result.findings:
        yield "judged again, the order of the verdicts is another"


def _lineup_of(case: Case, header: Header) -> Lineup:
    """The lineup made again from the record's texts.

    Profiles of the same texts are loaded once a process (half of the time of a run went there), in a library
    of these rules' own; every sixteenth seed loads them anew as the tool does.
    """
    if case.seed % 16 == 0:
        return lineup_of(header)
    library = _read_again(header.profile_texts)
    return lineup_from_texts(header.map_texts, library, header.study_texts)


def _read_again(texts: tuple[SourceText, ...]) -> ProfileLibrary:
    """A library that has these very texts; not the one that the run had its profiles from."""
    return next(
        (library for known, library in _own_libraries() if known.issuperset(texts)), ProfileLibrary.of(texts)
    )


@cache
def _own_libraries() -> tuple[tuple[frozenset[SourceText], ProfileLibrary], ...]:
    return tuple((frozenset(texts), ProfileLibrary.of(texts)) for texts in profile_texts())


# end ---------------------------------------------------------------------------------------------------


def _end(ran: Ran) -> Iterator[str]:
    case, result = ran.case, ran.result
    if result is None:
        return
    if result.complete and result.why_incomplete:
        yield "complete and not"
    if not result.complete and not case.disturbed and not _is_another_board(ran):
        yield f"not complete, though nothing ended it: {result.why_incomplete}"
    bound_s = _bound_s(ran)
    if ran.seconds > bound_s:
        yield f"took {ran.seconds:.0f} s, at most {bound_s:.0f}"


def _is_another_board(ran: Ran) -> bool:
    """True if the run may end itself, as several devices show serial numbers that are on no map."""
    parts = ran.case.stage.parts
    others = sum(parts[tag].identity.get("serial") == "XX99-00001" for tag in ran.case.scope.tags)
    return others >= 3


def _bound_s(ran: Ran) -> float:
    """So long a run may take at most: what it intends, every request at its worst, connects that fail."""
    case = ran.case
    worst_s = max(_limits(case, tag).first_timeout_s + 2.0 for tag in case.scope.tags)
    stalls_s = sum(length for _, length in case.stalls)
    return 120 + 4 * ran.plan.seconds + stalls_s * 4 + worst_s * 8 * max(40, ran.plan.requests)


def _limits(case: Case, tag: str):  # type: ignore[no-untyped-def]
    return case.lineup.profiles[case.lineup.map.by_tag[tag].profile].limits
