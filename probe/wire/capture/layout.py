"""How the kernel lays out its tables: names of its totals, and a ``struct`` format for each kind of row.

Must agree with ``kernel/base.h`` and the structures beside it; a test compares names and sizes.
"""

from __future__ import annotations

from struct import Struct

_TOTALS = """
packets wire_bytes occupied_bytes truncated backward no_time first_ns last_ns low_ns high_ns
status format big_endian_file tick link_type snap_length sections interfaces_seen dropped_by_capture
damaged_at unread_link
unicast multicast broadcast tagged length_frames short_frames
arp arp_requests arp_replies arp_probes arp_gratuitous arp_odd arp_other_source
ip4 ip6 fragments bad_ip tcp udp icmp tcp_cut
opened syn syn_ack fin rst data retransmitted partly_new late ahead copies_seen copies_with_data
keep_alive keep_alive_byte syn_again fin_again zero_window same_ack refused holes_skipped held_over
requests_seen responses_seen exceptions matched matched_exceptions repeated reused negative
requests_high_bit mb_connections mb_retransmitted mb_partly_new mb_late mb_copies mb_holes
several_in_segment most_in_segment split not_modbus not_modbus_bytes bad_protocol bad_length
most_open
peak_group peak_group_ns peak_packets peak_packets_ns peak_bytes peak_bytes_ns
snmp1 snmp2 snmp3 snmp_default_name
hosts_full other_frames other_bytes devices_full writes_full kinds_full distinct_full evicted
requests_forgotten exact_count bin_width_ns link_bps
"""
#: Names of the totals; a time is in nanoseconds since 1970.
TOTALS: tuple[str, ...] = tuple(_TOTALS.split())

#: Numbers of the tables, as ``table()`` of the kernel takes them.
(
    TOTAL,
    OUT,
    HOST,
    KIND,
    BIN,
    FINE,
    EXACT_DEVICE,
    EXACT_NS,
    DEVICE,
    WRITE,
    FUNCTION,
    ENTRY,
    DISTINCT,
    UNIT,
) = range(14)

# What ``feed`` of the kernel returns: bytes that wait, and flags.
WAITING, ENDED, SOME_OUT, MUST_EMPTY = (1 << 28) - 1, 1 << 28, 1 << 29, 1 << 30

# Statuses of a file.
RUNNING, DONE, NOT_A_CAPTURE, DAMAGED, CUT_SHORT = range(5)

COLUMNS, FINE_COLUMNS, BIN_COLUMNS = 31 * 32, 31 * 256, 80
POLLS, CODES = 8, 16

CLAIM = Struct("<6sBxIIqq")
HOST_ROW = Struct("<16sBB2xIQQ" + "32s" * 4)
KIND_ROW = Struct("<IIQQ")
BIN_ROW = Struct(f"<7Q{BIN_COLUMNS}I")
POLL = Struct("<IIB3x4sqqqdd")
DEVICE_HEAD = Struct(f"<16sHBxI6Q{CODES}Qqq3Q6Iq")
DEVICE_ROW = DEVICE_HEAD.size + POLLS * POLL.size + COLUMNS * 4
WRITE_ROW = Struct("<16sIB3x3QqqII")
ENTRY_ROW = Struct("<9IBBHq")
DISTINCT_ROW = Struct("<QIIqqq")
OUT_HEAD = Struct("<4I2Q")

FREE, REQUEST, ANSWER = range(3)
LLDP, STP, DCP, CDP, MRP, REDUNDANT = range(1, 7)
ETHERTYPE, LLC, IP, TCP, UDP, LINK, VLAN = range(1, 8)
