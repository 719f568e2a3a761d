"""``[page]``: the page on the home network. That the table is there switches it on."""

import ipaddress
import re
from collections.abc import Iterator

from pydantic import Field, SecretStr, field_validator
from pydantic_core import PydanticCustomError

from bridge.mqtt.broker import Secret
from bridge.mqtt.topics import Layout
from bridge.plan import PagePlan
from bridge.settings.table import Table

PORT = 8375
SHORTEST_TOKEN = 16
"""Characters. With the limit on attempts nobody on the network guesses one of these."""
_LABEL = re.compile(r"[a-z0-9_]([a-z0-9_-]*[a-z0-9_])?", re.ASCII | re.IGNORECASE)


class PageTable(Table):
    """``[page]``."""

    enabled: bool = Field(default=True, description="whether the page is served")
    host: str = Field(
        default="127.0.0.1",
        description="the address to listen on: 127.0.0.1 for this machine alone, 0.0.0.0 for every network",
    )
    port: int = Field(default=PORT, ge=1, le=65535, description="the port to listen on")
    names: list[str] = Field(
        default_factory=list,
        description='the host names by which browsers reach it, such as "garden-pi.local"',
    )
    token: SecretStr | None = Field(
        default=None,
        min_length=SHORTEST_TOKEN,
        max_length=256,
        description=f"the word that lets people act, {SHORTEST_TOKEN} to 256 characters",
        repr=False,
    )

    @field_validator("host")
    @classmethod
    def _an_address(cls, host: str) -> str:
        if host != "localhost":
            try:
                ipaddress.ip_address(host)
            except ValueError:
                raise _refused(
                    f"{host!r} is no address of this machine; give 127.0.0.1 for this machine alone, 0.0.0.0 "
                    "or :: for every network, or one of its own addresses",
                ) from None
        return host

    @field_validator("names")
    @classmethod
    def _host_names(cls, names: list[str]) -> list[str]:
        for name in names:
            if not all(_LABEL.fullmatch(label) for label in name.split(".")):
                raise _refused(f"{name!r} is no host name; give one without http:// and without a port")
        return [name.lower() for name in names]

    @field_validator("token")
    @classmethod
    def _one_word(cls, token: SecretStr | None) -> SecretStr | None:
        if token is not None and not re.fullmatch(r"[\x21-\x7e]+", token.get_secret_value()):
            raise _refused("must be one word of plain letters, digits and signs")
        return token

    def core(self, layout: Layout) -> PagePlan | None:
        """The page's part of the plan; None where it is switched off."""
        if not self.enabled:
            return None
        token = None if self.token is None else Secret(self.token.get_secret_value())
        return PagePlan(layout, self.host, self.port, tuple(self.names), token)


def warnings_on(page: PagePlan | None) -> Iterator[str]:
    """What is allowed and still worth a second thought, as sentences."""
    if page is None or page.host == "localhost" or ipaddress.ip_address(page.host).is_loopback:
        return
    yield (
        f"page: it listens on {page.host} without encryption, so that everybody on that network can look"
        + (" and can overhear the token of whoever acts" if page.token is not None else "")
        + "; never let it be reached from the internet"
    )


def _refused(sentence: str) -> PydanticCustomError:
    return PydanticCustomError("refused", "{sentence}", {"sentence": sentence})
