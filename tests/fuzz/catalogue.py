"""All targets by name, found without loading the modules of others (what is loaded is what is measured)."""

from __future__ import annotations

import importlib

from tests.fuzz.target import Target

#: Module of each target, in the order of the table.
HOMES: dict[str, str] = {
    "modbus_pdu": "modbus", "registers": "modbus", "link_tcp": "links", "link_rtu": "links", "frames": "frames",
    "frame_protocols": "frames", "capture": "captures", "capture_gzip": "captures", "capture_filter": "captures",
    "snmp_values": "services", "snmp_messages": "services", "sntp": "services", "neighbour_tables": "services",
    "yaml": "documents", "map": "documents", "profile": "documents", "study": "documents",
    "amounts": "documents", "procedure": "documents", "checklist": "documents", "checklist_items": "documents",
    "fleet": "documents", "trust": "documents", "project": "documents", "schedule": "sheets",
    "register_list": "sheets", "study_table": "sheets", "record_bytes": "records", "record_forged": "records",
    "record_packed": "records", "report_pdf": "proofs", "time_stamp": "proofs", "certificates": "proofs",
    "key_file": "proofs",
}  # fmt: skip


def target(name: str) -> Target:
    """The target of the name. Raises KeyError."""
    module = importlib.import_module(f"tests.fuzz.targets.{HOMES[name]}")
    return {one.name: one for one in module.TARGETS}[name]
