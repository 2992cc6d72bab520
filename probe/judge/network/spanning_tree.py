"""Spanning tree of each switch: root, timers, states and roles of ports, topology changes.

BRIDGE-MIB tells states, not roles; a role follows from the state, the root port and the designated bridge.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from probe.judge.check import LineupCheck
from probe.judge.lineup_context import LineupContext
from probe.judge.network.rates import TICKS_A_SECOND
from probe.judge.network.switch_check import agent_check, views
from probe.judge.network.switch_view import SwitchView
from probe.judge.wording import count, some, span
from probe.model.finding import Finding, Verdict

#: dot1dStpPortState. Source: RFC 4188 (BRIDGE-MIB).
STATES = {1: "disabled", 2: "blocking", 3: "listening", 4: "learning", 5: "forwarding", 6: "broken"}
_FORWARDING, _BLOCKING, _BROKEN = 5, 2, 6
_UNSETTLED = (3, 4)


def root_address(view: SwitchView) -> str:
    """Hardware address of the root as the switch sees it; empty if it does not tell.

    A bridge id is two octets of priority and six of address (IEEE 802.1D, from memory).
    """
    told = view.octets("dot1dStpDesignatedRoot")
    return told[2:].hex(":") if len(told) == 8 and any(told) else ""


def own_address(view: SwitchView) -> str:
    """The bridge's own hardware address; empty if it does not tell."""
    told = view.octets("dot1dBaseBridgeAddress")
    return told.hex(":") if len(told) == 6 else ""


def is_spanning(view: SwitchView) -> bool:
    """True if the switch says that it takes part in a spanning tree (a root is known)."""
    return bool(root_address(view)) and bool(view.numbers("dot1dStpPortState"))


def roles(view: SwitchView) -> dict[str, str]:
    """Port name to its role and state, as ``root, forwarding``; only ports that are up."""
    own = bytes.fromhex(own_address(view).replace(":", ""))
    root_port = view.whole("dot1dStpRootPort") or 0
    found = {}
    for index, state in view.numbers("dot1dStpPortState").items():
        interface = view.by_bridge_port.get(index[-1])
        if interface is None or not interface.up:
            continue
        seen = view.column("dot1dStpPortDesignatedBridge").get(index)
        bridge = seen.value if seen is not None and isinstance(seen.value, bytes) else b""
        if index[-1] == root_port:
            role = "root"
        elif own and bridge[2:] == own:
            role = "designated"
        else:
            role = "alternate"
        found[interface.name] = f"{role}, {STATES.get(state, str(state))}"
    return found


# --- checks ------------------------------------------------------------------------------------------------


