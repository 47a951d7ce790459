"""Messages to a phone through Apprise, to addresses that only `secrets.toml` holds; none of them is ever shown or logged."""

from __future__ import annotations

import logging
import tomllib
from pathlib import Path

from nightfold.errors import SettingsError
from nightfold.settings.toml import read_toml

SECRETS = "secrets.toml"


def phone_addresses(folder: Path) -> tuple[str, ...]:
    """Addresses in the campaign's secrets.toml, ``[phone] urls = ["..."]``; none without the file."""
    file = folder / SECRETS
    if not file.exists():
        return ()
    try:
        tables = read_toml(file.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        where = (
            f"line {error.lineno}" if isinstance(error, tomllib.TOMLDecodeError) and hasattr(error, "lineno") else ""
        )
        raise SettingsError(f"{SECRETS} cannot be read", seen=where or type(error).__name__) from error
    phone = tables.get("phone", {})
    urls = phone.get("urls", []) if isinstance(phone, dict) else None
    if not isinstance(urls, list) or not all(isinstance(u, str) for u in urls):
        raise SettingsError(f"{SECRETS} holds no list of addresses", allowed='[phone] urls = ["ntfy://host/topic"]')
    return tuple(urls)


class Phone:
    """Sends sentences to all addresses; a failure is told without the address."""

    def __init__(self, urls: tuple[str, ...]) -> None:
        self._sender = None
        if not urls:
            return
        try:
            import apprise
        except ModuleNotFoundError as error:
            raise SettingsError(
                "messages to a phone need the package apprise", next_step="pip install nightfold[phone]"
            ) from error
        # Its own log would name the addresses.
        logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)
        self._sender = apprise.Apprise()
        for number, url in enumerate(urls, 1):
            if not self._sender.add(url):
                raise SettingsError(f"address {number} in {SECRETS} is none that Apprise knows", seen="not shown here")

    def __bool__(self) -> bool:
        return self._sender is not None

    def send(self, title: str, text: str) -> bool:
        """Send; False if an address did not take it. Nobody to send to counts as sent."""
        return self._sender is None or bool(self._sender.notify(body=text, title=title))
