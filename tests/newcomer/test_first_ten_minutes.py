"""A new user's first ten minutes: types what the README says, then what the tool says, on 80 x 24 signs.

One test a path, because each goes on from what the line before has left. Twenty seconds of a core in all.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "README.md").read_text(encoding="utf-8")

Open = Callable[[], Any]

FLEET = """\
format: buswitness-fleet/1
sweeps:
  - {name: msb-1, map: MAP, at: 30 2 * * *, quick: yes, only: [52-M1, MTR-M1]}
"""


def promised(line: str) -> str:
    """The line, if the README says it."""
    assert line in PAGE, f"the README does not say {line}"
    return line


def told_next(text: str) -> list[str]:
    """The commands that the tool names under Next, as a user would copy them: a line each."""
    after = text[text.index("\nNext ") + 1 :]
    return re.findall(r"^(?:Next)? *(python3 start\.py .*\S)$", after, re.MULTILINE)


def test_the_demo_and_all_that_it_tells_to_type_next(shell: Open) -> None:
    user = shell()
    demo = user.type(promised("python3 start.py demo"))
    assert demo.code == 1, "the lineup has faults"
    assert "simulated devices on this computer's loopback" in demo.text
    assert "13 of 27 devices fail" in demo.text
    steps = told_next(demo.text)
    names = [" ".join(step.split()[2:4]) for step in steps]
    assert names == ["record show", "record verify", "report --verify", "demo --healthy", "demo --serve"]
    assert any(line.startswith("Next ") for line in demo.screen), "what to do next stands on the last screen"

    shown = user.type(steps[0])
    assert shown.code == 0, "showing went well, whatever it shows"
    assert "52-F1" in shown.text
    assert "fail" in shown.text

    verified = user.type(steps[1])
    assert verified.code == 0
    assert "unchanged" in verified.text

    assert user.type(steps[2]).code == 0

    record = steps[1].split()[-1]
    report = user.type(f"{promised('python3 start.py report')} {record} -o turnover.pdf")
    assert report.code == 0, report.text
    assert user.type("head -c 5 turnover.pdf").text.count("%PDF-") == 1

    spoiled = user.type(f"sed '9s/52/53/' {record} > spoiled.audit.jsonl")
    assert spoiled.code == 0
    assert user.type("python3 start.py record verify spoiled.audit.jsonl").code == 4, "as the README says"


def test_a_map_from_a_schedule_and_mistakes_in_it(shell: Open) -> None:
    user = shell()
    assert promised("python3 start.py map import schedule.xlsx -o msb-1.yaml")
    made = user.type("python3 start.py map import examples/schedule.xlsx -o msb-1.yaml")
    assert made.code == 0
    assert "Next: python3 start.py map check msb-1.yaml" in made.text
    checked = user.type(promised("python3 start.py map check msb-1.yaml"))
    assert checked.code == 0
    assert "nothing wrong" in checked.text
    assert "15 trip-unit" in checked.text
    user.type("sed 's/profile: trip-unit-second/profile: trip-unit-secnod/' msb-1.yaml > wrong.yaml")
    wrong = user.type("python3 start.py map check wrong.yaml")
    assert wrong.code == 2
    assert "trip-unit-second" in wrong.text, "the nearest name"
    assert "Traceback" not in wrong.text
    assert user.type("python3 start.py map chekc msb-1.yaml").code == 2


def test_the_lineup_alone_an_audit_and_a_sweep_of_it(shell: Open, clone: Path) -> None:
    gear, user = shell(), shell()
    gear.begin("python3 start.py demo --healthy --serve")
    up = gear.until(b"Ctrl-C here ends the lineup.").decode()
    audit = re.search(r"^ *(python3 start\.py audit .*\S)\s*$", up, re.MULTILINE)
    assert audit is not None, up
    quick = user.type(f"{audit.group(1)} --quick --only 52-M1 --record one.audit.jsonl")
    assert quick.code in (0, 3), quick.text
    assert user.type("python3 start.py record verify one.audit.jsonl").code in (0, 3)

    (clone / "fleet.yaml").write_text(FLEET.replace("MAP", audit.group(1).split()[-1]), encoding="utf-8")
    swept = user.type(promised("python3 start.py sweep run fleet.yaml"))
    assert swept.code in (0, 3), swept.text
    assert "msb-1: begins" in swept.text
    status = user.type(promised("python3 start.py sweep status fleet.yaml"))
    assert status.code in (0, 1, 3)
    assert "MSB-1" in status.text
    assert all(len(line) <= 80 for line in status.screen)

    gear.press(b"\x03")
    assert b"The practice lineup is down." in gear.until(b"lineup is down.")


@pytest.mark.parametrize("line", ["python3 start.py", "python3 start.py --help", "python3 start.py audit"])
def test_somebody_who_types_too_little_is_told_what_there_is(shell: Open, line: str) -> None:
    said = shell().type(line)
    assert said.code in (0, 2)
    assert "Traceback" not in said.text
    assert "start.py" in said.text
