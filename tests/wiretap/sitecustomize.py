"""Python imports this at its start in every process that a test starts: the tap of ``read_only_wire``."""

import read_only_wire

read_only_wire.install_on_import()
