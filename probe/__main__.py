"""``python -m probe`` is ``buswitness``."""

from probe.cli.main import run

if __name__ == "__main__":
    run()
