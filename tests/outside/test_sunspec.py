"""SunSpec models decoded alike by us and by pysunspec2, on the same register images.

Source of the second opinion: pysunspec2 1.3.7 (the standard's own tools). Differences that are meant:

* a scale factor that is not available (0x8000): pysunspec2 gives the bare number, we give NO_SCALE;
* an accumulator of 0: pysunspec2 says "not implemented", we say 0 (a fresh meter);
* any NaN is "not implemented" for us; infinity is NOT_A_NUMBER for us, inf for pysunspec2;
* bit fields with only the top bit set are "not implemented" for us (older texts of the standard);
* a scale factor outside -10..10 is NO_SCALE for us (range from memory of the standard).
"""

from __future__ import annotations

import importlib.util
import json
import math
import random
import struct
from importlib.resources import files
from pathlib import Path

import pytest
import sunspec2.device
import sunspec2.mb

from probe.model.block import decode_points
from probe.model.lineup import SourceText
from probe.model.profile import Area, Profile
from probe.model.profile_load import ProfileLibrary
from probe.model.reading import Quality

ROOT = Path(__file__).parents[2]
METERS = (201, 202, 203, 204, 211, 212, 213, 214)
BASE = 40_000
METER_BASE = 40_070
SEEDS = range(40)


@pytest.fixture(scope="module")
def library() -> ProfileLibrary:
    paths = sorted((ROOT / "profiles").glob("sunspec-*.yaml"))
    return ProfileLibrary.of(
        SourceText(name=p.name, text=p.read_text(encoding="utf-8"), sha256="") for p in paths
    )


def definition(model: int) -> list[dict]:
    text = (files("sunspec2") / "models" / "json" / f"model_{model}.json").read_text(encoding="utf-8")
    return json.loads(text)["group"]["points"]


def ours(profile: Profile, start: int, payload: bytes) -> dict[str, tuple[object, Quality]]:
    """Our values by the standard's name (each profile line notes it)."""
    decoded = decode_points(profile, Area.HOLDING, start, payload)
    return {point.name: (value, quality) for point, _raw, value, quality in decoded}


def standard_names(model: int) -> dict[str, str]:
    """The standard's name of each of our points, from the notes in the YAML itself."""
    text = (ROOT / "profiles" / f"sunspec-{model}.yaml").read_text(encoding="utf-8")
    names = {}
    for line in text.splitlines():
        if line.startswith("  ") and ", note: " in line:
            names[line.split(":")[0].strip()] = line.rpartition("note: ")[2].rstrip("}")
    return names


SENTINELS = {"int16": 0x8000, "uint16": 0xFFFF, "acc32": 0, "bitfield32": 0xFFFFFFFF, "sunssf": 0x8000}


def random_model(model: int, seed: int) -> list[int]:
    """Registers of the model: random values, about one in six the type's own "not implemented" code."""
    chance = random.Random(1000 * model + seed)
    points = definition(model)
    length = sum(point["size"] for point in points) - 2
    data = b""
    for point in points:
        data += _random_point(point, chance, model, length)
    return list(struct.unpack(f">{len(data) // 2}H", data))


def _random_point(point: dict, chance: random.Random, model: int, length: int) -> bytes:
    kind, size = point["type"], point["size"]
    if point["name"] in ("ID", "L"):
        return struct.pack(">H", model if point["name"] == "ID" else length)
    if kind == "string":
        text = "".join(chance.choices("ABCxyz 019.-", k=chance.randint(0, 2 * size))).strip()
        return text.encode().ljust(2 * size, b"\0")
    if kind == "float32":
        plain = chance.choice([chance.uniform(-1e6, 1e6), float(chance.randint(0, 500)), math.nan, 0.0])
        anything = chance.choice(
            [chance.randbytes(4), struct.pack(">f", chance.choice([math.inf, -math.inf]))]
        )
        return struct.pack(">f", plain) if chance.random() < 0.8 else anything
    if kind in SENTINELS and chance.random() < 1 / 6:
        return SENTINELS[kind].to_bytes(2 * size, "big")
    if kind == "sunssf":
        return struct.pack(">h", chance.randint(-10, 10))
    return chance.randbytes(2 * size)


