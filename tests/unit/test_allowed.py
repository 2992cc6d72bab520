"""The allow-list of reads: all 256 functions, and reads that are no legal reads."""

from __future__ import annotations

import pytest

from probe.model.pdu import identification_request, read_request
from probe.wire.allowed import WriteRefused, ensure_read


def test_of_all_functions_only_the_four_reads_and_identification_pass():
    passed = []
    for function in range(256):
        for pdu in (bytes((function, 0, 0, 0, 1)), bytes((function, 0x0E, 1, 0))):
            try:
                ensure_read(pdu)
            except WriteRefused:
                continue
            passed.append(pdu)
    assert passed == [read_request(f, 0, 1) for f in (1, 2, 3, 4)] + [identification_request()]


@pytest.mark.parametrize(
    "pdu",
    ["", "03", "03000000", "0300000000", "030000007E", "0300000001FF", "03FFFF0002", "01000007D1",
     "2B", "2B0E", "2B0E01", "2B0E0000", "2B0E0500", "2B0E010000", "2B0D0100"],
)  # fmt: skip
def test_reads_that_are_no_legal_reads_are_refused(pdu):
    with pytest.raises(WriteRefused):
        ensure_read(bytes.fromhex(pdu))
