"""Console: the right stream, harmless text, one JSON object."""

from __future__ import annotations

import io
import json

import pytest

from probe.present.console import clean, console, emit_json, is_live, say


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("52-F3 größer 5 µs", "52-F3 größer 5 µs"),
        ("\x1b]0;title\x07", "<1B>]0;title<07>"),
        ("a\u202eb\u2028c\ud800", "a<202E>b<2028>c<D800>"),
        ("two\nlines", "two<0A>lines"),
    ],
)
def test_clean(text: str, shown: str) -> None:
    assert clean(text) == shown


def test_clean_keeps_lines_where_asked() -> None:
    assert clean("two\nlines\x00", keep_lines=True) == "two\nlines<00>"


def test_console_interprets_no_markup() -> None:
    out = io.StringIO()
    console(out, width=80).print("[red]52-F3[/red] :smiley:")
    assert out.getvalue() == "[red]52-F3[/red] :smiley:\n"


def test_plain_streams_are_80_wide_or_what_columns_says(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    assert console(io.StringIO()).width == 80
    monkeypatch.setenv("COLUMNS", "132")
    assert console(io.StringIO()).width == 132
    monkeypatch.setenv("COLUMNS", "wide")
    assert console(io.StringIO()).width == 80


def test_say_and_json_go_to_their_streams(capsys: pytest.CaptureFixture[str]) -> None:
    say("for people", error=True)
    emit_json({"b": 1, "a": "ü"})
    caught = capsys.readouterr()
    assert caught.err == "for people\n"
    assert json.loads(caught.out) == {"a": "ü", "b": 1}
    assert caught.out.isascii()


def test_a_stream_without_terminal_is_not_live() -> None:
    assert not is_live(io.StringIO())
