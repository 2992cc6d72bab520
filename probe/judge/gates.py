"""The rules of order between checks of one device, as they become known while it is judged."""

from __future__ import annotations

from collections.abc import Sequence

from probe.judge.check import Need
from probe.model.finding import Finding, Verdict

#: A failure of one of these says that the device may be another one than drawn.
IDENTITY_CHECKS = frozenset(
    {"identity.maker", "identity.model", "identity.serial", "identity.hardware_address"}
)
PROOF_CHECK = "proof.point"
FRESHNESS_CHECK = "fresh.device"
STEADY_CHECK = "identity.steady"

#: Checks from whose findings something follows for those after them.
TEACHING = IDENTITY_CHECKS | {PROOF_CHECK, FRESHNESS_CHECK, STEADY_CHECK}

OTHER_DEVICE = "this may be another device than the drawing shows"


class Gates:
    """What the checks so far allow the next ones to say.

    identity, proof: why values are not judged, empty while they are. proof_wrong: the proof point was read
    and does not fit. doubt: why values cannot pass.
    """

    __slots__ = ("doubt", "identity", "proof", "proof_wrong")

    def __init__(self) -> None:
        self.identity = ""
        self.proof = ""
        self.proof_wrong = False
        self.doubt = ""

    def shut_for(self, needs: Sequence[Need]) -> str:
        """Why a check with these needs must not judge; empty if it may."""
        if self.identity and Need.IDENTITY in needs:
            return self.identity
        return self.proof if Need.PROOF in needs else ""

    def learn(self, check: str, found: Sequence[Finding]) -> None:
        """Take note of what a check found (checks come in the order of the register)."""
        verdicts = {finding.verdict for finding in found}
        if check in IDENTITY_CHECKS and Verdict.FAIL in verdicts:
            self.identity = OTHER_DEVICE
        elif check == PROOF_CHECK and not self.identity:
            self._learn_proof(verdicts)
        elif check == STEADY_CHECK and Verdict.REVIEW in verdicts:
            self.doubt = "two units may answer here in turn"
        elif check == FRESHNESS_CHECK:
            self._learn_freshness(verdicts)

    def _learn_proof(self, verdicts: set[Verdict]) -> None:
        if Verdict.FAIL in verdicts:
            self.proof_wrong = True
            self.proof = "the proof point does not fit, so the values are void"
        elif Verdict.NOT_TESTED in verdicts:
            self.proof = "the proof point was not read, so the values prove nothing"

    def _learn_freshness(self, verdicts: set[Verdict]) -> None:
        if Verdict.REVIEW in verdicts or Verdict.FAIL in verdicts:
            self.doubt = "this may be frozen: nothing moved"
        elif Verdict.NOT_TESTED in verdicts:
            self.doubt = "it was not proven to be alive"
