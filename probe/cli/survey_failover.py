"""Link-loss tests: which links, who agrees, the run, its end. The work is in ``collect.survey.failover``."""

from __future__ import annotations

import asyncio
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING

from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup
from probe.model.map_network import Link
from probe.model.scope import Scope, SurveyScope

if TYPE_CHECKING:
    from probe.cli.audit_start import Wishes

#: The word in place of a link's name: every link of the map for which a limit is known.
ALL = "all"


class TerminalPerson:
    """Implements ``collect.survey.failover.Person`` on standard input and a stream of text.

    Input is read by a thread of its own, so that questions to devices go on, and so that Ctrl-C need not wait
    for a line.
    """

    def __init__(self, source: IO[str], target: IO[str]) -> None:
        self._source, self._target = source, target

    def tell(self, text: str) -> None:
        """Show a text, wrapped to the terminal."""
        self._write("".join(f"{line}\n" for line in _wrapped(text)))

    async def answer(self, question: str) -> str | None:
        """Show a question; the line that was typed without its end, None when input has ended."""
        self._write("\n".join(_wrapped(question)) + " ")
        loop = asyncio.get_running_loop()
        typed: asyncio.Future[str] = loop.create_future()

        def take(line: str) -> None:
            if not typed.done():
                typed.set_result(line)

        def read() -> None:
            try:
                line = self._source.readline()
            except (OSError, ValueError):
                line = ""
            with suppress(RuntimeError):  # the run has ended meanwhile
                loop.call_soon_threadsafe(take, line)

        threading.Thread(target=read, daemon=True).start()
        line = await typed
        return line.strip() if line else None

    def _write(self, text: str) -> None:
        self._target.write(text)
        self._target.flush()


def _wrapped(text: str) -> list[str]:
    import textwrap

    from probe.present.console import console
    from probe.present.page import page_width

    width = min(page_width(console(sys.stderr)), 100)
    return [row for part in text.split("\n") for row in textwrap.wrap(part.strip(), width - 1) or [""]]


def run_failover(
    lineup: Lineup,
    names: Sequence[str],
    every_s: float,
    wishes: Wishes,
    *,
    record_path: Path | None = None,
) -> int:
    """Test the links, then ask every device who it is; the exit code, as of an audit.

    Raises InputError for a link that is not in the map, before anything is sent.
    """
    from probe.cli.audit_run import conduct
    from probe.cli.audit_start import make_ready
    from probe.cli.hold import holding
    from probe.cli.survey_command import finish
    from probe.collect.roster import berths_by_link
    from probe.collect.survey.failover import Failover, tempo_for
    from probe.present.console import console
    from probe.present.survey_face import LossFace

    links = chosen_links(lineup, names)
    tags = tuple(device.tag for device in lineup.map.devices)
    scope = Scope(tags=tags, survey=SurveyScope(failover=tuple(link.name for link in links)))
    stream = sys.stderr if wishes.as_json else sys.stdout
    looking = Failover(
        links=links,
        berths=berths_by_link(lineup, scope),
        person=TerminalPerson(sys.stdin, stream),
        operator=wishes.operator,
        tempo=tempo_for(len(tags), every_s),
    )
    with holding(lineup.map, "survey --failover", practice=wishes.practice):
        start = make_ready(lineup, scope, record_path, wishes)
        ended = conduct(start, LossFace(console(stream)), looking.around)
    return finish(start, ended, None)


def chosen_links(lineup: Lineup, names: Sequence[str]) -> tuple[Link, ...]:
    """The links of these names, in the order given; ``all``: every one with a limit. Raises InputError."""
    known = {link.name: link for link in lineup.map.links}
    found: dict[str, Link] = {}
    for name in names:
        if name == ALL and ALL not in known:
            found.update((one.name, one) for one in known.values() if one.limit is not None)
        elif name in known:
            found[name] = known[name]
        else:
            raise InputError([_no_link(name, tuple(known))])
    if not found:
        raise InputError([_no_limit(tuple(known))])
    return tuple(found.values())


def _no_link(name: str, known: Sequence[str]) -> Problem:
    from probe.model.nearest import did_you_mean, listed

    return Problem(
        file="--failover",
        what=f"the map has no link {name}",
        found=name,
        allowed=listed(known) if known else "links under links: of the map",
        remedy=did_you_mean(name, known) if known else "name the links of the network in the map",
    )


def _no_limit(known: Sequence[str]) -> Problem:
    return Problem(
        file="--failover",
        what="no link of the map has a limit for the outage when it is lost",
        found=f"{len(known)} links, none with redundancy or recovery_ms",
        remedy="give the links of the ring redundancy: mrp-200 or the like, or name the links to test",
    )
