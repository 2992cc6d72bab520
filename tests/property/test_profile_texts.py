"""Any edit of a profile is either a profile or a list of problems; never another exception."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from probe.model.document import parse
from probe.model.lineup import SourceText
from probe.model.profile_load import ProfileLibrary

PROFILES = Path(__file__).parents[2] / "profiles"
TEXTS = {
    path.stem: path.read_text(encoding="utf-8").splitlines(keepends=True)
    for path in PROFILES.glob("*.yaml")
    if not path.stem.startswith("sunspec")
}
# Words that stand somewhere in a profile, and values that people and accidents write.
WORDS = [
    "0", "-1", "65535", "65536", "0x8000", "0xFFFFFFFFFFFFFFFFFF", "1e999999999", "1E-400", "nan",
    "NaN", "sNaN", "inf", "empty", "erased", '""', "[]", "{}", "[1, 2]", "{0: x}", "yes", "no",
    "'?'", "u16", "i64", "f32", "f64", "bcd", "m10k", "text", "clock", "bit", "bits16", "enum16",
    "sunssf", "AB", "BA", "ABCD", "CDAB", "HGFEDCBA", "holding", "coil", "reference", "one_based",
    "zero_based", "cp56_octets", "fields", "[year/month, day]", "volts", "heartbeat", "status",
    "uptime", "clock", "2000-13-01T00:00:00", "40001", "0.0", "1.5", "V", "A",
]  # fmt: skip
KEYS = [
    "type", "order", "count", "scale", "offset", "scale_factor", "unit", "quantity", "phase",
    "range", "bits", "values", "not_available", "encoding", "fields", "area", "atom", "overlaps",
    "decimals", "address", "mask", "bit", "active", "point", "bus", "unset", "equals", "means",
    "bcd", "pad",
]  # fmt: skip


@st.composite
def edited(draw: st.DrawFn) -> tuple[str, str]:
    """A bundled profile with a few values replaced, fields added or lines removed."""
    name = draw(st.sampled_from(sorted(TEXTS)))
    lines = list(TEXTS[name])
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(4, len(lines) - 1))
        key, word = draw(st.sampled_from(KEYS)), draw(st.sampled_from(WORDS))
        line = lines[at]
        how = draw(st.sampled_from(["value", "field", "remove"]))
        if how == "remove":
            lines[at] = "\n"
        elif how == "field" and "{" in line:
            lines[at] = line.replace("{", f"{{{key}: {word}, ", 1)
        elif f"{key}: " in line:
            before, _, rest = line.partition(f"{key}: ")
            end = min((i for i in (rest.find(","), rest.find("}"), rest.find("\n")) if i >= 0), default=0)
            lines[at] = f"{before}{key}: {word}{rest[end:]}"
    return name, "".join(lines)


@settings(max_examples=150)
@given(edited())
def test_edits_end_in_a_profile_or_in_problems(name_text: tuple[str, str]) -> None:
    name, text = name_text
    library = ProfileLibrary({name: SourceText(name=f"{name}.yaml", text=text, sha256="")})
    checked = library.check(name)
    assert all(problem.file == f"{name}.yaml" and problem.what for problem in checked.problems)
    assert all(problem.line for problem in checked.problems)
    if checked.profile is None:
        assert checked.errors
        return
    assert parse(name, text).values["name"] == checked.profile.name
    for point in checked.profile.points:
        point.decoder.decode(bytes(2 * point.count))
