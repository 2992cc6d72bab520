"""All targets by name, found without loading the modules of others (what is loaded is what is measured)."""

from __future__ import annotations

import importlib

from tests.fuzz.target import Target

_BY_MODULE = {
    "modbus": "modbus_pdu registers",
    "links": "link_tcp link_rtu",
    "frames": "frames frame_protocols",
    "captures": "capture capture_gzip capture_filter",
    "services": "snmp_values snmp_messages sntp neighbour_tables",
    "snmp_session": "snmp_session",
    "words": "typed_words",
    "stores": "record_store",
    "documents": "yaml map profile study amounts procedure checklist checklist_items fleet trust project "
    "scenario report_texts",
    "sheets": "schedule register_list study_table",
    "records": "record_bytes record_forged record_packed record_verifier",
    "intake": "parcel delivery agent_journal history_file",
    "proofs": "report_pdf time_stamp certificates key_file",
}
#: Module of each target, in the order of the table.
HOMES = {name: module for module, names in _BY_MODULE.items() for name in names.split()}


def target(name: str) -> Target:
    """The target of the name. Raises KeyError."""
    module = importlib.import_module(f"tests.fuzz.targets.{HOMES[name]}")
    return {one.name: one for one in module.TARGETS}[name]
