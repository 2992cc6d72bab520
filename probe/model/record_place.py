"""Record place: what people write of an S3-style store, in a fleet file. Secrets stand in the environment.

store:
  endpoint: https://objects.example.org
  bucket: switchgear
  prefix: tarn-hollow
  region: eu-west-1
"""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, StringConstraints, model_validator

from probe.model.fleet_words import Duration
from probe.model.map_words import Line, Strict
from probe.model.shape import refuse

#: The environment's names for what signs requests: key, its secret, and the token of a session, if any.
KEY_ID, SECRET, SESSION = (
    "BUSWITNESS_S3_KEY_ID",
    "BUSWITNESS_S3_SECRET_KEY",
    "BUSWITNESS_S3_SESSION_TOKEN",
)

_ENDPOINT = re.compile(r"https?://(?:[A-Za-z0-9._-]+|\[[0-9A-Fa-f:.]+\])(?::\d{1,5})?/?")
_FORMS = "https://HOST or https://HOST:PORT; http:// only for this computer itself, or with plain_http: yes"
#: Source: S3 User Guide, "General purpose bucket naming rules"; other stores take no more.
_BUCKET = r"^[a-z0-9][a-z0-9.-]{1,61}[a-z0-9]$"
_PREFIX = r"^(?:[A-Za-z0-9_-][A-Za-z0-9._-]*(?:/[A-Za-z0-9_-][A-Za-z0-9._-]*)*)?$"


def _endpoint(text: str) -> str:
    if "@" in text:
        return text  # refused by ``_no_secrets_and_no_open_way``, which does not repeat what stands there
    if _ENDPOINT.fullmatch(text) is None:
        raise refuse("this is no address of a store", allowed=_FORMS)
    return text.rstrip("/")


def is_this_computer(host: str) -> bool:
    """True for a loopback address or its usual name."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.casefold() == "localhost"


class RecordPlace(Strict):
    """An S3-style store. The bucket is named in the path, not in the host."""

    endpoint: Annotated[str, AfterValidator(_endpoint), Field(description="Address of the store.")]
    bucket: Annotated[
        str,
        StringConstraints(pattern=_BUCKET),
        Field(
            description="An existing bucket.",
            json_schema_extra={"x-allowed": "3 to 63 lower case letters, digits, - and ."},
        ),
    ]
    prefix: Annotated[
        str,
        StringConstraints(pattern=_PREFIX, max_length=200),
        Field(
            description="What every key begins with.",
            json_schema_extra={"x-allowed": "words of letters, digits, . _ -, separated by /"},
        ),
    ] = ""
    region: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9-]{1,40}$")] = "us-east-1"
    plain_http: Annotated[
        bool, Field(description="Without TLS: records can be read and changed on the way.")
    ] = False
    certificates: Annotated[
        Line | None, Field(description="PEM file of authorities to be trusted beside the system's.")
    ] = None
    keep_copies: Annotated[
        Duration, Field(description="So long a record stays in the folder when the store has it.")
    ] = 0.0

    @model_validator(mode="after")
    def _no_secrets_and_no_open_way(self) -> RecordPlace:
        if "@" in self.endpoint:
            raise refuse(
                "the store's address holds a user or a password",
                allowed=_FORMS,
                remedy=f"leave them out; put them into {KEY_ID} and {SECRET}",
                at=("endpoint",),
            )
        parts = urlsplit(self.endpoint)
        if parts.scheme == "http" and not self.plain_http and not is_this_computer(parts.hostname or ""):
            raise refuse(
                "records would cross the network readable to all, and could be changed on the way",
                allowed=_FORMS,
                remedy="write https://, or plain_http: yes if that is how it has to be",
                at=("endpoint",),
            )
        return self

    @property
    def is_plain(self) -> bool:
        """True without TLS."""
        return self.endpoint.startswith("http://")

    def key(self, name: str) -> str:
        """Key of an object below the prefix."""
        return f"{self.prefix}/{name}" if self.prefix else name
