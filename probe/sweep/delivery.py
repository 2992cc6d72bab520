"""Delivery: while ``watch`` runs, records go to their store beside it, with pauses while that is away."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from probe.model.errors import InputError
from probe.sweep.records import Delivery, RecordStore

LOG = logging.getLogger("buswitness.sweep")

LOOK_S = 5.0  # so soon a record that has come is sent
FIRST_PAUSE_S, LONGEST_PAUSE_S = 30.0, 3600.0


class Pauses:
    """How long to wait after each round of delivery."""

    def __init__(self) -> None:
        self._pause_s = FIRST_PAUSE_S

    def after(self, done: Delivery) -> float:
        """Seconds until the next round: soon if all went well; twice the last, up to an hour, if it is away.

        A record that alone cannot be sent holds up no other: the pause does not grow.
        """
        if not done.held_up:
            self._pause_s = FIRST_PAUSE_S
            return FIRST_PAUSE_S if done.trouble else LOOK_S
        pause_s = self._pause_s
        self._pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
        return pause_s


@contextmanager
def delivering(records: RecordStore, stop: threading.Event) -> Iterator[None]:
    """Meanwhile, records are delivered by a thread of their own: a large one holds nobody up."""
    over = threading.Event()
    thread = threading.Thread(
        target=_rounds,
        args=(records, lambda s: over.wait(s) or stop.is_set()),
        name="delivery",
        daemon=True,
    )
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join(10.0)  # what is under way by then is cut off, and sent again after the next start


def _rounds(records: RecordStore, is_over_after: Callable[[float], bool]) -> None:
    pauses, told = Pauses(), ""
    while True:
        try:
            done = records.deliver()
        except InputError as error:
            done = Delivery(waiting=1, trouble=" ".join(str(error).split()), held_up=True)
        except Exception as error:
            LOG.exception("delivery: a fault of ours")
            done = Delivery(waiting=1, trouble=f"a fault of ours: {error!r}"[:300], held_up=True)
        if done.sent:
            LOG.info("%d records sent to the store", done.sent)
        if done.trouble and done.trouble != told:
            LOG.warning("%d records wait for the store: %s", done.waiting, done.trouble)
        told = done.trouble
        if is_over_after(pauses.after(done)):
            return
