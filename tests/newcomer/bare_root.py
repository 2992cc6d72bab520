"""The README's two commands on a computer that has Debian's own Python and nothing else (needs root, Debian).

    python3 -m tests.newcomer.bare_root [--suite trixie] [--root FOLDER] [--keep] [-- ARGUMENTS OF pytest]

debootstrap makes a minimal Debian in a folder: no pip, no ensurepip, no compiler, no git. A clone of what is
committed is put into it, and a user without rights types, in namespaces of their own for files and processes:

    python3 start.py demo
    python3 start.py test -q ...

The network is this computer's; pip asks the index that pip on this computer is configured for.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
USER = "newcomer"
SUBSET = ("-q", "-p", "no:cacheprovider", "tests/house", "tests/inputs", "tests/unit/test_mbap.py")
#: How this computer reaches the network; a new computer would be told likewise.
NETWORK = ("etc/resolv.conf", "etc/hosts", "etc/pip.conf", "etc/ssl/certs/ca-certificates.crt")


def make_root(root: Path, suite: str) -> None:
    """A minimal Debian with python3, unless the folder holds one."""
    if (root / "usr/bin/python3").exists():
        return
    command = ["debootstrap", "--variant=minbase", "--include=python3,ca-certificates", suite, str(root)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def furnish(root: Path) -> None:
    """A user, the way to the network, and a clone of what is committed."""
    for name in NETWORK:
        if Path("/", name).exists():
            (root / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(Path("/", name), root / name)
    (root / "tmp").chmod(0o1777)
    if not (root / "home" / USER).exists():
        inside(root, "root", f"useradd -m {USER}")
    clone = root / "home" / USER / "buswitness"
    shutil.rmtree(clone, ignore_errors=True)
    subprocess.run(
        ["git", "clone", "-q", "--no-hardlinks", "--depth", "1", f"file://{ROOT}", clone], check=True
    )
    inside(root, "root", f"chown -R {USER} /home/{USER}")


def inside(root: Path, user: str, typed: str) -> int:
    """Exit code of what the user types in a shell in that root."""
    script = (
        f"mount -t proc proc {root}/proc && mount --bind /dev {root}/dev"
        f" && mount -t devpts devpts {root}/dev/pts"
        f" && exec chroot {root} /usr/bin/env -i HOME=/home/{user} PATH=/usr/bin:/bin:/usr/sbin:/sbin"
        f' LANG=C.UTF-8 TERM=xterm su {user} -c "$1"'
    )
    command = ["unshare", "--mount", "--pid", "--fork", "--propagation", "private", "sh", "-c", script, "sh"]
    home = f"/home/{user}/buswitness"
    if user != "root":
        typed = f"cd {home} && {typed}"
    return subprocess.run([*command, typed], check=False).returncode


def main() -> int:
    """0 if both commands did what the README says."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--suite", default="trixie", help="Debian's name; bookworm has 3.11, trixie 3.13")
    parser.add_argument("--root", type=Path)
    parser.add_argument("--keep", action="store_true")
    parser.add_argument("tests", nargs="*", default=SUBSET)
    given = parser.parse_args()
    root = given.root or Path(tempfile.mkdtemp(prefix="buswitness-root-"))
    try:
        make_root(root, given.suite)
        furnish(root)
        has = inside(root, USER, "python3 -V; python3 -m pip -V; python3 -c 'import ensurepip'; true")
        demo = inside(root, USER, "python3 start.py demo")
        test = inside(root, USER, "python3 start.py test " + " ".join(given.tests))
    finally:
        if not given.keep and given.root is None:
            shutil.rmtree(root, ignore_errors=True)
    print(f"\ndemo: exit code {demo} (1: the lineup has faults)\ntest: exit code {test}")  # noqa: T201
    return 0 if (has, demo, test) == (0, 1, 0) else 1


if __name__ == "__main__":
    sys.exit(main())
