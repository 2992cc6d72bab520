"""Words for each way of not answering: what it is, and what to do about it."""

from __future__ import annotations

from probe.judge.facts import Reach
from probe.judge.wording import AT_THE_GEAR

EXPLAINED = {
    Reach.NO_TARGET: "its gateway is alive but gets no reply from this unit (exception 0B)",
    Reach.NO_PATH: "its gateway has no path to this unit (exception 0A)",
    Reach.SILENT: "the connection opens, but no request is answered",
    Reach.CLOSES: "the connection is closed before an answer comes",
    Reach.REFUSED: "the connection is refused",
    Reach.NO_CONNECT: "the connection is not answered at all",
    Reach.NO_ROUTE: "there is no way to the address from this computer",
    Reach.NO_NAME: "the host name in the map is unknown",
    Reach.FAILED: "the connection fails",
}

#: For a gateway, where the usual words speak of a device's unit number.
GATEWAY_ADVICE = {
    Reach.SILENT: (
        "It takes connections and answers nothing, for itself or its units: it may hang, or other masters "
        "hold it. "
        "See whether the gear's own master still gets answers before anyone restarts it."
    ),
}

ADVICE = {
    Reach.NO_TARGET: (
        "Check this unit's address, speed and parity against the gateway, its control power, and the serial "
        f"pair up to it (D0/D1 not swapped). {AT_THE_GEAR}"
    ),
    Reach.NO_PATH: (
        "The gateway never asked the serial line: look in its configuration for this unit's port and address "
        "range, and whether too many masters use it."
    ),
    Reach.SILENT: (
        "Compare the unit number in the map with the device (a server may ignore any other number). If it is "
        "right, the server may hang: see whether another master still gets answers before anyone restarts it."
    ),
    Reach.CLOSES: (
        "Socket limit suspected: the device bears few connections and others hold them. Stop other pollers "
        "for a minute and repeat."
    ),
    Reach.REFUSED: (
        "Something has this address but does not serve Modbus on this port: check address and port in the "
        "map, and whether Modbus TCP is switched on in the device."
    ),
    Reach.NO_CONNECT: (
        "The device is off, unplugged, at another address, or a firewall drops the packets: look at the link "
        f"light of its switch port first. {AT_THE_GEAR}"
    ),
    Reach.NO_ROUTE: (
        "Check this computer's address, mask and cable first (it must stand in the gear's subnet). If other "
        "devices of the subnet answer, this one is off or at another address."
    ),
    Reach.NO_NAME: "Write the address as a number in the map, or mend the name service.",
    Reach.FAILED: "See the operating system's text in the record, and repeat.",
    Reach.NO_PORT: "Plug in the adapter and write its port as this computer names it.",
    Reach.NOT_PERMITTED: "Start again with the right to use this port.",
    Reach.NOT_TRIED: "Repeat the run.",
}
