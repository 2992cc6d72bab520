"""The words of register lists: what makers write over a column, and in it, to our fields.

One table each. A word counts after capitals, brackets and signs are taken away (``plain_words``).
"""

from __future__ import annotations

import re

from probe.model.schedule_words import plain_words

#: Field to the headings that mean it; earlier words go first when two columns could be it.
HEADINGS: dict[str, tuple[str, ...]] = {
    "address": (
        "address", "register", "register address", "modbus address", "modbus register", "reg", "addr",
        "register number", "register no", "reg no", "start address", "start register", "starting address",
        "first register", "offset", "location", "reference", "holding register", "input register",
    ),
    "name": (
        "name", "point", "point name", "parameter", "parameter name", "variable", "signal", "measurement",
        "register name", "data point", "label", "symbol", "tag",
    ),
    "title": ("description", "title", "meaning", "comment", "comments", "remarks", "note", "notes", "detail"),
    "type": ("type", "format", "data type", "datatype", "data format", "value type", "encoding"),
    "count": (
        "count", "length", "size", "registers", "words", "no of registers", "number of registers", "qty",
        "register count", "word count", "len", "of registers",
    ),
    "scale": ("scale", "multiplier", "factor", "scaling", "scale factor", "gain", "resolution"),
    "offset": ("value offset", "zero offset", "bias"),
    "unit": ("units", "unit", "engineering units", "eng units", "engineering unit", "eu"),
    "access": ("r w", "access", "rw", "read write", "direction", "permission", "r w access"),
    "area": ("area", "table", "function", "function code", "fc", "register type", "object type", "object"),
    "order": ("order", "byte order", "word order", "endianness"),
    "range": ("range", "valid range", "value range", "limits"),
}  # fmt: skip

#: Facts of the whole list, from lines above the table (``Addressing: one_based``).
TITLES: dict[str, tuple[str, ...]] = {
    "addressing": ("addressing", "address convention", "addressing convention", "address base"),
    "order": ("order", "byte order", "word order"),
    "area": ("area", "table", "function", "function code"),
    "kind": ("kind", "device kind"),
    "title": ("title", "device", "model", "device type"),
}

#: Our type to the words for it; the words for one register and for two tell "int" apart by its length.
TYPES: dict[str, tuple[str, ...]] = {
    "u16": ("u16", "uint16", "uint 16", "unsigned 16", "unsigned int 16", "ushort", "word", "unsigned short",
            "16 bit unsigned", "unsigned 16 bit", "uint16 t", "unsigned integer 16",
            "unsigned 16 bit integer"),
    "i16": ("i16", "s16", "int16", "int 16", "signed 16", "short", "signed short", "16 bit signed", "sint16",
            "signed 16 bit", "int16 t", "signed 16 bit integer"),
    "u32": ("u32", "uint32", "uint 32", "unsigned 32", "udint", "dword", "ulong", "unsigned long",
            "32 bit unsigned", "unsigned 32 bit", "uint32 t", "unsigned 32 bit integer"),
    "i32": ("i32", "s32", "int32", "int 32", "signed 32", "dint", "long", "signed long", "32 bit signed",
            "signed 32 bit", "int32 t", "signed 32 bit integer"),
    "u64": ("u64", "uint64", "uint 64", "unsigned 64", "ulint", "64 bit unsigned", "unsigned 64 bit"),
    "i64": ("i64", "s64", "int64", "int 64", "signed 64", "lint", "64 bit signed", "signed 64 bit"),
    "f32": ("f32", "float32", "float 32", "float", "real", "single", "ieee754", "ieee 754", "32 bit float",
            "floating point", "float 32 bit", "real32"),
    "f64": ("f64", "float64", "float 64", "double", "lreal", "64 bit float", "real64"),
    "bcd": ("bcd", "packed bcd"),
    "text": ("text", "string", "ascii", "char", "char array", "ascii string", "utf8", "utf 8", "str"),
    "bits16": ("bits16", "bitmap", "bitmap16", "bitfield", "bitfield16", "flags", "bit field", "bitmask",
               "status word", "binary 16"),
    "bits32": ("bits32", "bitmap32", "bitfield32", "bit field 32"),
    "enum16": ("enum16", "enum", "enumeration", "enumerated"),
    "bit": ("bit", "bool", "boolean", "coil", "digital", "binary"),
}  # fmt: skip
#: Words that mean a whole number of whatever length the row says.
OPEN_TYPES = {
    "unsigned": {1: "u16", 2: "u32", 4: "u64"},
    "uint": {1: "u16", 2: "u32", 4: "u64"},
    "unsigned integer": {1: "u16", 2: "u32", 4: "u64"},
    "signed": {1: "i16", 2: "i32", 4: "i64"},
    "int": {1: "i16", 2: "i32", 4: "i64"},
    "integer": {1: "i16", 2: "i32", 4: "i64"},
}

