"""The words of device schedules: what engineers write over a column, and in it, to our fields.

One table each. A word counts after capitals, brackets with units and signs are taken away
(``plain_words``). Earlier words of a field go before later ones when two columns could be it.
"""

from __future__ import annotations

import re


def _table(text: str) -> dict[str, tuple[str, ...]]:
    """A table from lines of ``field: word, word``; a line that begins with a comma's rest goes on."""
    joined = re.sub(r",\s*\n\s+", ", ", text)
    pairs = (line.partition(":") for line in joined.splitlines() if line.strip())
    return {name.strip(): tuple(word.strip() for word in words.split(",")) for name, _, words in pairs}


#: Field to the headings that mean it.
HEADINGS: dict[str, tuple[str, ...]] = _table(
    """
    tag: tag, device tag, equipment tag, tag no, tag number, tag name, designation, device id,
        equipment id, equipment no, equipment number, device, equipment, device name, equipment name,
        breaker, breaker no, name
    kind: kind, type, device type, equipment type, device kind, type of device, category
    profile: profile, device profile, register profile, register map
    model: model, model no, model number, catalog no, catalogue no, part no, part number
    section: section, section no, vertical section, structure, panel, panel section, bay, board section
    cubicle: cubicle, compartment, cubicle no, compartment no, cell, unit position, location
    description: description, load, load name, service, served load, circuit, circuit name, feeds,
        function, purpose, remarks, remark, comment, comments, notes
    host: ip, ip address, ip addr, ipv4, ipv4 address, host, host name, hostname, tcp ip address,
        network address, ethernet ip, address
    port: port, tcp port, modbus port, modbus tcp port, port no
    unit: unit, unit id, unit no, unit number, modbus unit, modbus unit id, modbus address, modbus id,
        modbus addr, slave, slave id, slave address, slave no, server address, rtu address, serial address,
        bus address, node, node id, node address, station, station no, device address
    via: via, gateway, gateway tag, behind gateway, serial gateway, modbus gateway, through
    framing: framing, protocol, comms protocol, communication protocol
    mask: mask, subnet mask, netmask, network mask, subnet
    router: router, default gateway, gateway ip, gateway ip address, ip gateway
    hardware_address: hardware address, mac, mac address, mac addr, mac id, ethernet address,
        physical address
    fed_from: fed from, fed by, source, supply, supplied from, supplied by, upstream, upstream device,
        upstream breaker, parent, feeder from, incomer
    frame_a: frame, frame size, frame rating, breaker frame, af
    sensor_a: sensor, sensor rating, sensor size, in sensor
    plug_a: plug, rating plug, plug rating, at
    ct: ct, ct ratio, cts, current transformer, current transformer ratio
    vt: vt, vt ratio, pt, pt ratio, vts, voltage transformer, voltage transformer ratio
    serial: serial no, serial number, serial, s n, sn, ser no
    firmware: firmware, firmware version, fw, f w, fw version, firmware rev, version
    maker: maker, manufacturer, make, mfr
    position: expected position, position, racked position, rack position, racking position,
        drawout position
    breaker: expected state, breaker state, breaker status, state, status, normal state, open closed,
        open or closed, normal position
    energized: energized, energised, live, expected energized, expected energised
    maintenance: maintenance mode, maintenance, maintenance switch, maintenance mode switch
    study: study, study file, settings file, setting file, coordination study
    """
)

#: Facts of the whole lineup, from lines above the table.
TITLES: dict[str, tuple[str, ...]] = _table(
    """
    site: site, site name, plant, facility, project, location
    lineup: lineup, line up, switchboard, switchgear, board, lineup name, equipment, gear
    system: system, nominal system, system voltage, voltage, nominal voltage, rated voltage
    frequency: frequency, nominal frequency
    zone: time zone, timezone, zone
    subnet: subnet, network, ip subnet, ip range
    router: router, default gateway
    """
)

