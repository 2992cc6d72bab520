"""Key file: the private key of who seals records, on this computer: made, read, guarded.

PKCS#8 in PEM, encrypted if there is a passphrase (RFC 5958 and RFC 7468, from memory), so that any
general-purpose tool can read it. It lies in the user's configuration folder and is readable by its owner
only: by mode where the system has modes, by access list on Windows.
"""

from __future__ import annotations

import contextlib
import os
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from probe.model.errors import InputError, Problem
from probe.record.signing import KeySigner

#: Names another file for the private key, for computers that several people share.
FILE_VARIABLE = "BUSWITNESS_KEY_FILE"
#: Holds the passphrase where nobody can be asked.
PASSPHRASE_VARIABLE = "BUSWITNESS_KEY_PASSPHRASE"
#: A key file is some hundred bytes; more is none.
LARGEST = 16 * 1024

Ask = Callable[[], str | None]


def key_path() -> Path:
    """Where the private key is, or would be."""
    import platformdirs

    named = os.environ.get(FILE_VARIABLE, "")
    if named:
        return Path(named)
    return platformdirs.user_config_path("buswitness", appauthor=False) / "key.pem"


def make(path: Path, passphrase: str) -> KeySigner:
    """A new key in a new file. passphrase: empty for none. Raises InputError; never writes over a key."""
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = Ed25519PrivateKey.generate()
    locked: serialization.KeySerializationEncryption = serialization.NoEncryption()
    if passphrase:
        locked = serialization.BestAvailableEncryption(passphrase.encode())
    data = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, locked)
    _write_guarded(path, data)
    return KeySigner(key)


def read(path: Path, ask: Ask) -> KeySigner:
    """The key in the file. ask: gives the passphrase, or None where nobody can be asked.

    It is asked only for an encrypted key. Raises InputError.
    """
    from cryptography.exceptions import InternalError, UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    data = _bytes(path)
    passphrase = None
    if b"ENCRYPTED PRIVATE KEY" in data:
        passphrase = ask()
        if not passphrase:
            raise InputError([_locked(path)])
    try:
        key = load_pem_private_key(data, None if passphrase is None else passphrase.encode())
    except (
        ValueError,
        TypeError,
        UnsupportedAlgorithm,
        InternalError,
    ) as error:  # the last: a key of no length
        raise InputError([_no_key(path, wrong_passphrase=passphrase is not None)]) from error
    if not isinstance(key, Ed25519PrivateKey):
        raise InputError([_no_key(path, wrong_passphrase=False)])
    return KeySigner(key)


def loose_mode(path: Path) -> str:
    """A sentence if others than the owner may read the key file, else "". Says nothing on Windows."""
    if sys.platform == "win32":
        return ""
    with contextlib.suppress(OSError):
        mode = stat.S_IMODE(path.stat().st_mode)
        if mode & 0o077:
            return f"others on this computer may read the private key {path} (mode {mode:03o}); chmod 600 it"
    return ""


def _write_guarded(path: Path, data: bytes) -> None:
    """Write a new file that its owner alone can read, from its first moment on. Raises InputError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            if sys.platform == "win32":
                _guard_on_windows(path)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        if isinstance(error, FileExistsError) and path.exists():
            raise InputError([_exists(path)]) from error
        what = f"the key cannot be written: {error.strerror or error}"
        remedy = f"name another file in {FILE_VARIABLE}"
        raise InputError([Problem(file=str(path), what=what, remedy=remedy)]) from error


def _guard_on_windows(path: Path) -> None:
    """Take all rights from others. The folder of a user's own files keeps others out as well."""
    user = os.environ.get("USERNAME", "")
    if user:
        with contextlib.suppress(OSError, subprocess.SubprocessError):
            command = ["icacls", str(path), "/inheritance:r", "/grant:r", f"{user}:(F)"]
            subprocess.run(command, capture_output=True, check=False, timeout=10)


def _bytes(path: Path) -> bytes:
    try:
        if not stat.S_ISREG(path.stat().st_mode) or path.stat().st_size > LARGEST:
            raise InputError([_no_key(path, wrong_passphrase=False)])
        return path.read_bytes()
    except FileNotFoundError as error:
        what, remedy = "there is no key yet", "make one: buswitness key new"
        raise InputError([Problem(file=str(path), what=what, remedy=remedy)]) from error
    except OSError as error:
        what = f"the key cannot be read: {error.strerror or error}"
        raise InputError([Problem(file=str(path), what=what)]) from error


def _locked(path: Path) -> Problem:
    return Problem(
        file=str(path),
        what="the key is protected by a passphrase, and there is none to open it",
        remedy=f"start in a terminal, or set {PASSPHRASE_VARIABLE}; --no-sign audits without a signature",
    )


def _no_key(path: Path, *, wrong_passphrase: bool) -> Problem:
    what = "this passphrase does not open the key" if wrong_passphrase else "this is no Ed25519 private key"
    remedy = "try again" if wrong_passphrase else f"move it away, or name another file in {FILE_VARIABLE}"
    return Problem(file=str(path), what=what, allowed="PKCS#8 in PEM", remedy=remedy)


def _exists(path: Path) -> Problem:
    return Problem(
        file=str(path),
        what="there is a key already; a key is never written over",
        remedy="keep using it; if it must go, move the file away and revoke the key in the trust files",
    )
