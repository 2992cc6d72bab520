"""Rules across the entries of a map: what no entry can know alone.

``RULES`` lists them all; the rules themselves stand by subject in ``lint_address``, ``lint_network``,
``lint_relation``, ``lint_names``, ``lint_cabling`` and ``lint_links``. An error stops the work, a warning is
for a person to read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from probe.model.errors import Problem
from probe.model.lint_address import ADDRESS_RULES
from probe.model.lint_cabling import CABLING_RULES
from probe.model.lint_links import LINK_RULES
from probe.model.lint_names import NAME_RULES
from probe.model.lint_network import NETWORK_RULES
from probe.model.lint_relation import RELATION_RULES
from probe.model.map_draft import Draft
from probe.model.surroundings import Surroundings

Rule = Callable[[Draft, Surroundings], Iterator[Problem]]

RULES: tuple[Rule, ...] = (
    *NAME_RULES,
    *ADDRESS_RULES,
    *NETWORK_RULES,
    *RELATION_RULES,
    *CABLING_RULES,
    *LINK_RULES,
)

__all__ = ["RULES", "Rule", "Surroundings", "lint"]


def lint(draft: Draft, around: Surroundings) -> list[Problem]:
    """Every problem between entries, in the order of the rules."""
    return [problem for rule in RULES for problem in rule(draft, around)]
