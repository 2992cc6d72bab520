"""Secrets come from the environment or the keyring, by the names that the manual gives, and stay unseen."""

from __future__ import annotations

import pytest

from probe.collect.survey.snmp_secret import NoSecretError, credentials
from probe.model.map_network import SnmpAccess

V3 = SnmpAccess.model_validate({"version": "3", "user": "auditor", "secret": "plant-2"})


def nothing(_name: str) -> str | None:
    return None


def test_community_of_the_environment() -> None:
    found = credentials(SnmpAccess(), {"BUSWITNESS_SNMP_COMMUNITY": "tarn"}, nothing)
    assert (found.version, found.community) == ("2c", "tarn")


def test_named_secrets_of_version_3() -> None:
    environment = {
        "BUSWITNESS_SNMP_PLANT_2_AUTH": "authpass-tarn",
        "BUSWITNESS_SNMP_PLANT_2_PRIVACY": "privpass-tarn",
    }
    found = credentials(V3, environment, nothing)
    assert (found.user, found.auth_key, found.privacy_key) == ("auditor", "authpass-tarn", "privpass-tarn")
    assert "tarn" not in repr(found)
    assert "tarn" not in str(found)


def test_the_keyring_is_asked_by_a_name_in_words() -> None:
    ring = {"snmp plant 2 auth": "authpass-tarn", "snmp plant 2 privacy": "privpass-tarn"}
    assert credentials(V3, {}, ring.get).auth_key == "authpass-tarn"


def test_what_is_missing_is_named() -> None:
    with pytest.raises(NoSecretError, match="BUSWITNESS_SNMP_PLANT_2_AUTH is not set"):
        credentials(V3, {}, nothing)


def test_a_short_key_is_refused_without_being_shown() -> None:
    """RFC 3414, 11.2 (from memory): at least eight octets."""
    with pytest.raises(NoSecretError, match="shorter than 8") as error:
        credentials(V3, {"BUSWITNESS_SNMP_PLANT_2_AUTH": "tarn"}, nothing)
    assert "tarn" not in str(error.value)


def test_no_keys_where_the_map_asks_for_none() -> None:
    open_ = SnmpAccess.model_validate({"version": "3", "user": "a", "auth": "none", "privacy": "none"})
    assert credentials(open_, {}, nothing).auth_key == ""
