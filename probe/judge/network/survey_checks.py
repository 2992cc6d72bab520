"""All checks on what a survey saw on the wire, in the order in which they are shown."""

from __future__ import annotations

from probe.judge.check import LineupCheck
from probe.judge.network.addresses import ADDRESS_CHECKS
from probe.judge.network.neighbourhood import NEIGHBOUR_CHECKS
from probe.judge.network.own_computer import OWN_CHECKS
from probe.judge.network.strangers import STRANGER_CHECKS
from probe.judge.network.traffic import TRAFFIC_CHECKS

SURVEY_CHECKS: tuple[LineupCheck, ...] = (
    *OWN_CHECKS,
    *ADDRESS_CHECKS,
    *STRANGER_CHECKS,
    *NEIGHBOUR_CHECKS,
    *TRAFFIC_CHECKS,
)