AREAS: dict[str, tuple[str, ...]] = {
    "holding": (
        "holding",
        "holding register",
        "holding registers",
        "3",
        "03",
        "fc3",
        "fc03",
        "0x03",
        "4x",
        "hr",
    ),
    "input": ("input", "input register", "input registers", "4", "04", "fc4", "fc04", "0x04", "3x", "ir"),
    "discrete": (
        "discrete",
        "discrete input",
        "discrete inputs",
        "2",
        "02",
        "fc2",
        "fc02",
        "0x02",
        "1x",
        "di",
    ),
    "coil": ("coil", "coils", "1", "01", "fc1", "fc01", "0x01", "0x"),
}

#: Unit as written, lower case, to our spelling and the quantity that it settles ("" where it settles none).
UNITS: dict[str, tuple[str, str]] = {
    "v": ("V", ""), "volt": ("V", ""), "volts": ("V", ""), "kv": ("kV", ""), "mv": ("mV", ""),
    "a": ("A", "current"), "amp": ("A", "current"), "amps": ("A", "current"), "ka": ("kA", "current"),
    "ampere": ("A", "current"), "ma": ("mA", "current"),
    "w": ("W", "power_active"), "kw": ("kW", "power_active"), "mw": ("MW", "power_active"),
    "watt": ("W", "power_active"), "watts": ("W", "power_active"),
    "var": ("var", "power_reactive"), "kvar": ("kvar", "power_reactive"), "mvar": ("Mvar", "power_reactive"),
    "va": ("VA", "power_apparent"), "kva": ("kVA", "power_apparent"), "mva": ("MVA", "power_apparent"),
    "hz": ("Hz", "frequency"), "hertz": ("Hz", "frequency"),
    "wh": ("Wh", "energy_active"), "kwh": ("kWh", "energy_active"), "mwh": ("MWh", "energy_active"),
    "varh": ("varh", "energy_reactive"), "kvarh": ("kvarh", "energy_reactive"),
    "vah": ("VAh", "energy_apparent"), "kvah": ("kVAh", "energy_apparent"),
    "°c": ("°C", "temperature"), "c": ("°C", "temperature"), "degc": ("°C", "temperature"),
    "deg c": ("°C", "temperature"), "s": ("s", ""), "sec": ("s", ""), "seconds": ("s", ""), "ms": ("ms", ""),
    "min": ("min", ""), "h": ("h", ""), "%": ("%", ""), "percent": ("%", ""), "mbit/s": ("Mbit/s", "speed"),
}  # fmt: skip

_BY_HEADING = {word: (field, rank) for field, words in HEADINGS.items() for rank, word in enumerate(words)}
_BY_TITLE = {word: field for field, words in TITLES.items() for word in words}
_BY_TYPE = {word: name for name, words in TYPES.items() for word in words}
_BY_AREA = {word: area for area, words in AREAS.items() for word in words}


def heading(text: str) -> tuple[str, int] | None:
    """The field that a heading means, and how well it fits (0 best); None if none."""
    return _BY_HEADING.get(plain_words(text))


def title_field(text: str) -> str:
    """The fact that a word above the table names, "" if none."""
    return _BY_TITLE.get(plain_words(text), "")


def type_word(text: str, count: int | None) -> str:
    """Our type for the word of a list, "" if it is not understood. count: registers that the row states."""
    word = " ".join(re.findall(r"[a-z0-9]+", re.sub(r"[\[(].*", "", text.lower())))
    if word in OPEN_TYPES:
        return OPEN_TYPES[word].get(count or 1, "")
    return _BY_TYPE.get(word, "")


def text_length(text: str) -> int | None:
    """Characters that a type such as ``string[16]`` or ``ASCII (20)`` states; None if it states none."""
    found = re.search(r"[\[(]\s*(\d+)", text) or re.search(r"(\d+)\s*(?:char|byte)", text.lower())
    return int(found.group(1)) if found else None


def area_word(text: str) -> str:
    """Our area for the word or function code of a list, "" if it is not understood."""
    return _BY_AREA.get(" ".join(text.lower().split()), "")
