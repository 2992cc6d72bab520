"""Alerting of a fleet: after each run its alerts are brought forward; what waits is told until it is taken.

A message is written with the change that it tells, and stays until the other side has taken it: over
restarts, and over a mail server that is down for a day. Between tries, the pause doubles up to an hour.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

from probe.history.digest import SaidCause
from probe.history.life import Life
from probe.history.status import open_lives, said_at
from probe.history.store import History
from probe.model.alerting import Channel
from probe.model.fleet import Fleet, Sweep
from probe.sweep.alerts.book import Message, bring_forward, put_off, taken, waiting
from probe.sweep.alerts.state import Step, step
from probe.sweep.alerts.texts import body_of
from probe.sweep.alerts.troubles import Trouble, news_of, no_run, troubles_of
from probe.sweep.alerts.ways import Untold, tell
from probe.sweep.run import Outcome

LOG = logging.getLogger("buswitness.alerts")

FIRST_PAUSE_S, LONGEST_PAUSE_S = 30.0, 3600.0

Tell = Callable[[Channel, Message], None]


class Alerting:
    """Knows the channels of a fleet. now_ns: wall clock, for tests of the calendar."""

    def __init__(
        self,
        fleet: Fleet,
        history: History,
        *,
        tell: Tell = tell,
        now_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self._fleet = fleet
        self._history = history
        self._tell = tell
        self._now_ns = now_ns
        self._channels = {channel.name: channel for channel in fleet.alerts}

    def heard(self, sweep: Sweep, outcome: Outcome) -> Step:
        """Bring the sweep's alerts forward by a run that ended, then tell what waits.

        A run that was taken in late, behind newer ones, changes no alert.
        """
        kept = outcome.kept
        late = kept is not None and not kept.is_latest
        step_ = Step((), ()) if late else self._bring_forward(sweep, outcome)
        self.deliver()
        return step_

    def deliver(self) -> int:
        """Tell what waits and is due; how many messages were taken."""
        done = 0
        for message in waiting(self._history, self._now_ns()):
            channel = self._channels.get(message.channel)
            if channel is None:
                put_off(self._history, message, self._again_ns(message), "the fleet has no such channel")
                continue
            try:
                self._tell(channel, message)
            except Untold as error:
                LOG.warning("%s: not told (try %d): %s", message.channel, message.tries + 1, error)
                put_off(self._history, message, self._again_ns(message), str(error))
                continue
            taken(self._history, message, self._now_ns())
            done += 1
        return done

    def _again_ns(self, message: Message) -> int:
        pause_s = min(FIRST_PAUSE_S * 2.0 ** min(message.tries, 20), LONGEST_PAUSE_S)
        return self._now_ns() + round(pause_s * 1e9)

    def _bring_forward(self, sweep: Sweep, outcome: Outcome) -> Step:
        now_ns = self._now_ns()
        at_ns = outcome.digest.started_ns if outcome.digest else now_ns
        troubles = self._troubles(outcome)
        news = news_of(outcome.kept.changes) if outcome.kept else ()
        lineup = f"{outcome.digest.site} / {outcome.digest.lineup}" if outcome.digest else sweep.name

        def stepped(alerts: dict[str, object]) -> Step:
            own = alerts if outcome.kept is not None else {k: a for k, a in alerts.items() if k == "run"}
            return step(
                own,  # type: ignore[arg-type]  # without a run, nothing is known of the findings
                troubles,
                at_ns,
                open_after=self._fleet.open_after,
                clear_after=self._fleet.clear_after,
            )

        def messages(done: Step) -> list[tuple[str, dict[str, object]]]:
            bodies = [
                (channel.name, body_of(channel, sweep.name, lineup, done.told, news))
                for channel in self._fleet.alerts
            ]
            return [(name, body) for name, body in bodies if body is not None]

        return bring_forward(self._history, sweep.name, stepped, messages, now_ns)  # type: ignore[arg-type]

    def _troubles(self, outcome: Outcome) -> tuple[Trouble, ...]:
        lives: tuple[Life, ...] = ()
        causes: tuple[SaidCause, ...] = ()
        if outcome.kept is not None:
            lives = open_lives(self._history, outcome.kept.lineup_id)
            _, causes = said_at(self._history, outcome.kept.run_id)
        missing = no_run(outcome.state, outcome.why)
        return (*troubles_of(lives, causes), *((missing,) if missing else ()))
