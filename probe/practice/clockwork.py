"""The clocks of the practice lineup: what each device's clock shows when the wall clock shows the truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Moment(NamedTuple):
    """An instant: true Unix time, and seconds since the lineup started."""

    truth_s: float
    since_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceClock:
    """One device's clock.

    offset_s: ahead of the truth (negative: behind). drift_ppm: gained since the lineup started, parts per
    million. zone_s: added because the device takes local time for the time that it is to show.
    stopped: shows the start of the lineup for ever. epoch_s: where a clock that was never set began; it has
    counted from there since the lineup started.
    """

    offset_s: float = 0.0
    drift_ppm: float = 0.0
    zone_s: float = 0.0
    stopped: bool = False
    epoch_s: float | None = None

    def shows(self, truth_s: float, started_s: float) -> float:
        """What the clock shows, Unix seconds, when the true time is ``truth_s``.

        started_s: true time at which the lineup was started.
        """
        running_s = 0.0 if self.stopped else truth_s - started_s
        if self.epoch_s is not None:
            return self.epoch_s + running_s
        return started_s + running_s * (1 + self.drift_ppm / 1e6) + self.offset_s + self.zone_s
