"""Do all readings of a device together look like a sound installation: one verdict over all of them."""

from __future__ import annotations

from collections.abc import Iterable

from probe.judge.check import VALUES, DeviceCheck, Subject
from probe.judge.context import DeviceContext
from probe.judge.diagnosis.priors import Kind
from probe.judge.diagnosis.search import Explanation
from probe.judge.diagnosis.seeing import sighting_of
from probe.judge.diagnosis.sighting import Sighting, shares
from probe.judge.diagnosis.words import Whose, said
from probe.judge.electrical.grounds import may_carry, under_load
from probe.judge.electrical.taking import keys_of, loaded
from probe.judge.limit import exactly, within
from probe.judge.wording import percent
from probe.model.finding import Finding, Verdict

#: Probability of a sound installation below which the verdict is a failure, and above which it is a pass.
#: Common practice, no source.
UNLIKELY, LIKELY = 0.1, 0.9
ADVICE = "See the cause that is given for it: it says what explains all readings at once, and what to do."


def _run(check: DeviceCheck, context: DeviceContext) -> Iterable[Finding]:
    sighting = sighting_of(context)
    if sighting is None:
        return
    evidence = _evidence(context)
    if not sighting.explanations:
        _, why = under_load(context)
        if why or _says_nothing(sighting):
            if why:
                yield check.untested(context.tag, why)
            return
        yield check.find(
            context.tag,
            Verdict.PASS,
            "All readings together fit a sound installation",
            observed="nothing odd",
            evidence=evidence,
        )
        return
    weights = shares(sighting.explanations)
    pairs = tuple(zip(sighting.explanations, weights, strict=True))
    sound = sum(weight for e, weight in pairs if not e.parts)
    backwards = sum(weight for e, weight in pairs if e.kinds == (Kind.BACKWARDS,))
    best = sighting.explanations[0]
    verdict = _verdict(sound, backwards, best)
    passed = verdict is Verdict.PASS
    yield check.find(
        context.tag,
        verdict,
        "All readings together fit a sound installation" if passed else _title(best),
        observed=_observed(context, best),
        expected="" if passed else "readings of a sound installation",
        uncertainty=f"sound with a probability of {percent(sound)} %",
        evidence=evidence,
        advice="" if passed else ADVICE,
    )


def _verdict(sound: float, backwards: float, best: Explanation) -> Verdict:
    """Pass, fail or review by how probable a sound installation is, and one whose power flows backwards."""
    if within(exactly(sound), LIKELY, None) is Verdict.PASS:
        return Verdict.PASS
    if best.kinds == (Kind.UNEXPLAINED,):
        return Verdict.REVIEW
    unlikely = within(exactly(sound + backwards), UNLIKELY, None) is Verdict.FAIL
    return Verdict.FAIL if unlikely else Verdict.REVIEW


def _title(best: Explanation) -> str:
    if best.kinds == (Kind.UNEXPLAINED,):
        return "Readings do not fit together"
    return "Readings do not fit a sound installation"


def _observed(context: DeviceContext, best: Explanation) -> str:
    titles = {name: point.title for name, point in context.profile.by_name.items()}
    whose = Whose(context.tag, context.device.profile, titles)
    return "; and ".join(said(part, whose) for part in best.parts) or "nothing odd"


def _says_nothing(sighting: Sighting) -> bool:
    """True if too little was read to look at anything together."""
    return len(sighting.case.base.values) < 4


def _evidence(context: DeviceContext) -> tuple[int, ...]:
    taken = loaded(context)
    if taken is None:
        return ()
    return tuple(dict.fromkeys(measured.sequence for measured in taken.values.values()))[:8]


def _applies(subject: Subject) -> bool:
    keys = keys_of(subject.profile)
    single = subject.lineup.map.system.wiring == "single"
    amps = any(("current", phase) in keys for phase in ("a", "total", "average"))
    three = {("current", phase) for phase in "abc"} <= keys
    return (amps if single else three) and may_carry(subject)


CHECK = DeviceCheck(
    id="electrical.sound",
    title="All readings together fit a sound installation",
    needs=VALUES,
    why="A reversed or exchanged current transformer, a wrong ratio or a wrong register leaves each value "
    "within its range; only together do they tell. Whoever trusts them sets protection, or takes a phase for "
    "dead, by numbers that are wrong.",
    source="IEEE 1459 (definitions, from memory); probabilities: common practice, no source",
    since="0.1",
    danger=7,
    where="devices that show the currents of three phases (in a system of one phase its current), on a "
    "circuit that is not drawn as open; judged as sound only under load",
    run=_run,
    applies=_applies,
    required=lambda subject: False,
)
