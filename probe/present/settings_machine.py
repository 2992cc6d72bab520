"""The result of a settings run as one JSON object (design, section 4: ``settings``)."""

from __future__ import annotations

import math
from typing import Any

from probe.judge.settings.coordination import Overlap
from probe.judge.settings.pairs import Coordination
from probe.judge.settings.row import Row
from probe.model.study import Study
from probe.present.settings_table import NOT_A_STUDY
from probe.record.settings_view import SettingsView

SETTINGS_FORMAT = "buswitness-settings/1"


def settings_document(audit: dict[str, Any], view: SettingsView) -> dict[str, Any]:
    """The audit's own object with settings, studies and coordination added."""
    return {
        **audit,
        "format": SETTINGS_FORMAT,
        "notice": NOT_A_STUDY,
        "studies": [study_body(study) for study in view.studies],
        "settings": [_row(row) for device in view.devices for row in device.rows],
        "not_compared": [{"tag": d.tag, "why": d.why} for d in view.devices if d.why],
        "coordination": [_pair(one) for one in view.coordinations],
    }


def study_body(study: Study) -> dict[str, Any]:
    """Which study it is."""
    return {
        "title": study.title,
        "reference": study.reference,
        "revision": study.revision,
        "date": study.date,
        "author": study.author,
        "file": study.name,
        "sha256": study.sha256,
        "pickup_percent": study.pickup_percent,
        "delay_percent": study.delay_percent,
        "tolerance_stated": study.tolerance_stated,
    }


def _row(row: Row) -> dict[str, Any]:
    return {
        "tag": row.tag,
        "group": row.group or None,
        "name": row.name,
        "function": row.function or None,
        "attribute": row.attribute,
        "point": row.point,
        "found": row.found or None,
        "studied": row.studied or None,
        "unit": row.unit,
        "tolerance": row.allowed or None,
        "step": row.step or None,
        "difference": row.kind.value,
        "verdict": row.verdict.value,
        "danger": row.danger,
        "note": row.note or None,
        "evidence": list(row.evidence),
    }


def _pair(one: Coordination) -> dict[str, Any]:
    return {
        "lower": one.pair.lower,
        "upper": one.pair.upper,
        "faults": one.domain,
        "up_to_a": one.up_to_a or None,
        "found_a": ranges(one.found),
        "studied_a": ranges(one.studied),
        "lost_a": ranges(one.lost),
        "maintenance_gives_up_a": None if one.given_up is None else ranges(one.given_up),
        "not_looked_at": one.why or None,
    }


def ranges(found: tuple[Overlap, ...]) -> list[list[float]]:
    """Currents from and to, amperes, with the digits that they can carry."""
    return [[_digits(one.low_a), _digits(one.high_a)] for one in found]


def _digits(value_a: float) -> float:
    return round(value_a, max(0, 5 - math.floor(math.log10(value_a)))) if value_a > 0 else 0.0
