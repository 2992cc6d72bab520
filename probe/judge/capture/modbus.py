"""Checks on the Modbus traffic of a capture: answers, exceptions, reply times, writes, stray bytes."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.capture.check import FILE, CaptureCheck, CaptureView
from probe.judge.check import Need
from probe.judge.limit import Interval, within
from probe.judge.statistic import share_bounds
from probe.judge.wording import count, instant, listed, milliseconds, percent, some, span
from probe.model.capture import DeviceTraffic, WriteSeen
from probe.model.finding import Finding, Verdict

#: Share of requests that may stay unanswered, percent; common practice, no source. A map states its own.
LOSS_PERCENT = 1.0
#: Masters commonly give up after a second; common practice, no source.
PATIENCE_MS = 1000.0
_WRITES = {
    5: "write one coil",
    6: "write one register",
    15: "write coils",
    16: "write registers",
    21: "write a file record",
    22: "mask a register",
    23: "write and read registers",
}
#: Exceptions that are about the way to the device, not about what was asked.
_GATEWAY = (10, 11)
#: So few requests are somebody who looks whether a unit is there; common practice, no source.
_FEW = 10
_NO_MODBUS = "no Modbus in the capture"


def _answers(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    limit = view.site.tolerances.loss_percent if view.site is not None else LOSS_PERCENT
    for device in view.figures.devices:
        if device.requests:
            yield _answered(check, view, device, limit)
    if not view.figures.devices:
        yield check.untested(FILE, _NO_MODBUS)


def _answered(check: CaptureCheck, view: CaptureView, device: DeviceTraffic, limit: float) -> Finding:
    bounds = share_bounds(device.unanswered, device.requests)
    seen = Interval(bounds.low * 100, bounds.high * 100)
    verdict = within(seen, None, limit) if device.unanswered else Verdict.PASS
    lost_here = view.totals["mb_holes"] + view.totals["dropped_by_capture"]
    if verdict is Verdict.FAIL and (lost_here or device.requests < _FEW):
        verdict = Verdict.REVIEW  # the capture itself lost bytes, or somebody only looked who is there
    title = (
        f"{device.unanswered} of {count(device.requests, 'request')} without an answer{_frames(view, device)}"
        if device.unanswered
        else f"All of {count(device.requests, 'request')} answered"
    )
    return check.find(
        view.subject(device),
        verdict,
        title,
        observed=percent(device.unanswered / device.requests),
        expected=f"at most {limit:g}",
        unit="%",
        uncertainty=f"{percent(bounds.low)} to {percent(bounds.high)} (95 %, two-sided)",
        advice="" if verdict is Verdict.PASS else _loss_advice(lost=bool(lost_here)),
    )


def _frames(view: CaptureView, device: DeviceTraffic) -> str:
    """Where the unanswered requests stand in the file, as far as they are remembered."""
    place = (device.server, device.port, device.unit)
    frames = dict.fromkeys(
        str(one.frame) for one in view.figures.unanswered if (one.server, one.port, one.unit) == place
    )
    return f", frame {some(list(frames), 3)}" if frames else ""


def _loss_advice(*, lost: bool) -> str:
    if lost:
        return "The capture itself lost frames: take it again nearer to the device, then judge."
    return (
        "Look whether the device was switched off, is asked by too many masters, or sits on a disturbed "
        "line. "
        "A request in the last second of a capture may only lack its answer."
    )


ANSWERS = CaptureCheck(
    id="capture.answers",
    title="Requests in the capture are answered",
    needs=(Need.CAPTURE,),
    why="A request without an answer is a hole in what the plant's master knows: it acts on old values "
    "until the "
    "next poll, or calls the device lost.",
    source="rule: map tolerances loss_percent; 1 % where there is no map, common practice, no source",
    since="0.3",
    danger=6,
    where="each Modbus unit that was asked in the capture",
    run=_answers,
)


def _exceptions(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    for device in view.figures.devices:
        if device.exceptions:
            yield _refused(check, view, device)
    if not view.figures.devices:
        yield check.untested(FILE, _NO_MODBUS)
    elif not any(device.exceptions for device in view.figures.devices):
        yield check.find(FILE, Verdict.PASS, "No exception in the capture", observed="0", expected="0")


def _refused(check: CaptureCheck, view: CaptureView, device: DeviceTraffic) -> Finding:
    codes = listed(f"{many} with code {code or 'above 15'}" for code, many in device.exception_codes)
    gateway = sum(many for code, many in device.exception_codes if code in _GATEWAY)
    return check.find(
        view.subject(device),
        Verdict.FAIL if gateway else Verdict.REVIEW,
        f"{count(device.exceptions, 'exception')} in {count(device.responses, 'answer')}",
        observed=codes,
        expected="none",
        advice="The gateway does not reach the unit behind it: check line, address and power of the unit."
        if gateway
        else "Somebody asks for what the device does not have (codes 1 to 3) or what it cannot do now (4 "
        "to 6): "
        "compare the master's list of registers with the device's manual.",
    )


EXCEPTIONS = CaptureCheck(
    id="capture.exceptions",
    title="No exceptions in the capture",
    needs=(Need.CAPTURE,),
    why="An exception is a refusal: a wrong register list in the master, or a gateway that cannot reach "
    "its unit. "
    "The master shows nothing, or an old value.",
    source="MODBUS Application Protocol Specification V1.1b3, 7",
    since="0.3",
    danger=5,
    where="each Modbus unit that answered in the capture",
    run=_exceptions,
)


def _reply_time(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    for device in view.figures.devices:
        if device.reply is not None:
            yield _timed(check, view, device)
    if view.figures.reply is None:
        yield check.untested(FILE, "no request with its answer in the capture")


def _timed(check: CaptureCheck, view: CaptureView, device: DeviceTraffic) -> Finding:
    reply = device.reply
    assert reply is not None
    slow = reply.p99_ns / 1e6
    verdict = within(Interval(slow * (1 - reply.share), slow * (1 + reply.share)), None, PATIENCE_MS)
    if verdict is Verdict.PASS and reply.most_ns / 1e6 > PATIENCE_MS:
        verdict = Verdict.REVIEW
    return check.find(
        view.subject(device),
        verdict,
        f"Answers within {milliseconds(reply.median_ns)} ms (median), {milliseconds(reply.p99_ns)} ms (99 %)",
        observed=f"99 % within {milliseconds(reply.p99_ns)}, longest {milliseconds(reply.most_ns)}",
        expected=f"99 % within {PATIENCE_MS:g}",
        unit="ms",
        uncertainty=f"{percent(reply.share)} %" if reply.share else "as finely as the capture's clock",
        advice=""
        if verdict is Verdict.PASS
        else "Masters commonly give up after a second: look for several masters at one device, a gateway "
        "whose "
        "units wait for each other, or a unit that is missing on the line and makes the gateway wait.",
    )


REPLY_TIME = CaptureCheck(
    id="capture.reply_time",
    title="Answers come before masters give up",
    needs=(Need.CAPTURE,),
    why="A master that gives up first asks again, and doubles the load on a device that is slow already; "
    "the late "
    "answer may be taken for the next one's.",
    source="common practice, no source: 99 % within 1 s, and none above",
    since="0.3",
    danger=4,
    where="each Modbus unit that answered in the capture",
    run=_reply_time,
)


def _written(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    if not view.figures.devices:
        yield check.untested(FILE, _NO_MODBUS)
        return
    for write in view.figures.writes:
        yield _write(check, view, write)
    if not view.figures.writes:
        asked = sum(device.requests for device in view.figures.devices)
        yield check.find(
            FILE, Verdict.PASS, f"No write in {count(asked, 'request')}", observed="0", expected="no writes"
        )


def _write(check: CaptureCheck, view: CaptureView, write: WriteSeen) -> Finding:
    known = write.client in view.masters
    foreign = view.site is not None and not known
    tag = view.tag_of(write.server, write.port, write.unit)
    subject = tag or f"{write.server}:{write.port} unit {write.unit}"
    done = f"{write.done} carried out" + (f", {write.refused} refused" if write.refused else "")
    where = "" if write.low < 0 else f", addresses {write.low} to {write.high}"
    return check.find(
        subject,
        Verdict.FAIL if foreign else Verdict.REVIEW,
        f"{count(write.attempts, 'write')} by {write.client} ({_WRITES.get(write.function, 'write')})",
        observed=f"function {write.function}, {done}{where}, {_when(write)}",
        expected="writes by masters of the map only" if view.site is not None else "no writes, or known ones",
        point=f"{write.client} function {write.function}",
        advice="Find out who this is and whether it may write: a write can open a breaker or change a "
        "setting. "
        "Switch it off at the source, by those responsible for the plant; do not block it blindly."
        if foreign
        else "Confirm with those responsible for the plant that these writes are meant.",
    )


def _when(write: WriteSeen) -> str:
    first = instant(write.first_ns / 1e9)
    length = (write.last_ns - write.first_ns) / 1e9
    return f"from {first} for {span(length)}" if write.attempts > 1 else f"at {first}"


WRITES = CaptureCheck(
    id="capture.writes",
    title="Writes are known and meant",
    needs=(Need.CAPTURE,),
    why="Modbus asks nobody for a password: whoever reaches the device can open a breaker or change its "
    "protection. "
    "Each write and its sender must be known.",
    source="MODBUS Application Protocol Specification V1.1b3, 6 (functions that write)",
    since="0.3",
    danger=9,
    where="each sender of writes in the capture; with a map, masters of the map may write",
    run=_written,
)


def _stray(check: CaptureCheck, view: CaptureView) -> Iterable[Finding]:
    totals = view.totals
    if not (totals["requests_seen"] or totals["responses_seen"] or totals["not_modbus"]):
        yield check.untested(FILE, _NO_MODBUS)
        return
    faults = {
        "stretches of bytes that are no Modbus": totals["not_modbus"],
        "answers sent once more": totals["repeated"],
        "requests with the id of one still open": totals["reused"],
    }
    seen = [f"{many} {what}" for what, many in faults.items() if many]
    yield check.find(
        FILE,
        Verdict.REVIEW if seen else Verdict.PASS,
        "Odd bytes or ids on the Modbus ports" if seen else "Nothing but Modbus on the Modbus ports",
        observed=", ".join(seen) or "nothing odd",
        expected="nothing odd",
        advice="Find out which program speaks here: another protocol on port 502, or a master that reuses "
        "transaction ids and may take a late answer for the next one's."
        if seen
        else "",
    )


FRAMING = CaptureCheck(
    id="capture.framing",
    title="Nothing but sound Modbus on its ports",
    needs=(Need.CAPTURE,),
    why="A master that reuses transaction ids can show one device's value as another's; strange bytes on "
    "the port "
    "come from a probe or a program that does not belong there.",
    source="MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3",
    since="0.3",
    danger=4,
    where="all traffic on the ports where Modbus is spoken",
    run=_stray,
)

CHECKS: tuple[CaptureCheck, ...] = (WRITES, ANSWERS, EXCEPTIONS, REPLY_TIME, FRAMING)
