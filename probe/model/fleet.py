"""Fleet: what people write in a fleet file: which lineups are swept when, by whom, and where it is kept.

format: buswitness-fleet/1
history: history.sqlite
records: records
zone: Europe/London
sweeps:
  - name: msb-1
    map: maps/msb-1.yaml
    at: 30 2 * * *
    budget: 20m
    spread: 15m
    quiet: ["06:00-08:00"]
"""

from __future__ import annotations

from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import Field, model_validator

from probe.model.alerting import Channel
from probe.model.fleet_words import Cron, Duration, Name, QuietHours, ZoneName
from probe.model.map_words import Line, Strict
from probe.model.record_place import RecordPlace
from probe.model.shape import refuse

FLEET_FORMAT = "buswitness-fleet/1"


class Sweep(Strict):
    """One lineup that is swept by a time table. Paths are meant from the fleet file's folder."""

    name: Annotated[Name, Field(description="Short name of the sweep; unique in the file.")]
    map: Annotated[Line, Field(description="The device map.")]
    at: Annotated[Cron, Field(description="Time table as for cron, in the zone.", examples=["30 2 * * *"])]
    zone: Annotated[ZoneName | None, Field(description="Time zone of the time table.")] = None
    budget: Annotated[Duration, Field(description="Longest time of a run; then it is stopped.", gt=0)] = (
        1800.0
    )
    spread: Annotated[Duration, Field(description="Starts are put off by a fixed part of this.")] = 0.0
    quiet: Annotated[tuple[QuietHours, ...], Field(description="Hours in which no run starts.")] = ()
    catch_up: Annotated[
        Duration, Field(description="A missed start is made up once if it is not older than this.")
    ] = 12 * 3600.0
    dwell: Annotated[Duration, Field(description="Repeated polls for this long, as audit --dwell.")] = 0.0
    quick: Annotated[bool, Field(description="One poll only, as audit --quick.")] = False
    only: Annotated[tuple[Line, ...], Field(description="Tags, kinds or sections, as audit --only.")] = ()
    skip: Annotated[tuple[Line, ...], Field(description="As audit --skip.")] = ()
    profiles: Annotated[tuple[Line, ...], Field(description="Folders of further profiles.")] = ()
    baseline: Annotated[
        Line | None, Field(description="Record that was accepted; without it the first complete run.")
    ] = None
    agent: Annotated[Name | None, Field(description="Site whose agent runs it; without it, here.")] = None

    @model_validator(mode="after")
    def _one_way(self) -> Sweep:
        if self.quick and self.dwell:
            raise refuse(
                "quick and dwell contradict each other", remedy="leave one of them out", at=("quick",)
            )
        return self


class Fleet(Strict):
    """A fleet file."""

    format: Literal[FLEET_FORMAT]  # type: ignore[valid-type]  # the word stands in one place
    history: Annotated[
        Line,
        Field(description="A file, or postgresql://USER@HOST/DATABASE (the password stands in PGPASSWORD)."),
    ] = "history.sqlite"
    records: Annotated[
        Line, Field(description="Folder of the sealed records; with store, of those that wait for it.")
    ] = "records"
    store: Annotated[
        RecordPlace | None, Field(description="S3-style store that the records go to from the folder.")
    ] = None
    zone: Annotated[ZoneName, Field(description="Time zone of all time tables.")] = "UTC"
    keep_runs: Annotated[
        Duration | None, Field(description="Runs older than this leave the history; records stay.")
    ] = None
    alerts: Annotated[tuple[Channel, ...], Field(description="Who is told of what changed.")] = ()
    open_after: Annotated[
        int, Field(ge=1, le=100, description="Told when so many runs in a row showed it.")
    ] = 1
    clear_after: Annotated[
        int, Field(ge=1, le=100, description="Told as over when so many runs in a row showed the contrary.")
    ] = 2
    agents_ask: Annotated[
        Duration, Field(ge=1, le=60, description="Agents ask for work so often; a large fleet: 30s.")
    ] = 5.0
    false_alarms: Annotated[
        float, Field(gt=0, description="Chance alarms of the change test a year and lineup, at most.")
    ] = 1.0
    sweeps: Annotated[tuple[Sweep, ...], Field(description="At least one.")]

    def zone_of(self, sweep: Sweep) -> ZoneInfo:
        """Zone of a sweep's time table."""
        return ZoneInfo(sweep.zone or self.zone)
