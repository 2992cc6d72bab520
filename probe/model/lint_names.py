"""Lint of tags: no tag twice, and no two that people will confuse.

A lineup is full of names that differ in one character on purpose: F1, F2 ... F12; M1 and M2; M1, T1 and
F1; BUS-A and BUS-B. Warning of them all would hide the one that is wrong. So two tags are suspicious when

1. they become equal once what the eye confuses is made equal: capitals, hyphen, underscore, dot, slash,
   O and 0, I, l and 1, and zeros in front of a number (F1 and F01);
2. they differ in one letter (replaced, added, left out) inside a word of four letters or more, or two
   neighbouring letters are exchanged (FEEDER and FEDER, PUMP and PUPM), unless the letter is the word's
   last and numbers it (BUSA, BUSB);
3. they differ in one letter of a shorter word, and the two letters look alike (U and V, M and N), or a
   letter stands for a figure (S and 5, Z and 2, B and 8, G and 6);
4. they differ in one figure and no family of numbered names is evident. A family is evident when at least
   three tags differ in that number only, or two whose numbers follow each other (M1, M2).

Common practice, no source. All are warnings: the drawings decide.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator

from probe.model.document import shown
from probe.model.errors import Problem
from probe.model.map_draft import Draft, Written
from probe.model.surroundings import Surroundings

#: After so many pairs the point is made.
LIMIT_PAIRS = 25

_LOOKALIKE = str.maketrans({"o": "0", "i": "1", "l": "1"})
_TWINS = [frozenset(pair) for pair in ("uv", "mn", "s5", "z2", "b8", "g6", "0o", "1i", "1l", "il")]
_WORD = re.compile(r"[a-z]+")
_NUMBER = re.compile(r"\d+")


def duplicate_tag(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """One tag for two devices."""
    first: dict[str, Written] = {}
    for entry in draft.written:
        tag = entry.values.get("tag")
        if tag is None:
            continue
        other = first.setdefault(tag, entry)
        if other is not entry:
            yield entry.problem(
                "tag",
                f"two devices have the tag {shown(tag)}",
                found=f"{shown(tag)}, also at {other.document.place((*other.path, 'tag'))}",
                allowed="each tag once",
                remedy="one of the two is wrong: look at the drawings",
            )


def tags_too_alike(draft: Draft, around: Surroundings) -> Iterator[Problem]:
    """Two tags that people will confuse; see the module's text for what counts."""
    pairs = suspicious_pairs(tuple(draft.by_tag))
    for one, two, why in pairs[:LIMIT_PAIRS]:
        placed, other = draft.by_tag[two], draft.by_tag[one]
        yield placed.problem(
            ("tag",),
            f"{two} and {one} are easily taken for each other: {why}",
            found=f"{two}; {one} at {other.place(('tag',))}",
            remedy="is one of the two a slip? If both stand on the drawings, nothing is to be done",
            severity="warning",
        )
    if len(pairs) > LIMIT_PAIRS:
        what = f"{len(pairs) - LIMIT_PAIRS} further pairs of tags are easily taken for each other"
        yield draft.main.problem(("devices",), what, severity="warning")


def suspicious_pairs(tags: tuple[str, ...]) -> list[tuple[str, str, str]]:
    """Pairs (earlier tag, later tag, why they are alike) in the order of the later one; each pair once."""
    order = {tag: i for i, tag in enumerate(tags)}
    found: dict[tuple[str, str], str] = {}
    for one, two, why in (*_same_to_the_eye(tags), *_one_character(tags), *_exchanged(tags)):
        pair = (one, two) if order[one] < order[two] else (two, one)
        found.setdefault(pair, why)
    return sorted(
        ((one, two, why) for (one, two), why in found.items()), key=lambda p: (order[p[1]], order[p[0]])
    )


def _same_to_the_eye(tags: tuple[str, ...]) -> Iterator[tuple[str, str, str]]:
    first: dict[str, str] = {}
    for tag in tags:
        other = first.setdefault(_to_the_eye(tag), tag)
        if other != tag:
            yield other, tag, _eye_reason(other, tag)


def _to_the_eye(tag: str) -> str:
    """What is left of a tag when all that the eye confuses is made equal."""
    groups = re.split(r"[-_./+]", tag.lower().translate(_LOOKALIKE))
    return "".join(_NUMBER.sub(lambda number: number.group().lstrip("0") or "0", g) for g in groups if g)