KINDS: dict[str, tuple[str, ...]] = _table(
    """
    trip-unit: trip unit, tripunit, electronic trip unit, etu, circuit breaker, breaker, acb, mccb,
        lvpcb, main breaker, tie breaker, feeder breaker, main, tie, feeder, incomer, bus coupler
    meter: meter, power meter, energy meter, multifunction meter, power quality meter, pq meter, pm
    gateway: gateway, serial gateway, modbus gateway, ethernet gateway, serial server, converter
    switch: switch, ethernet switch, network switch, managed switch
    ups: ups, small ups, control ups, uninterruptible power supply
    master: master, master controller, controller, plc, automation controller, transfer controller
    other: other
    """
)

_PLACES = frozenset({"main", "tie", "feeder", "incomer", "breaker"})

#: Words of the columns that hold one of a few states.
STATES: dict[str, dict[str, tuple[str, ...]]] = {
    "position": {
        "connected": ("connected", "conn", "connect", "racked in", "service", "in service"),
        "test": ("test", "test position"),
        "withdrawn": ("withdrawn", "disconnected", "disc", "racked out", "removed", "isolated"),
    },
    "breaker": {
        "open": ("open", "o", "off", "normally open", "n o"),
        "closed": ("closed", "close", "c", "on", "normally closed", "n c"),
        "tripped": ("tripped", "trip"),
    },
    "energized": {
        "yes": ("yes", "y", "true", "live", "energized", "energised", "1", "x"),
        "no": ("no", "n", "false", "dead", "0"),
    },
    "maintenance": {"on": ("on", "yes", "y"), "off": ("off", "no", "n")},
    "framing": {
        "mbap": ("mbap", "modbus tcp", "tcp", "modbus tcp ip", "tcp ip", "modbustcp"),
        "rtu": ("rtu over tcp", "modbus rtu over tcp", "rtu tcp", "rtu", "modbus rtu", "serial", "rs 485"),
    },
}

#: What stands in a cell that is meant to be empty.
NOTHING = frozenset(
    {"", "-", "--", "---", "–", "—", "n/a", "na", "n.a.", "none", "nil", "tbd", "tba", "?", "*"}
)


def plain_words(text: str) -> str:
    """The words alone: lower case, brackets (``(A)``) and signs taken away."""
    without = re.sub(r"\([^)]*\)|\[[^\]]*\]", " ", text.lower())
    return " ".join(re.findall(r"[a-z0-9]+", without))


def _by_word(table: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, int]]:
    """Word to its field and its place in the field's list; a word of two fields goes to the first."""
    found: dict[str, tuple[str, int]] = {}
    for name, words in table.items():
        for rank, word in enumerate(words):
            found.setdefault(word, (name, rank))
    return found


_HEADINGS = _by_word(HEADINGS)
_KINDS = _by_word(KINDS)
_TITLES = _by_word(TITLES)


def heading_field(text: str) -> tuple[str, int] | None:
    """The field that a heading means, and how plainly (0 best); None for a foreign heading."""
    return _HEADINGS.get(plain_words(text))


def title_fact(text: str) -> str | None:
    """The fact of the lineup that a label above the table names."""
    found = _TITLES.get(plain_words(text))
    return found[0] if found else None


def kind_of(text: str) -> str | None:
    """The kind that the words in a type column mean; None if they mean none, or two different ones.

    A place in the lineup (main, tie, feeder) decides only where nothing else does: a "feeder meter" is a
    meter.
    """
    words = plain_words(text)
    if words in _KINDS:
        return _KINDS[words][0]
    parts = [word for word in _KINDS if re.search(rf"\b{word}\b", words)]
    plain = [word for word in parts if word not in _PLACES] or parts
    kinds = {_KINDS[word][0] for word in plain}
    return kinds.pop() if len(kinds) == 1 else None


def state_of(field: str, text: str) -> str | None:
    """The state that the words mean in the column of that field."""
    words = plain_words(text)
    return next((state for state, known in STATES[field].items() if words in known), None)