def _state(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterator[Finding]:
    if not is_spanning(view):
        return
    told = roles(view)
    lines = view.lines("dot1dStpPortState")[:4]
    broken = [name for name, text in told.items() if text.endswith(STATES[_BROKEN])]
    unsettled = [name for name, text in told.items() if text.endswith(("listening", "learning"))]
    for name in broken:
        yield check.find(
            view.tag,
            Verdict.FAIL,
            f"Port {name} is broken, says the spanning tree",
            observed="broken",
            expected="forwarding or blocking",
            point=name,
            evidence=lines,
            advice="The switch has taken the port out: look at its log.",
        )
    if unsettled:
        yield check.find(
            view.tag,
            Verdict.REVIEW,
            "The spanning tree has not settled",
            observed=some([f"{name}: {told[name]}" for name in unsettled]),
            expected="forwarding or blocking",
            evidence=lines,
            advice="Wait, and survey again: something was plugged in or came back just now.",
        )
    if not broken and not unsettled:
        yield check.find(
            view.tag,
            Verdict.PASS,
            check.title,
            observed=some([f"{name}: {text}" for name, text in sorted(told.items())], 6),
            evidence=lines,
        )


def _changes(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterable[Finding]:
    first, second = view.whole("dot1dStpTopChanges", 0), view.whole("dot1dStpTopChanges", 1)
    if first is None or second is None or not is_spanning(view):
        return ()
    since_s = (view.whole("dot1dStpTimeSinceTopologyChange", 1) or 0) / TICKS_A_SECOND
    many = (second - first) % (1 << 32)
    return (
        check.find(
            view.tag,
            Verdict.FAIL if many else Verdict.PASS,
            "The topology changed while it was watched" if many else check.title,
            observed=f"{count(many, 'change')}, {second} since start; the last {span(since_s)} ago",
            expected="none while watched",
            evidence=view.lines("dot1dStpTopChanges"),
            advice="A link that comes and goes: look for ports that go up and down, loose plugs, a device "
            "that restarts."
            if many
            else "",
        ),
    )


def _timers(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterable[Finding]:
    """Source: IEEE 802.1D: 2 * (forward delay - 1 s) >= max age >= 2 * (hello + 1 s)."""
    names = ("dot1dStpForwardDelay", "dot1dStpMaxAge", "dot1dStpHelloTime")
    forward, age, hello = (view.whole(name) for name in names)
    if forward is None or age is None or hello is None or not is_spanning(view):
        return ()
    # Timers of BRIDGE-MIB count hundredths of a second.
    fits = 2 * (forward - 100) >= age >= 2 * (hello + 100)
    return (
        check.find(
            view.tag,
            Verdict.PASS if fits else Verdict.FAIL,
            check.title if fits else "Timers of the spanning tree do not fit each other",
            observed=f"forward delay {forward / 100:g} s, max age {age / 100:g} s, hello {hello / 100:g} s",
            expected="2 (forward delay - 1 s) >= max age >= 2 (hello + 1 s)",
            evidence=view.lines(*names)[:2],
            advice=""
            if fits
            else "With such timers a switch may believe old news and make a loop: set them as the standard "
            "has them (15, 20, 2 s).",
        ),
    )


def _root(check: LineupCheck, view: SwitchView, context: LineupContext) -> Iterable[Finding]:
    root = root_address(view)
    if not root or not is_spanning(view):
        return ()
    wanted = [network.root for network in context.map.networks if network.root]
    names = _names_of_bridges(context)
    shown = names.get(root, root)
    if not wanted:
        return (check.untested(view.tag, f"the map does not say which switch is the root (it is {shown})"),)
    right = names.get(root) in wanted
    known = all(tag in names.values() for tag in wanted)
    verdict = Verdict.PASS if right else (Verdict.FAIL if known else Verdict.REVIEW)
    return (
        check.find(
            view.tag,
            verdict,
            check.title if right else f"{shown} is the root of the spanning tree",
            observed=f"{shown} ({root})" if shown != root else root,
            expected=some(wanted),
            evidence=view.lines("dot1dStpDesignatedRoot"),
            advice=""
            if right
            else "The root decides which links carry everything: give the switch that should be it the least "
            "priority number. A root that nobody knows is a switch that is not on the drawing.",
        ),
    )


def _names_of_bridges(context: LineupContext) -> dict[str, str]:
    """Hardware address of each bridge that told it, to its tag; else that of the map."""
    known = {d.hardware_address: d.tag for d in context.map.devices if d.hardware_address}
    known |= {own: tag for tag, view in views(context).items() if (own := own_address(view))}
    return known


_LACKS = "the spanning tree of RFC 4188 (BRIDGE-MIB), or takes part in none"

CHECKS: tuple[LineupCheck, ...] = (
    agent_check(
        _state,
        id="switch.tree_state",
        title="The spanning tree has settled",
        lacks=_LACKS,
        why="A port that is broken or still listening carries nothing: a ring is open twice, or will be.",
        source="RFC 4188 (BRIDGE-MIB: dot1dStpPortState)",
        danger=6,
    ),
    agent_check(
        _changes,
        id="switch.tree_changes",
        title="The topology did not change while it was watched",
        lacks=_LACKS,
        why="Each change makes all switches forget where everybody is: replies stay out for a while.",
        source="RFC 4188 (BRIDGE-MIB: dot1dStpTopChanges, dot1dStpTimeSinceTopologyChange)",
        danger=6,
        twice=True,
    ),
    agent_check(
        _timers,
        id="switch.tree_timers",
        title="Timers of the spanning tree fit each other",
        lacks=_LACKS,
        why="Timers that do not fit can make a loop: it takes the whole network down in seconds.",
        source="IEEE 802.1D (rule of the three timers, from memory); RFC 4188 (BRIDGE-MIB)",
        danger=6,
    ),
    agent_check(
        _root,
        id="switch.tree_root",
        title="The root of the spanning tree is the switch drawn",
        lacks=_LACKS,
        why="With the wrong root all traffic takes another way, often through the smallest switch.",
        source="RFC 4188 (BRIDGE-MIB: dot1dStpDesignatedRoot); rule: map",
        danger=4,
    ),
)
