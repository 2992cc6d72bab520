#!/usr/bin/env python3
"""Set up Buswitness in this folder (once) and run it: the only thing needed is Python 3.11 or newer.

    python3 start.py demo                 set up, then: buswitness demo
    python3 start.py audit my-map.yaml    any command of the tool
    python3 start.py test                 set up for development, then the tests
    python3 start.py check                format, lint, types, imports, then the tests
    python3 start.py setup [--dev]        set up and stop

On Windows: py start.py demo

It makes a virtual environment in .venv here, so nothing is installed elsewhere: no root, and no quarrel
with a system Python that refuses global installs. pip comes from .ci/bootstrap, because some systems ship
Python without it. Versions and hashes of all packages stand in requirements.lock and requirements-dev.lock.

This file must stay readable by old Pythons: they have to be able to say that they are too old.
"""

import hashlib
import os
import shutil
import subprocess
import sys

OLDEST = (3, 11)
HERE = os.path.dirname(os.path.abspath(__file__))
VENV = os.environ.get("BUSWITNESS_VENV") or os.path.join(HERE, ".venv")
WINDOWS = os.name == "nt"
PYTHON = os.path.join(VENV, "Scripts", "python.exe") if WINDOWS else os.path.join(VENV, "bin", "python")


def main(arguments):
    """Exit code of the command that the arguments ask for."""
    if sys.version_info < OLDEST:
        return with_newer_python(arguments)
    if not arguments or arguments[0] in ("-h", "--help"):
        print(__doc__.strip())
        return 0
    command, rest = arguments[0], arguments[1:]
    try:
        set_up(dev=command in ("test", "check") or "--dev" in rest)
    except (OSError, subprocess.CalledProcessError) as error:
        return explain(error)
    except KeyboardInterrupt:
        print("Stopped. Run the same command again to go on.", file=sys.stderr)
        return 3
    if command == "setup":
        print("Ready. Next: " + started_as() + " demo")
        return 0
    if command == "test":
        return run("-m", "pytest", *rest)
    if command == "check":
        return check(rest)
    return run("-m", "probe", *arguments)


def with_newer_python(arguments):
    """Find a newer Python on this machine and hand over to it; say what is needed if there is none."""
    for minor in range(20, OLDEST[1] - 1, -1):
        found = shutil.which("python3.%d" % minor)
        if found:
            return subprocess.call([found, os.path.abspath(__file__)] + arguments)
    print(
        "Buswitness needs Python %d.%d or newer; this one is %s (%s).\n"
        "Install a newer Python, then run the same command with it."
        % (OLDEST[0], OLDEST[1], sys.version.split()[0], sys.executable),
        file=sys.stderr,
    )
    return 2


def set_up(dev):
    """Make or renew the virtual environment, unless it already fits the lock file."""
    stamp = os.path.join(VENV, "buswitness-stamp")
    wanted, wanted_dev = fingerprint(dev=False), fingerprint(dev=True)
    if os.path.exists(PYTHON) and os.path.exists(stamp):
        with open(stamp, encoding="utf-8") as file:
            have = file.read()
        if have == wanted_dev or (have == wanted and not dev):
            return
    print("Setting up in %s (once; a minute or so, downloads packages) ..." % VENV, file=sys.stderr)
    if not os.path.exists(PYTHON):
        import venv

        venv.EnvBuilder(with_pip=False, clear=os.path.exists(VENV), symlinks=not WINDOWS).create(VENV)
    lock = os.path.join(HERE, lock_name(dev))
    pip("install", "--require-hashes", "--only-binary", ":all:", "--requirement", lock)
    pip("install", "--no-deps", "--no-build-isolation", "--editable", HERE)
    with open(stamp, "w", encoding="utf-8") as file:
        file.write(wanted_dev if dev else wanted)
    print("Set up.", file=sys.stderr)


def lock_name(dev):
    """File that pins the packages."""
    return "requirements-dev.lock" if dev else "requirements.lock"


def fingerprint(dev):
    """What the environment was made from: when it changes, it is made again."""
    digest = hashlib.sha256(sys.version.encode() + HERE.encode())
    for name in (lock_name(dev), "pyproject.toml"):
        with open(os.path.join(HERE, name), "rb") as file:
            digest.update(file.read())
    return digest.hexdigest() + (" dev" if dev else "")


def pip(*arguments):
    """Run the pip that lies in .ci/bootstrap, inside the virtual environment."""
    folder = os.path.join(HERE, ".ci", "bootstrap")
    wheel = max(name for name in os.listdir(folder) if name.startswith("pip-") and name.endswith(".whl"))
    quiet = ["--quiet", "--disable-pip-version-check", "--no-input"]
    command = [PYTHON, os.path.join(folder, wheel, "pip"), *arguments, *quiet]
    subprocess.run(command, check=True, stdout=sys.stderr)


def check(rest):
    """Format, lint, types, imports and tests; stops at the first that fails."""
    steps = (
        ("-m", "ruff", "format", "--check", "."),
        ("-m", "ruff", "check", "."),
        ("-m", "mypy"),
        ("-c", "from importlinter.cli import lint_imports_command as main; main()"),
        ("-m", "pytest", *rest),
    )
    for step in steps:
        print("== " + " ".join(step[1:]), file=sys.stderr, flush=True)
        code = run(*step)
        if code != 0:
            return code
    return 0


def run(*arguments):
    """Run the environment's Python in the user's folder (development tools: in ours); its exit code."""
    ours = arguments[:2] != ("-m", "probe")
    environment = dict(os.environ)
    if not ours:
        environment["BUSWITNESS_STARTED_AS"] = started_as()
    process = subprocess.Popen([PYTHON, *arguments], cwd=HERE if ours else None, env=environment)
    while True:
        try:
            return process.wait()
        except KeyboardInterrupt:
            continue  # the child has got it too, ends in good order and says so


def started_as():
    """What the user typed before the command's name, as it works from where they stand."""
    script = os.path.relpath(os.path.abspath(__file__)) if on_same_drive() else os.path.abspath(__file__)
    if " " in script:
        script = '"%s"' % script
    return ("py " if WINDOWS else "python3 ") + script


def on_same_drive():
    """A relative path needs both ends on one drive (Windows)."""
    here, there = os.path.splitdrive(os.getcwd())[0], os.path.splitdrive(HERE)[0]
    return here.lower() == there.lower()


def explain(error):
    """Say what a failed set-up means and what to do."""
    print("\nSetting up did not work: %s" % error, file=sys.stderr)
    print(
        "Usual reasons: no network or a proxy (set HTTPS_PROXY, or PIP_INDEX_URL to your own index);\n"
        "no space or no right to write in %s (set BUSWITNESS_VENV to another folder);\n"
        "a Python version for which a package has no ready build yet (try Python 3.11 to 3.13).\n"
        "Nothing outside that folder was changed. Mend it and run the same command again." % VENV,
        file=sys.stderr,
    )
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