def _eye_reason(one: str, two: str) -> str:
    if one.lower() == two.lower():
        return "they differ only in capitals"
    if re.sub(r"[-_./+]", "", one.lower()) == re.sub(r"[-_./+]", "", two.lower()):
        return "they differ only in hyphens or other signs"
    if one.lower().translate(_LOOKALIKE) == two.lower().translate(_LOOKALIKE):
        return "the letters O, I, l and the figures 0, 1 look the same"
    return "they differ only in zeros in front of a number and in signs that look the same"


def _one_character(tags: tuple[str, ...]) -> Iterator[tuple[str, str, str]]:
    """Pairs that differ in one character and no evident family explains it."""
    lower = {tag.lower(): tag for tag in tags}
    with_gap: dict[str, list[str]] = defaultdict(list)
    for tag, written in lower.items():
        for i in range(len(tag)):
            with_gap[f"{tag[:i]}\0{tag[i + 1 :]}"].append(tag)
            shorter = tag[:i] + tag[i + 1 :]
            if shorter in lower and _matters_in_word(tag, i):
                yield lower[shorter], written, f"only {tag[i].upper()} is more in one"
    families = _families(lower)
    for key, group in with_gap.items():
        at = key.index("\0")
        for i, one in enumerate(group if len(group) > 1 else ()):
            for two in group[i + 1 :]:
                why = _replaced(one, two, at, families)
                if why:
                    yield lower[one], lower[two], why


def _matters_in_word(tag: str, at: int) -> bool:
    """True for a letter inside a word of four letters or more (not at its end: BUSA)."""
    word = next((m for m in _WORD.finditer(tag) if m.start() <= at < m.end()), None)
    return word is not None and len(word.group()) >= 4 and (at < word.end() - 1 or len(word.group()) > 5)


def _replaced(one: str, two: str, at: int, families: dict[str, set[int]]) -> str:
    """Why two tags with one character replaced are suspicious, "" if they are not."""
    a, b = one[at], two[at]
    if a.isdigit() and b.isdigit():
        numbers = families[_family_key(one, at)]
        evident = len(numbers) >= 3 or max(numbers) - min(numbers) == 1
        return "" if evident else "one figure differs, and no other tags are numbered like them"
    if frozenset((a, b)) in _TWINS:
        return f"{a.upper()} and {b.upper()} look alike"
    if a.isalpha() and b.isalpha() and _matters_in_word(one, at):
        return f"only {a.upper()} and {b.upper()} differ"
    return ""


def _number_at(tag: str, at: int) -> re.Match[str]:
    return next(m for m in _NUMBER.finditer(tag) if m.start() <= at < m.end())


def _family_key(tag: str, at: int) -> str:
    number = _number_at(tag, at)
    return f"{tag[: number.start()]}\0{tag[number.end() :]}"


def _families(tags: dict[str, str]) -> dict[str, set[int]]:
    """For each number in each tag: the numbers that stand there in tags otherwise equal."""
    families: dict[str, set[int]] = defaultdict(set)
    for tag in tags:
        for number in _NUMBER.finditer(tag):
            families[_family_key(tag, number.start())].add(int(number.group()))
    return families


def _exchanged(tags: tuple[str, ...]) -> Iterator[tuple[str, str, str]]:
    """Pairs in which two neighbouring characters are exchanged, at least one of them a letter."""
    lower = {tag.lower(): tag for tag in tags}
    for tag, written in lower.items():
        for i in range(len(tag) - 1):
            a, b = tag[i], tag[i + 1]
            if a >= b or not (a + b).isalnum() or (a + b).isdigit():
                continue
            other = f"{tag[:i]}{b}{a}{tag[i + 2 :]}"
            if other in lower and _longer_than_a_code(tag, i):
                yield written, lower[other], f"{a.upper()} and {b.upper()} are exchanged"


def _longer_than_a_code(tag: str, at: int) -> bool:
    """True unless the two characters are all there is between signs (AB-1 and BA-1 are codes)."""
    token = re.search(r"[a-z0-9]*\Z", tag[:at])
    rest = re.match(r"[a-z0-9]*", tag[at:])
    assert token is not None
    assert rest is not None
    return len(token.group()) + len(rest.group()) >= 3


NAME_RULES = (duplicate_tag, tags_too_alike)
