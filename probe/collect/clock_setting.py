"""Clock setting, the pure part: what would be written to one device, when, and why it might better not be.

    reference's time at the instant of taking  =  value that is written

The value is a whole step of what the registers can show, so the instant is chosen, not the value: the request
that counts leaves half a usual round trip before the reference reaches that step. A clock of whole seconds is
then set at the beginning of a second, one of milliseconds to the millisecond.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import NamedTuple

from probe.judge.clock_state import ClockState
from probe.judge.clock_track import Behaviour
from probe.judge.reference import Reference, plain
from probe.judge.wording import span
from probe.judge.zone import clock_instant, zone_named, zone_offsets
from probe.model.clock_decoder import ClockDecoder
from probe.model.clock_stamp import stamp_of
from probe.model.finding import Finding, Verdict
from probe.model.lineup import Lineup
from probe.model.profile import ClockRule, ClockWrite
from probe.model.write_pdu import WRITE_ONE, write_requests

MS_NS = 1_000_000
#: Room between deciding on an instant and sending, and for whatever is written before the last request.
LEAD_NS = 20 * MS_NS
_AUTUMN_S = 3700.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One clock that may be set. zone: of a clock that shows local time. shift: the device's register shift.

    offset_words: how the clock stands now, for people.
    """

    tag: str
    rule: ClockRule
    write: ClockWrite
    zone: str
    shift: int
    offset_words: str

    @property
    def step_ms(self) -> int:
        """The smallest step that the written registers can show, milliseconds."""
        return max(1, round(self.write.resolution_s * 1000))

    def requests(self, instant_ms: int) -> tuple[bytes, ...]:
        """The PDUs that set the clock to an instant (Unix milliseconds); the last one is what counts.

        Raises ValueError if the registers cannot show the instant.
        """
        data = self.registers(instant_ms)
        pdus = write_requests(self.write.function, self.write.start + self.shift, data)
        latch = self.write.latch
        if latch is None:
            return pdus
        return (*pdus, *write_requests(WRITE_ONE, latch.start + self.shift, latch.value.to_bytes(2, "big")))

    def registers(self, instant_ms: int) -> bytes:
        """What the clock's registers hold at an instant, flags as they should be."""
        decoder = self.write.decoder
        assert isinstance(decoder, ClockDecoder)
        shown_ms = instant_ms + self._ahead_ms(instant_ms)
        stamp = stamp_of(shown_ms // 1000, shown_ms % 1000)
        if self.rule.zone == "local":
            stamp = stamp._replace(summer=self._is_summer(instant_ms))
        return decoder.encode_stamp(stamp)

    def _ahead_ms(self, instant_ms: int) -> int:
        """What the device shows ahead of UTC."""
        if self.rule.zone != "local":
            return 0
        offsets = zone_offsets(self.zone, instant_ms / 1000)
        return round(offsets[0] * 1000) if offsets else 0

    def _is_summer(self, instant_ms: int) -> bool:
        offsets = zone_offsets(self.zone, instant_ms / 1000)
        return bool(offsets and offsets[1])

    def words(self, now_s: float, host: str) -> str:
        """What will be written, for people: time, registers, device. now_s: Unix seconds about now."""
        shown = datetime.fromtimestamp(now_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
        count, start = self.write.registers, self.write.start + self.shift
        text = f"the reference's time (now about {shown}) to holding registers {start} to {start + count - 1}"
        if count == 1:
            text = text.replace(f"registers {start} to {start}", f"register {start}")
        latch = self.write.latch
        if latch is not None:
            text += f", then {latch.value:04X} to register {latch.start + self.shift}"
        zone = f" in local time of {self.zone}" if self.rule.zone == "local" else ""
        return f"{text} of {host}, function {self.write.function}{zone} (addresses counted from 0)"


def setting_of(lineup: Lineup, tag: str, offset_words: str = "") -> Setting | None:
    """The setting of a tag's clock; None if its profile does not define the write."""
    device = lineup.map.by_tag[tag]
    rule = lineup.profile_of(device).clock
    if rule is None or rule.write is None:
        return None
    return Setting(
        tag=tag,
        rule=rule,
        write=rule.write,
        zone=lineup.map.clock.zone,
        shift=device.register_shift,
        offset_words=offset_words,
    )


class Now(NamedTuple):
    """The present: an instant of the run, and Unix seconds about then."""

    at_ns: int
    wall_s: float


def why_not_set(
    setting: Setting,
    state: ClockState | None,
    findings: Sequence[Finding],
    reference: Reference,
    now: Now,
) -> str:
    """Why this clock must not be set now, "" if it may be. findings: of its device, before the write."""
    bad = next((f for f in findings if _forbids(f)), None)
    if bad is not None:
        return f"{bad.title} ({bad.verdict.value}): it is not sure that this is the right device"
    if not reference.usable:
        return f"the reference clock ({reference.name}) cannot be used: {reference.reason}"
    if not reference.stated:
        return f"nothing tells how right the reference ({reference.name}) is"
    if any(plain(name) == setting.tag for name in reference.members):
        return "it is one of the references itself"
    return _why_not_local(setting, now.wall_s) or _why_not_clock(state, reference, now.at_ns)


def _forbids(finding: Finding) -> bool:
    """True for a finding that leaves it open whether this is the right device with the right register map."""
    about = finding.check.startswith("identity.") or finding.check == "proof.point"
    return about and finding.verdict is Verdict.FAIL


def _why_not_local(setting: Setting, now_s: float) -> str:
    """Local time that cannot be written so that the device knows what is meant."""
    if setting.rule.zone != "local":
        return ""
    if zone_named(setting.zone) is None:
        return f"the map's zone {setting.zone} is unknown here"
    offsets = zone_offsets(setting.zone, now_s)
    shown = now_s + (offsets[0] if offsets else 0.0)
    first = clock_instant(shown, setting.rule, setting.zone, now_s - _AUTUMN_S)
    second = clock_instant(shown, setting.rule, setting.zone, now_s + _AUTUMN_S)
    if first != second:
        return f"{setting.zone} has this hour twice today: the device could not know which one is meant"
    return ""


def _why_not_clock(state: ClockState | None, reference: Reference, at_ns: int) -> str:
    """What speaks against it in the clock's own behaviour, or in how well the reference is known."""
    if state is None:
        return "its clock could not be read"
    words = {
        Behaviour.CACHED: "it is served from a memory on the way, so that nothing could be proven after",
        Behaviour.JUMPED: "its clock jumped while it was read: something else sets it",
        Behaviour.UNSETTLED: "its readings contradict each other" if state.readings else "",
    }
    if words.get(state.behaviour):
        return words[state.behaviour]
    if state.offset_s is None:
        return ""  # no date at all, stopped: nothing that could be made worse
    worst_s = max(abs(state.offset_s.low), abs(state.offset_s.high))
    doubt_s = reference.at(at_ns).half_width + state.shortest_ns / 2e9
    if doubt_s >= worst_s:
        return (
            f"the reference is worse than what it would mend: it is known to ±{span(doubt_s)} here, "
            f"the clock is off by {span(worst_s)} at most"
        )
    return ""
