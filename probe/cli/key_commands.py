"""The commands ``key new``, ``key show``, ``key export``, and the key that an audit signs with."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from probe.cli.failure import Exit
from probe.cli.invocation import command
from probe.model.errors import InputError, Problem
from probe.present.console import console, emit_json, say
from probe.present.page import facts, page_width, paragraph, print_rows
from probe.present.row import Row
from probe.record import key_file
from probe.record.seal import spoken
from probe.record.signing import Signer, fingerprint
from probe.record.trust import FILE_NAME, FORMAT, entry_text

KEY_FORMAT = "buswitness-key/1"
_GUARD = (
    "This file is your signature: whoever has it (and its passphrase) can sign as you. If it is lost or "
    "stolen, say so at once, so that the key is revoked in the trust files of your projects."
)


def new(*, as_json: bool) -> int:
    """Make a key and print its fingerprint; 0. Raises InputError if there is one already."""
    path = key_file.key_path()
    if path.exists():
        key_file.make(path, "")  # raises: a key is never written over
    passphrase = _chosen_passphrase()
    signer = key_file.make(path, passphrase)
    guarded = "" if passphrase else "It is NOT protected by a passphrase. "
    return _tell(path, signer, f"The key was made. {guarded}{_GUARD}", as_json=as_json)


def show(*, as_json: bool) -> int:
    """Print the fingerprint of the key on this computer; 0. Raises InputError if there is none."""
    path = key_file.key_path()
    return _tell(path, key_file.read(path, ask_passphrase), key_file.loose_mode(path), as_json=as_json)


def export(*, output: Path | None, name: str, as_json: bool) -> int:
    """Print or write the public key as an entry for a trust file; 0. Raises InputError."""
    signer = key_file.read(key_file.key_path(), ask_passphrase)
    if as_json:
        emit_json(_document(key_file.key_path(), signer))
        return Exit.DONE
    text = f"format: {FORMAT}\nkeys:\n{entry_text(name or 'name of the holder', signer.public)}"
    if output is None:
        sys.stdout.write(text)
        return Exit.DONE
    try:
        with output.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except OSError as error:
        what = f"the file cannot be made: {error.strerror or error}"
        raise InputError([Problem(file=str(output), what=what, remedy="give another name")]) from error
    say(f"Written to {output}. Only the public half is in it; it may be given to anybody.")
    return Exit.DONE


def signer_of_this_computer(*, wanted: bool) -> Signer | None:
    """The key to seal with; None if there is none or the user wants none.

    Asks for a passphrase where the key needs one, warns where others may read it. Raises InputError.
    """
    path = key_file.key_path()
    if not wanted or not path.exists():
        return None
    if loose := key_file.loose_mode(path):
        say(f"buswitness: {loose}", error=True)
    return key_file.read(path, ask_passphrase)


def signature_words(signer: Signer | None, *, wanted: bool = True) -> str:
    """What an opening says of the signature to come."""
    if signer is not None:
        return f"key {spoken(fingerprint(signer.public))}"
    return "NOT SIGNED: " + (f"no key yet ({command('key', 'new')})" if wanted else "as asked for")


def ask_passphrase() -> str | None:
    """The passphrase from the environment or the terminal; None where nobody can be asked."""
    from_environment = os.environ.get(key_file.PASSPHRASE_VARIABLE)
    if from_environment is not None:
        return from_environment
    if not sys.stdin.isatty():
        return None
    return _typed("Passphrase of your key: ")


def _chosen_passphrase() -> str:
    """The passphrase for a new key, empty for none. Raises InputError if typed in two ways."""
    from_environment = os.environ.get(key_file.PASSPHRASE_VARIABLE)
    if from_environment is not None or not sys.stdin.isatty():
        return from_environment or ""
    first = _typed("Passphrase for the new key (empty for none): ")
    if first and _typed("The same again: ") != first:
        what = "the two passphrases differ; no key was made"
        raise InputError([Problem(file="key new", what=what, remedy="try again")])
    return first


def _typed(prompt: str) -> str:
    """What was typed, not shown. Raises InputError at the end of input."""
    import getpass

    try:
        return getpass.getpass(prompt)
    except EOFError as error:
        raise InputError(
            [Problem(file="passphrase", what="nothing was typed", remedy="try again")]
        ) from error


def _document(path: Path, signer: Signer) -> dict[str, str]:
    printed = fingerprint(signer.public)
    return {
        "format": KEY_FORMAT,
        "file": str(path),
        "algorithm": "ed25519",
        "public_key": signer.public,
        "fingerprint": printed,
        "short": spoken(printed),
    }


def _tell(path: Path, signer: Signer, text: str, *, as_json: bool) -> int:
    document = _document(path, signer)
    if as_json:
        emit_json(dict(document))
        return Exit.DONE
    target = console()
    width = page_width(target)
    pairs = [
        ("Fingerprint", document["short"]),
        ("in full", document["fingerprint"]),
        ("Public key", signer.public),
        ("File", str(path)),
    ]
    more = f"{command('key', 'export')} prints an entry for a project's {FILE_NAME}."
    rows = [*facts(pairs, width), Row(), *(paragraph(text, width) if text else []), *paragraph(more, width)]
    print_rows(target, rows)
    return Exit.DONE
