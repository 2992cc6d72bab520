"""Layer 2: evidence to findings; pure functions, no I/O, no clock.

expected       what a run must give a verdict on, before anything is asked
judge_device   all verdicts on one device
conclude       the whole run: complete, in order, with causes
"""

from probe.judge.conclusion import Conclusion, conclude, untested_required
from probe.judge.device import judge_device
from probe.judge.expectation import expected
from probe.judge.facts import DeviceJudgement, Facts, Reach

__all__ = [
    "Conclusion",
    "DeviceJudgement",
    "Facts",
    "Reach",
    "conclude",
    "expected",
    "judge_device",
    "untested_required",
]
