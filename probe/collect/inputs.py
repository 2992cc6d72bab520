"""Opens what the user names: a map with its includes, profiles, studies; the only reader of their paths."""

from __future__ import annotations

import errno
import hashlib
import stat
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import probe
from probe.model.document import LIMIT_BYTES, decode, too_large
from probe.model.errors import InputError, Problem
from probe.model.lineup import Lineup, SourceText
from probe.model.map_load import load_lineup
from probe.model.nearest import did_you_mean
from probe.model.profile_load import ProfileLibrary, profile_name


def open_lineup(
    path: Path, profile_dirs: Sequence[Path] = (), *, study: Path | None = None
) -> tuple[Lineup, tuple[Problem, ...]]:
    """The lineup of a map file, and warnings.

    study: a file to take in place of the studies that the map names.
    profile_dirs: folders of the user's own profiles; a profile there goes before a bundled one of its name.
    Raises InputError with every problem of the map, its includes and profiles.
    """
    library = open_library(profile_dirs)
    main = path.as_posix()

    given = "" if study is None else study.as_posix()
    if study is not None:
        read_bytes(study)  # one that the user named must be there; the map's own are linted

    def read(name: str) -> bytes:
        return read_bytes(path) if name == main else _read(Path(name), LIMIT_BYTES)

    return load_lineup(main, read, library, exists=lambda name: Path(name).is_file(), study=given)


def open_library(profile_dirs: Sequence[Path] = ()) -> ProfileLibrary:
    """The bundled profiles and those of the folders, later folders first. Raises InputError.

    Bundled ones are named ``profiles/...``: a record has no use for where this computer keeps the tool.
    """
    bundled = _profile_texts(bundled_profiles())
    texts = {name: replace(one, name=f"profiles/{name}.yaml") for name, one in bundled.items()}
    for directory in profile_dirs:
        texts.update(_profile_texts(directory))
    return ProfileLibrary(texts)


def bundled_profiles() -> Path:
    """The folder of the profiles that come with the tool, in a checkout or in an installed wheel."""
    package = Path(probe.__file__).parent
    installed = package / "_profiles"
    return installed if installed.is_dir() else package.parent / "profiles"


def _profile_texts(directory: Path) -> dict[str, SourceText]:
    if not directory.is_dir():
        what = "the folder of profiles is not there"
        raise InputError([Problem(file=str(directory), what=what, remedy="correct the name of the folder")])
    return {profile_name(path.name): read_text(path) for path in sorted(directory.glob("*.yaml"))}


def read_text(path: Path, *, limit_bytes: int = LIMIT_BYTES) -> SourceText:
    """A UTF-8 text file whole. Raises InputError."""
    data = read_bytes(path, limit_bytes=limit_bytes)
    text = decode(path.as_posix(), data, limit_bytes=limit_bytes)
    return SourceText(name=path.as_posix(), text=text, sha256=hashlib.sha256(data).hexdigest())


def read_bytes(path: Path, *, limit_bytes: int = LIMIT_BYTES) -> bytes:
    """The bytes of a file that the user named. Raises InputError that says why it cannot be read."""
    try:
        return _read(path, limit_bytes)
    except OSError as error:
        raise InputError([_unreadable(path, error)]) from None


def _read(path: Path, limit_bytes: int) -> bytes:
    """The bytes of a plain file. Raises OSError, or InputError before reading one that is too large."""
    status = path.stat()
    if stat.S_ISDIR(status.st_mode):
        raise IsADirectoryError(errno.EISDIR, "this is a directory", str(path))
    if not stat.S_ISREG(status.st_mode):
        raise OSError(errno.EINVAL, "this is not a file on disk", str(path))
    if status.st_size > limit_bytes:
        raise InputError([too_large(path.as_posix(), status.st_size, limit_bytes)])
    with path.open("rb") as file:
        return file.read(limit_bytes + 1)


def _unreadable(path: Path, error: OSError) -> Problem:
    name = path.as_posix()
    if isinstance(error, FileNotFoundError):
        return Problem(file=name, what="there is no such file", remedy=_neighbour(path))
    if isinstance(error, IsADirectoryError):
        return Problem(file=name, what="this is a directory, not a file", remedy="name a file in it")
    if isinstance(error, PermissionError):
        return Problem(file=name, what="you have no permission to read this file")
    return Problem(file=name, what=f"the file cannot be read: {error.strerror or error}")


def _neighbour(path: Path) -> str:
    """A file of nearly that name in the same folder, as a question."""
    try:
        names = [entry.name for entry in path.parent.iterdir()]
    except OSError:
        return "its folder is not there either"
    return did_you_mean(path.name, names)
