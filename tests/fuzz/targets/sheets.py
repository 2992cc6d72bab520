"""Targets: tables of other people's programs: schedules, register lists, studies; CSV and workbooks."""

from __future__ import annotations

import io
import random
import zipfile
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

from probe.collect.spreadsheet import read_sheet
from probe.model.map_load import load_lineup
from probe.model.profile_load import ProfileLibrary
from probe.model.register_list import make_profile
from probe.model.schedule import understand
from probe.model.schedule_map import make_map
from probe.model.schedule_words import heading_field
from probe.model.sheet import Sheet
from probe.model.study_load import load_study
from probe.model.study_table import study_text, understand_table
from probe.model.study_words import heading_of
from tests.fuzz.mutate import any_bytes, lines_of
from tests.fuzz.target import Target, check_problem, need, refused
from tests.fuzz.targets.documents import library, words_of
from tests.fuzz.targets.records import file_of

EXAMPLES = Path(__file__).parents[3] / "examples"
_WORKBOOK, _CELLS = 1, 2  # kinds of input beside text: the file as it is; the text of a sheet's XML


def _sheet(data: bytes, known: Any) -> Sheet | None:
    kind, body = (data[0] if data else 0), data[1:]
    if kind == _CELLS:
        path = file_of(_zipped(body), "s.xlsx")
    else:
        path = file_of(body, "s.xlsx" if kind == _WORKBOOK else "s.csv")
    sheet = refused(lambda: read_sheet(path, None, known), str(path))
    if sheet is not None:
        for row in sheet.rows[:200]:
            for cell in row:
                need(cell.row >= 1 and cell.column >= 1, f"a cell that is nowhere: {cell}")
                need(isinstance(cell.text, str) and cell.name, "a cell without text or name")
    return sheet


@lru_cache(maxsize=1)
def _parts() -> dict[str, bytes]:
    with zipfile.ZipFile(EXAMPLES / "schedule.xlsx") as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def _main_sheet() -> str:
    return max(
        (name for name in _parts() if "/worksheets/sheet" in name), key=lambda name: len(_parts()[name])
    )


def _zipped(sheet: bytes) -> bytes:
    """The example's workbook with another sheet in the place of its largest."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        for name, data in _parts().items():
            archive.writestr(zipfile.ZipInfo(name), sheet if name == _main_sheet() else data)
    return held.getvalue()


def _schedule(data: bytes) -> None:
    sheet = _sheet(data, heading_field)
    if sheet is None:
        return
    understood = refused(lambda: understand(sheet), sheet.file)
    if understood is None:
        return
    made = make_map(understood, "made.yaml", library().names())
    for problem in made.problems:
        check_problem(problem, "")
    if made.text:
        # What it wrote must be a map, at worst with values for a person to fill in or to mend.
        refused(
            lambda: load_lineup("made.yaml", lambda name: made.text.encode(), library()),
            "made.yaml",
            made.text.encode(),
        )


def _registers(data: bytes) -> None:
    sheet = _sheet(data, heading_field)
    if sheet is None:
        return
    made = make_profile(sheet, "made", addressing=None if len(data) % 2 else "zero_based")
    for problem in made.problems:
        check_problem(problem, "")
    need(made.text or made.problems, "no profile and no reason")
    if made.text:
        from probe.model.lineup import SourceText

        checked = ProfileLibrary({"made": SourceText(name="made.yaml", text=made.text, sha256="")}).check(
            "made"
        )
        for problem in checked.problems:
            check_problem(problem, "made.yaml", made.text.encode())


def _study(data: bytes) -> None:
    sheet = _sheet(data, heading_of)
    if sheet is None:
        return
    table = refused(lambda: understand_table(sheet), sheet.file)
    if table is not None:
        text, _ = study_text(table)
        refused(lambda: load_study("made.yaml", text), "made.yaml", text.encode())


_LIST = """Device,Quellmark QM-3
Addressing,zero based
Address,Name,Type,Unit,Scale,Description
0,voltage_a,u16,V,0.1,Voltage phase A
1,current_a,f32,A,1,Current "phase" A
3,energy,u64,kWh,0.001,Energy
7,status,bits16,,,Status
"""
_STUDY = """Site,Tarn Hollow Water Works
Lineup,MSB-1
Tag,Long time pickup (A),Long time delay (s),Short time pickup (A),Short time delay (ms),Instantaneous (A)
52-M1,1600,12,6400,300,off
52-F1,320,6,1920,100,"3,200"
52-F2,0.8 x In,6 s at 6 x pickup,1.5 kA,18 cycles,8 x In
"""


def _seeds(text: str) -> Callable[[], Iterator[bytes]]:
    def seeds() -> Iterator[bytes]:
        schedule = (EXAMPLES / "schedule.csv").read_bytes()
        for one in (text.encode(), schedule[:3000]):
            yield b"\0" + one
            yield b"\0" + one.replace(b",", b";")
            yield b"\0" + one.decode("utf-8-sig", "ignore").encode("utf-16")
        yield b"\2" + _parts()[_main_sheet()][:9000]
        yield b"\1" + (EXAMPLES / "schedule.xlsx").read_bytes()[:16_000]

    return seeds


def _mutator(words: tuple[str, ...]) -> Callable[[bytes, random.Random], bytes]:
    lines = lines_of((*words, ",", ";", '"', "\t", '<c r="A1" t="s"><v>1</v></c>', '<row r="9999999">'))

    def change(data: bytes, rng: random.Random) -> bytes:
        if data[:1] == b"\0":
            return b"\0" + lines(data[1:], rng)
        return data[:1] + any_bytes(
            data[1:], rng, (b"<row>", b'<c r="ZZZ1">', b"<v>1e999</v>", b't="s"', b't="d"', b't="e"')
        )

    return change


def _target(name: str, promise: str, run: Any, text: str, words: tuple[str, ...]) -> Target:
    return Target(
        name=name,
        promise=promise,
        run=run,
        seeds=_seeds(text),
        mutate=_mutator(words),
        longest=20_000,
        calls=40,
    )


TARGETS = (
    _target(
        "schedule",
        "any table becomes a map that loads or says what is missing, each problem at its cell",
        _schedule,
        (EXAMPLES / "schedule.csv").read_text("utf-8-sig")[:2000],
        words_of("examples/schedule.csv"),
    ),
    _target(
        "register_list",
        "any table becomes a profile with its problems, or is refused with a reason",
        _registers,
        _LIST,
        (
            "Address",
            "Register",
            "Type",
            "u16",
            "float32",
            "40001",
            "0x10",
            "V",
            "kA",
            "10^-2",
            "Scale",
            "R/W",
        ),
    ),
    _target(
        "study_table",
        "any table becomes a study that loads or says what is missing",
        _study,
        _STUDY,
        ("Tag", "pickup", "delay", "In", "A", "kA", "off", "cycles", "maintenance", "Group"),
    ),
)
