"""Board: looks at the first serial numbers of a run, and ends it where they are those of another board."""

from __future__ import annotations

from collections.abc import Callable

from probe.collect.journal import Journal
from probe.judge.board import is_another_board, is_of_this_board, tell_serials
from probe.judge.context import DeviceContext
from probe.judge.expectation import subject_of
from probe.judge.run_context import RunContext
from probe.model.evidence import WRONG_BOARD
from probe.model.lineup import Lineup
from probe.model.scope import Scope


class BoardWatch:
    """See module. halt: called once with the reason, when the run is to end."""

    def __init__(self, lineup: Lineup, scope: Scope, journal: Journal, halt: Callable[[str], None]) -> None:
        self._lineup, self._scope, self._journal, self._halt = lineup, scope, journal, halt
        surveys = scope.survey is not None
        self._due = frozenset() if surveys else tell_serials(lineup, scope.tags)
        self._others: list[str] = []
        self._settled = not is_another_board(len(self._due), len(self._due))  # too few to tell

    def look(self, tag: str, context: RunContext) -> None:
        """A device has said who it is (and shown its proof point)."""
        shelf = self._journal.shelves.get(tag)
        if self._settled or tag not in self._due or shelf is None:
            return
        evidence = shelf.evidence(interrupted=False)
        device = DeviceContext(subject_of(self._lineup, self._scope, tag), evidence, context)
        here = is_of_this_board(device)
        if here:
            self._settled = True
        elif here is False:
            self._others.append(tag)
            if is_another_board(len(self._others), len(self._due)):
                self._settled = True
                self._end()

    def _end(self) -> None:
        why = (
            f"another board answers at these addresses: {len(self._others)} serial numbers were read, and "
            "none is on the map"
        )
        self._journal.note(WRONG_BOARD, why)
        self._halt(why)
