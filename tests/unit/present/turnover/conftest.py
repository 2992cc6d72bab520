"""The sample record for reports (made by tests/records/make_report_sample.py), taken apart once."""

from __future__ import annotations

from pathlib import Path

import pytest

from probe.cli.report_command import material_of
from probe.present.turnover.dossier import Dossier
from probe.present.turnover.making import Material, told
from probe.present.turnover.texts import Texts, english

SAMPLE = Path(__file__).parents[3] / "records" / "report.audit.jsonl"


@pytest.fixture(scope="session")
def material() -> Material:
    return material_of(SAMPLE)


@pytest.fixture(scope="session")
def dossier(material: Material) -> Dossier:
    return told(material)


@pytest.fixture(scope="session")
def t() -> Texts:
    return Texts(english())