@pytest.mark.parametrize("model", METERS)
def test_every_point_of_random_images_reads_alike(library: ProfileLibrary, model: int) -> None:
    names = standard_names(model)
    assert sorted(names.values()) == sorted(point["name"] for point in definition(model))
    compared = 0
    for seed in SEEDS:
        registers = random_model(model, seed)
        payload = struct.pack(f">{len(registers)}H", *registers)
        theirs = sunspec2.device.Model(model)
        theirs.set_mb(data=payload)
        mine = ours(library.get(f"sunspec-{model}"), METER_BASE, payload)
        for name, standard in names.items():
            compared += _same(mine[name], theirs.points[standard], theirs)
    assert compared > len(SEEDS) * len(names) * 0.6  # the stated differences must not swallow the test


def _same(mine: tuple[object, Quality], point: object, model: object) -> bool:
    """Compare one point; False where one of the stated differences applies (which is asserted itself)."""
    value, quality = mine
    kind, raw = point.pdef["type"], point.value
    factor = point.sf and model.points[point.sf].value
    if kind == "acc32" and raw in (0, None):
        assert (value, quality) == (0, Quality.GOOD) or quality is Quality.NO_SCALE
        return False
    if point.sf and (factor is None or not -10 <= factor <= 10):
        assert quality in (Quality.NO_SCALE, Quality.NOT_AVAILABLE)
        return False
    if kind == "bitfield32" and raw == 0x80000000:
        assert quality is Quality.NOT_AVAILABLE
        return False
    if point.cvalue is None:
        assert quality is Quality.NOT_AVAILABLE, (point.pdef["name"], mine)
        return True
    if kind == "float32" and math.isinf(point.cvalue):
        assert quality is Quality.NOT_A_NUMBER
        return False
    assert quality is Quality.GOOD, (point.pdef["name"], mine, point.cvalue)
    assert value == pytest.approx(point.cvalue, rel=1e-12, abs=0), point.pdef["name"]
    return True


def test_common_model_reads_alike(library: ProfileLibrary) -> None:
    names = standard_names_common()
    for seed in SEEDS:
        registers = random_model(1, seed)
        payload = struct.pack(f">{len(registers)}H", *registers)
        theirs = sunspec2.device.Model(1)
        theirs.set_mb(data=payload)
        mine = ours(library.get("sunspec-common"), BASE, b"SunS" + payload)
        assert mine["marker"] == ("SunS", Quality.GOOD)
        for name, standard in names.items():
            value, quality = mine[name]
            if theirs.points[standard].cvalue is None:
                assert quality is Quality.NOT_AVAILABLE
            else:
                assert (value, quality) == (theirs.points[standard].cvalue, Quality.GOOD)


