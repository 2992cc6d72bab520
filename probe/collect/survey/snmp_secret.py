"""Community names and keys for SNMP: from the environment, else from the keyring; never from a map.

    BUSWITNESS_SNMP_COMMUNITY                 version 2c, where the map names no secret
    BUSWITNESS_SNMP_AUTH, ..._PRIVACY         version 3, the same
    BUSWITNESS_SNMP_PLANT_COMMUNITY, ...      where the map says ``secret: PLANT``

The keyring is asked only if the package ``keyring`` is installed: service ``buswitness``, user name as the
variable above without ``BUSWITNESS_``, in lower case with blanks (``snmp plant community``).
"""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable, Mapping

from probe.model.map_network import SnmpAccess
from probe.wire.snmp import Credentials

SERVICE = "buswitness"
_SHORTEST_KEY = 8  # RFC 3414, 11.2 (from memory): pass phrases of at least eight octets

#: Gives the secret of a name from a keyring, None if it holds none.
Keyring = Callable[[str], str | None]


class NoSecretError(Exception):
    """A secret is not to be had; the text says which variable to set."""


def credentials(
    access: SnmpAccess, environment: Mapping[str, str] | None = None, keyring: Keyring | None = None
) -> Credentials:
    """What an agent is asked with. Raises NoSecretError, whose text names what is missing, never a secret."""
    known = os.environ if environment is None else environment
    ring = system_keyring if keyring is None else keyring
    if access.version == "2c":
        return Credentials(version="2c", community=_secret(access, "COMMUNITY", known, ring))
    return Credentials(
        version="3",
        user=access.user or "",
        auth=access.auth,
        auth_key="" if access.auth == "none" else _key(access, "AUTH", known, ring),
        privacy=access.privacy,
        privacy_key="" if access.privacy == "none" else _key(access, "PRIVACY", known, ring),
    )


def variable(access: SnmpAccess, what: str) -> str:
    """The name of the environment variable for COMMUNITY, AUTH or PRIVACY."""
    middle = f"{access.secret.upper().replace('-', '_')}_" if access.secret else ""
    return f"BUSWITNESS_SNMP_{middle}{what}"


def _key(access: SnmpAccess, what: str, known: Mapping[str, str], ring: Keyring) -> str:
    key = _secret(access, what, known, ring)
    if len(key.encode()) < _SHORTEST_KEY:
        raise NoSecretError(f"{variable(access, what)} is shorter than {_SHORTEST_KEY} characters")
    return key


def _secret(access: SnmpAccess, what: str, known: Mapping[str, str], ring: Keyring) -> str:
    name = variable(access, what)
    found = known.get(name) or ring(name.removeprefix("BUSWITNESS_").lower().replace("_", " "))
    if not found:
        raise NoSecretError(f"{name} is not set")
    return found


def system_keyring(name: str) -> str | None:
    """The secret of this name in the system's keyring; None without one, or without the package."""
    try:
        keyring = importlib.import_module("keyring")
        found = keyring.get_password(SERVICE, name)
    except Exception:  # noqa: BLE001 - no package, no keyring, or a locked one: the same to the caller
        return None
    return found if isinstance(found, str) else None
