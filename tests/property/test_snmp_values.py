"""BER of variable bindings: back and forth, against an independent encoder, and whatever bytes come."""

from __future__ import annotations

import contextlib

from hypothesis import given
from hypothesis import strategies as st
from pyasn1.codec.ber import decoder, encoder
from pysnmp.proto import rfc1902, rfc1905

from probe.judge.network.sensors import sensors
from probe.judge.network.spanning_tree import roles, root_address
from probe.judge.network.switch_view import SwitchView
from probe.judge.network.topology import topology
from probe.judge.network.ups_state import from_snmp
from probe.model.device_map import DeviceMap
from probe.model.snmp_evidence import SnmpAnswer, SnmpOutcome, SnmpRequest
from probe.model.snmp_objects import BY_NAME
from probe.model.snmp_values import BerError, Binding, Kind, bind, decode, encode, oid_of, oid_text

sub = st.integers(0, 2**32 - 1)
oid = st.builds(
    lambda first, second, rest: (first, second, *rest),
    st.integers(0, 1),
    st.integers(0, 39),
    st.lists(sub, max_size=12),
)
binding = st.one_of(
    st.builds(Binding, oid, st.just(Kind.INTEGER), st.integers(-(2**31), 2**31 - 1)),
    st.builds(
        Binding, oid, st.sampled_from((Kind.COUNTER32, Kind.GAUGE32, Kind.TICKS)), st.integers(0, 2**32 - 1)
    ),
    st.builds(Binding, oid, st.just(Kind.COUNTER64), st.integers(0, 2**64 - 1)),
    st.builds(Binding, oid, st.sampled_from((Kind.OCTETS, Kind.OPAQUE)), st.binary(max_size=200)),
    st.builds(Binding, oid, st.just(Kind.OID), oid),
    st.builds(Binding, oid, st.sampled_from((Kind.NULL, Kind.NO_SUCH_OBJECT, Kind.END_OF_VIEW)), st.none()),
)


@given(st.lists(binding, max_size=6))
def test_what_is_written_is_read_back(bindings: list[Binding]) -> None:
    assert decode(encode(bindings)) == tuple(bindings)


@given(st.lists(binding, max_size=4))
def test_an_independent_decoder_reads_the_same(bindings: list[Binding]) -> None:
    """pyasn1 with the types of RFC 3416 as pysnmp has them."""
    read, rest = decoder.decode(encode(bindings), asn1Spec=rfc1905.VarBindList())
    assert not rest
    assert [tuple(one[0]) for one in read] == [one.oid for one in bindings]


@given(st.integers(-(2**31), 2**31 - 1), st.integers(0, 2**64 - 1), st.binary(max_size=40))
def test_an_independent_encoder_is_read(number: int, counter: int, data: bytes) -> None:
    values = (rfc1902.Integer32(number), rfc1902.Counter64(counter), rfc1902.OctetString(data))
    raw = bind(((1, 3, n), encoder.encode(value)) for n, value in enumerate(values))
    assert [one.value for one in decode(raw)] == [number, counter, data]


@given(st.binary(max_size=80))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    with contextlib.suppress(BerError):
        decode(data)


@given(st.lists(binding, max_size=3), st.integers(0, 400), st.integers(0, 255))
def test_a_flipped_byte_is_read_or_refused(bindings: list[Binding], place: int, value: int) -> None:
    data = bytearray(encode(bindings))
    data[place % len(data)] = value
    with contextlib.suppress(BerError):
        decode(bytes(data))


@given(st.lists(sub, min_size=1, max_size=8))
def test_dotted_form_and_back(parts: list[int]) -> None:
    assert oid_of(oid_text(parts)) == tuple(parts)


answer = st.builds(
    lambda name, turn, outcome, found, index: SnmpAnswer(
        host="127.0.0.1:161",
        tag="SW-1",
        object=name,
        round=turn,
        attempt=1,
        request=SnmpRequest.BULK,
        asked="",
        sent_ns=0,
        received_ns=1,
        outcome=outcome,
        detail="",
        bindings=encode([one._replace(oid=(*BY_NAME[name].oid, *index)) for one in found]),
    ),
    st.sampled_from(sorted(BY_NAME)),
    st.integers(0, 1),
    st.sampled_from((SnmpOutcome.DATA, SnmpOutcome.DATA, SnmpOutcome.NO_ANSWER)),
    st.lists(binding, max_size=3),
    st.lists(st.integers(0, 400), max_size=4),
)
MAP = DeviceMap.model_validate(
    {
        "format": "buswitness-map/1",
        "site": "Tarn Hollow Water Works",
        "lineup": "MSB-1",
        "system": {"voltage_v": 480, "frequency_hz": 60},
        "links": [{"name": "ring-1", "ends": [{"tag": "SW-1", "port": "p1"}, {"tag": "SW-2", "port": "p1"}]}],
        "devices": [
            {
                "tag": tag,
                "kind": "switch",
                "profile": "x",
                "section": "A",
                "address": {"host": f"127.0.0.{tag[-1]}"},
            }
            for tag in ("SW-1", "SW-2")
        ],
    }
)


@given(st.lists(answer, max_size=12))
def test_whatever_an_agent_tells_can_be_looked_at(answers: list[SnmpAnswer]) -> None:
    """Values of the wrong type, indices of the wrong length, tables with holes: seen as not told."""
    view = SwitchView("SW-1", enumerate(answers))
    found = topology(MAP, {"SW-1": view})
    assert found.edges
    for one in view.ports:
        assert isinstance(one.name, str)
    assert isinstance(roles(view), dict)
    assert isinstance(root_address(view), str)
    list(sensors(view))
    from_snmp(view)