def standard_names_common() -> dict[str, str]:
    text = (ROOT / "profiles" / "sunspec-common.yaml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line.startswith("  ") and ", note: " in line]
    pairs = {line.split(":")[0].strip(): line.rpartition("note: ")[2].rstrip("}") for line in lines}
    pairs.pop("marker")
    assert sorted(pairs.values()) == ["DA", "ID", "L", "Md", "Mn", "Opt", "SN", "Vr"]
    return pairs


def test_scale_factor_not_available_is_never_unscaled(library: ProfileLibrary) -> None:
    """Trap (a): 2771 with V_SF 0x8000 is no voltage. Worked example: check values, section 11."""
    registers = [203, 105] + [0] * 105
    registers[8], registers[15] = 2771, 0x8000
    registers[2], registers[6] = 1234, 0xFFFF
    registers[33], registers[37] = 8512, 0xFFFE
    registers[3] = 0x8000
    payload = struct.pack(">107H", *registers)
    mine = ours(library.get("sunspec-203"), METER_BASE, payload)
    assert mine["voltage_a"] == (2771, Quality.NO_SCALE)
    assert mine["current_total"] == (123.4, Quality.GOOD)
    assert mine["power_factor_average"] == (85.12, Quality.GOOD)
    assert mine["current_a"][1] is Quality.NOT_AVAILABLE
    theirs = sunspec2.device.Model(203)
    theirs.set_mb(data=payload)
    assert theirs.points["PhVphA"].cvalue == 2771  # what we must not do


def test_energy_zero_of_a_fresh_meter_is_zero(library: ProfileLibrary) -> None:
    """Trap (b): accumulators at 0 are "not implemented" for pysunspec2, a legitimate 0 for us."""
    payload = struct.pack(">107H", 203, 105, *[0] * 105)
    assert ours(library.get("sunspec-203"), METER_BASE, payload)["energy_import"] == (0, Quality.GOOD)


def test_worked_values_of_the_check_list(library: ProfileLibrary) -> None:
    """check values, section 11: 277.1 V, -12300 W, 4294967295000 Wh."""
    registers = [203, 105] + [0] * 105
    registers[8], registers[15] = 2771, 0xFFFF
    registers[18], registers[22] = 0x10000 - 123, 2
    registers[46], registers[47], registers[54] = 0xFFFF, 0xFFFF, 3
    mine = ours(library.get("sunspec-203"), METER_BASE, struct.pack(">107H", *registers))
    assert mine["voltage_a"] == (277.1, Quality.GOOD)
    assert mine["power_total"] == (-12_300, Quality.GOOD)
    assert mine["energy_import"] == (4_294_967_295_000, Quality.GOOD)


def test_not_implemented_codes_are_the_standards_own(library: ProfileLibrary) -> None:
    """Each point's first not-available code is the constant of pysunspec2's ``mb.unimpl_value``."""
    types = {"u16": "uint16", "i16": "int16", "bits32": "bitfield32", "f32": "float32", "sunssf": "sunssf"}
    seen = set()
    for model in METERS:
        for point in library.get(f"sunspec-{model}").points:
            standard = types.get(point.type)
            if standard is None or point.name in ("marker",):
                continue
            raw = point.decoder.encode(None)
            code = sunspec2.mb.unimpl_value[standard] & ((1 << 8 * len(raw)) - 1)
            assert int.from_bytes(raw, "big") == code, point.name
            seen.add(standard)
    assert seen == set(types.values())


@pytest.mark.parametrize("model", METERS)
def test_lengths_and_offsets_of_the_models(library: ProfileLibrary, model: int) -> None:
    """check values, section 11: L is 105 (20x) or 124 (21x), and the offsets stated there."""
    profile = library.get(f"sunspec-{model}")
    length = 105 if model < 210 else 124
    assert {p.point: p.equals for p in profile.proof}["meter_length"] == length
    offsets = {point.name: point.start - METER_BASE for point in profile.points}
    expected = (
        {"voltage_a": 8, "scale_voltage": 15, "frequency": 16, "power_total": 18, "power_factor_average": 33,
         "energy_import": 46, "scale_energy": 54, "events": 105}
        if length == 105
        else {"voltage_a": 12, "frequency": 26, "power_total": 28, "power_factor_average": 52,
              "energy_import": 68, "events": 124}
    )  # fmt: skip
    assert {name: offsets[name] for name in expected} == expected


def test_the_files_are_what_the_definitions_say() -> None:
    """The committed YAML is exactly what the generator makes."""
    spec = importlib.util.spec_from_file_location("make_sunspec", Path(__file__).with_name("make_sunspec.py"))
    assert spec
    assert spec.loader
    maker = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(maker)
    assert {path.name: text == path.read_text(encoding="utf-8") for path, text in maker.texts().items()} == {
        path.name: True for path in maker.texts()
    }
