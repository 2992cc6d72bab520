"""Neighbour tables as the systems print them. The texts are made up in the formats of the systems' tools:
proc(5) of the Linux man-pages, arp of macOS, arp of Windows (from memory); nothing in them is a real host."""

from __future__ import annotations

from probe.wire.neighbours import neighbour_of, parse_arp, parse_proc, read_table, shared
from probe.wire.system_clock import SystemClock

PROC = """\
IP address       HW type     Flags       HW address            Mask     Device
192.0.2.11       0x1         0x2         02:00:5E:10:00:01     *        eth0
192.0.2.12       0x1         0x0         00:00:00:00:00:00     *        eth0
192.0.2.13       0x1         0x6         02:00:5e:10:00:03     *        eth0
192.0.2.14       0x1         zz          02:00:5e:10:00:04     *        eth0
192.0.2.15       0x1         0x8         02:00:5e:10:00:05     *        eth0
not an entry
"""

WINDOWS = """\

Interface: 192.0.2.1 --- 0x7
  Internet Address      Physical Address      Type
  192.0.2.11            02-00-5e-10-00-01     dynamic
  192.0.2.255           ff-ff-ff-ff-ff-ff     static
  224.0.0.22            01-00-5e-00-00-16     static
"""

WINDOWS_GERMAN = """\
Schnittstelle: 192.0.2.1 --- 0x7
  Internetadresse       Physische Adresse     Typ
  192.0.2.11            02-00-5e-10-00-01     dynamisch
"""

MACOS = """\
? (192.0.2.11) at 2:0:5e:10:0:1 on en0 ifscope [ethernet]
? (192.0.2.12) at (incomplete) on en0 ifscope [ethernet]
gw.example (192.0.2.254) at 2:0:5e:10:0:fe on en0 ifscope [ethernet]
"""


def test_linux():
    assert parse_proc(PROC) == {"192.0.2.11": "02:00:5e:10:00:01", "192.0.2.13": "02:00:5e:10:00:03"}


def test_windows_in_any_language():
    expected = {"192.0.2.11": "02:00:5e:10:00:01"}
    assert {k: v for k, v in parse_arp(WINDOWS).items() if k.startswith("192.")} == expected
    assert parse_arp(WINDOWS_GERMAN) == expected


def test_macos_writes_no_leading_zeros():
    assert parse_arp(MACOS) == {"192.0.2.11": "02:00:5e:10:00:01", "192.0.2.254": "02:00:5e:10:00:fe"}


def test_nonsense_gives_nothing():
    for text in ("", "\0\xff garbage", "999.1.1.1 at 2:0:5e:10:0:1", "192.0.2.1 at 1:2:3:4:5:6:7:8"):
        assert parse_arp(text) == {}
        assert parse_proc(text + "\n" + text) == {}


def test_this_systems_table_is_read_without_raising():
    table = read_table()
    assert all(len(hardware) == 17 for hardware in table.values())


def test_neighbour_and_shared_addresses():
    router = "02:00:5e:10:00:01"
    table = {
        "192.0.2.11": router,
        "192.0.2.9": router,
        "192.0.2.3": "02:00:5e:10:00:03",
    }
    assert neighbour_of("192.0.2.11", "M1", SystemClock(), table)[:2] == ("192.0.2.11", "M1")
    assert neighbour_of("192.0.2.11", "M1", SystemClock(), table).hardware_address == router
    assert neighbour_of("192.0.2.99", "M1", SystemClock(), table).hardware_address == ""
    assert shared(table) == {router: ("192.0.2.9", "192.0.2.11")}


def test_a_torn_table_gives_no_half_addresses():
    """Found by fuzzing: what stands where the hardware address belongs is looked at."""
    line = "192.0.2.1 0x1 0x2 {} * eth0\n"
    for torn in ("02:00:5e:10:00:2.0.2.1", "02:00:5e:10:00:012", "02:00:5e:1g:00:01", "a:b:c:d:e:\u00e9"):
        assert parse_proc("head\n" + line.format(torn)) == {}
    assert parse_proc("head\n" + line.format("02:00:5e:10:00:01")) == {"192.0.2.1": "02:00:5e:10:00:01"}
