"""What CI runs of the fuzzing: every input that was kept, and a few hundred new ones a target.

The new ones come from a fixed seed, so that a failure comes again; the long search is ``tests.fuzz.run``.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from tests.fuzz import corpus
from tests.fuzz.catalogue import HOMES, target
from tests.fuzz.mutate import any_bytes, json_lines
from tests.fuzz.target import BrokenPromiseError, Target, key_of, need
from tests.fuzz.work import another

SEED = 20_261_125


@pytest.fixture(autouse=True, scope="module")
def _tidy() -> Iterator[None]:
    """Remove what the targets leave: a folder of files, an event loop."""
    yield
    import shutil

    from tests.fuzz.targets import intake, links, records, stores

    links.close()
    intake.close()
    stores.close()
    shutil.rmtree(records.folder(), ignore_errors=True)
    records.folder.cache_clear()


@pytest.mark.parametrize("name", HOMES)
def test_a_target_keeps_its_promise(name: str) -> None:
    """Seeds and corpus as they are, then inputs made of them."""
    one = target(name)
    pool = [*one.seeds(), *corpus.read(name)]
    assert pool, "a target needs something to begin with"
    for data in pool:
        _run(one, data)
    rng = random.Random(SEED)
    for _ in range(one.calls):
        _run(one, another(one, rng.choice(pool), rng))


def _run(one: Target, data: bytes) -> None:
    try:
        one.run(data)
    except Exception as error:
        error.add_note(f"{one.name}: {one.promise}\ninput, {len(data)} bytes: {data[:2000]!r}")
        raise


def test_every_target_has_a_corpus_of_small_inputs() -> None:
    for name in HOMES:
        kept = corpus.read(name)
        assert kept, f"no corpus for {name}: python -m tests.fuzz.run --minimise --target {name}"
        assert max(map(len, kept)) <= max(target(name).longest, 6000)
    known = {path.stem for path in corpus.CORPUS.glob("*.b64")}
    assert known == set(HOMES), "a corpus without a target"


def test_a_broken_promise_is_told_with_its_input() -> None:
    """The test above can fail."""

    def run(data: bytes) -> None:
        need(b"\xff" not in data, "no FF")

    broken = Target(name="none", promise="there is no FF", run=run, seeds=lambda: [b"abc"])
    rng = random.Random(SEED)
    inputs = [another(broken, b"abc", rng) for _ in range(10_000)]
    with pytest.raises(BrokenPromiseError) as caught:
        _run(broken, next(data for data in inputs if b"\xff" in data))
    assert "there is no FF" in caught.value.__notes__[0]


def test_one_fault_has_one_name() -> None:
    def fault(text: str) -> str:
        try:
            need(False, f"too many: {text}")
        except BrokenPromiseError as error:
            return key_of(error)
        return ""

    assert fault("a") == fault("b") != key_of(ValueError("a"))


def test_mutators_are_as_their_generator() -> None:
    """The same generator, the same input: else nobody could repeat a failure."""
    for make in (any_bytes, json_lines):
        made = [make(b'{"a":[1,2]}\n{"b":null}', random.Random(7)) for _ in range(2)]
        assert made[0] == made[1]
        assert len({make(b'{"a":[1,2]}\n{"b":null}', random.Random(n)) for n in range(40)}) > 5


def test_a_corpus_is_read_as_it_was_written(tmp_path: object) -> None:
    from pathlib import Path

    folder = Path(str(tmp_path))
    assert corpus.write("x", [b"bb", b"a", b"a", b"\0\xff\n"], folder) == 3
    assert corpus.read("x", folder) == [b"a", b"bb", b"\0\xff\n"]
