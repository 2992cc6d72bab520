"""YAML syntax errors in plain words: what the parser says, and what the writer should look for."""

from __future__ import annotations

import yaml

from probe.model.errors import Problem

# (part of the parser's message, what it means, what to do). The C parser and the Python one differ a
# little in wording; both are here. The first part that is found counts.
_WORDS = (
    (
        "mapping values are not allowed",
        "a colon stands where none can be",
        "quote a text that holds a colon and a space, or correct the indentation of this line",
    ),
    (
        "could not find expected ':'",
        "a field without a colon",
        "write it as `name: value`, and check the line above",
    ),
    (
        "did not find expected key",
        "the indentation does not match the lines above",
        "let fields of one group begin in the same column; a text that begins with a quote must end with it",
    ),
    (
        "did not find expected '-'",
        "the indentation does not match the list above",
        "let all dashes of one list stand in the same column",
    ),
    ("maximum nesting depth", "the values are nested too deep", "is this really a map or profile?"),
    ("did not find expected ','", "a list or group in brackets is not closed", "add the comma or bracket"),
    ("expected ',' or", "a list or group in brackets is not closed", "add the comma or bracket"),
    ("end of stream", "a text in quotes is not closed", "add the closing quote"),
    (
        "cannot start any token",
        "this character cannot begin a value",
        "put the text in quotes",
    ),
    ("did not find expected alphabetic", "a text begins with * or &", "put the text in quotes"),
    ("escape", "a backslash in double quotes", "use single quotes: there a backslash is just a backslash"),
    ("expected <block end>", "the indentation does not match the lines above", "correct the indentation"),
    ("did not find expected <document start>", "the file goes on behind its end", "correct the indentation"),
    ("tag handle", "a text begins with !", "put the text in quotes"),
    ("block sequence entries are not allowed", "a dash stands where none can be", "correct the indentation"),
    ("sequence entries are not allowed", "a dash stands where none can be", "correct the indentation"),
)


def explain(name: str, text: str, error: yaml.MarkedYAMLError) -> Problem:
    """The syntax error as a Problem at its line and column; found: the line itself."""
    said = " ".join(part for part in (error.context, error.problem) if part)
    what, remedy = f"the file cannot be read as YAML here ({said})", "look at this line and the one above"
    for part, meaning, mend in _WORDS:
        if part in said:
            what, remedy = meaning, mend
            break
    unclosed = "end of stream" in said  # the error is noticed at the end, the quote stands where it began
    mark = (error.context_mark if unclosed else None) or error.problem_mark or error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
    lines = text.splitlines()
    found = lines[line - 1].strip()[:80] if 0 < line <= len(lines) else ""
    return Problem(file=name, what=what, line=line, column=column, found=found, remedy=remedy)
