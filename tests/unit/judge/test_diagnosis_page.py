"""The manual's table of priors is the one that the diagnosis reckons with."""

from __future__ import annotations

from pathlib import Path

from probe.judge.diagnosis.priors import table

PAGE = Path(__file__).parents[3] / "docs" / "diagnosis.md"


def test_the_table_of_priors_is_current() -> None:
    """Make it anew: python -c "from probe.judge.diagnosis.priors import table; print(table())" """
    inside = PAGE.read_text("utf-8").partition("<!-- priors -->")[2].partition("<!-- end of priors -->")[0]
    assert inside.strip() == table()
