"""Where a configuration's values come from: a TOML file, the environment, and files of secrets.

A value stands in the file, ``[hub] host = "localhost"``, or in the environment, where it counts more:
``CLEARWELL_HUB__HOST=localhost``. Two underscores go one table deeper; numbers, ``true``, lists and tables
are written as in TOML, texts as they are. An id of a reservoir has no underscores, so that ``NORTH_BARREL``
means ``north-barrel``.

The broker's user name and password, and the page's token, never stand in the file. They come from
``CLEARWELL_HUB__USERNAME``, ``CLEARWELL_HUB__PASSWORD`` and ``CLEARWELL_PAGE__TOKEN``, or from the files
``hub_username``, ``hub_password`` and ``page_token`` in a directory: the one named by ``secrets_dir``, or
else the one that systemd names by ``CREDENTIALS_DIRECTORY``.
"""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic.fields import FieldInfo
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, TomlConfigSettingsSource

from bridge.config.mistakes import SECRETS, Mistakes, similar
from bridge.config.model import Settings
from bridge.config.tables import Keys, find, is_text
from bridge.errors import InputError

PREFIX = "CLEARWELL_"
CREDENTIALS = "CREDENTIALS_DIRECTORY"
LONGEST_SECRET = 65535
"""Bytes; MQTT carries no more."""


class _Gathered(PydanticBaseSettingsSource):
    """Values that were gathered already."""

    def __init__(self, settings_cls: type[BaseSettings], values: dict[str, Any]) -> None:
        super().__init__(settings_cls)
        self._values = values

    def get_field_value(self, field: FieldInfo, field_name: str) -> tuple[Any, str, bool]:
        return self._values.get(field_name), field_name, False

    def __call__(self) -> dict[str, Any]:
        return self._values


def settings_from(sources: tuple[dict[str, Any], ...]) -> Settings:
    """The model, from sources of which an earlier one counts more than a later one."""

    class Here(Settings):
        @classmethod
        def settings_customise_sources(
            cls, settings_cls: type[BaseSettings], *_: Any, **__: Any
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            return tuple(_Gathered(settings_cls, values) for values in sources)

    nothing_else: dict[str, Any] = {}
    return Here(**nothing_else)


def merged_from(sources: tuple[dict[str, Any], ...]) -> dict[str, Any]:
    """The values of all sources, of which an earlier one counts more than a later one."""
    merged: dict[str, Any] = {}
    for values in reversed(sources):
        merged = over(merged, values)
    return merged


def over(lower: dict[str, Any], upper: dict[str, Any]) -> dict[str, Any]:
    """Both, table by table; where both have a value the upper one counts."""
    both = dict(lower)
    for key, value in upper.items():
        below = both.get(key)
        both[key] = over(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return both


def written_in(path: Path) -> dict[str, Any]:
    """What stands in the file.

    :raises InputError: it is not there, cannot be read, or is no TOML.
    """
    try:
        if not path.is_file():
            what = "is not a file" if path.exists() else "there is no such file"
            raise InputError(f"{path}: {what}; give the path of a configuration in TOML")
        values: dict[str, Any] = TomlConfigSettingsSource(Settings, path).toml_data
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: this is not TOML: {error}; correct that place") from error
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path}: this is not TOML, which is text in UTF-8; save the file as that"
        ) from error
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); check the path and its rights"
        ) from error
    return values


def refuse_secrets(written: dict[str, Any], mistakes: Mistakes) -> None:
    """Note every secret that stands in the file, and take it out."""
    for name, keys in SECRETS.items():
        table = written.get(name)
        if not isinstance(table, dict):
            continue
        for key in keys:
            if key not in table:
                continue
            del table[key]
            mistakes.add(
                (name, key),
                "must not stand in the file, which is copied and shown around; give "
                f"{PREFIX}{name.upper()}__{key.upper()} in the environment, or a file {name}_{key} in the "
                "directory that secrets_dir names",
            )


def overrides_in(
    environ: Mapping[str, str], mistakes: Mistakes
) -> tuple[dict[str, Any], dict[Keys, str], tuple[str, ...]]:
    """What the environment sets, which variable set it, and a sentence on each variable that sets nothing."""
    values: dict[str, Any] = {}
    origins: dict[Keys, str] = {}
    strays = []
    for name in sorted(name for name in environ if name.startswith(PREFIX)):
        parts = name[len(PREFIX) :].lower().split("__")
        if len(parts) == 1 and parts[0] not in Settings.model_fields:
            # Others may use the prefix too: a container's host sets variables after the names of services.
            known = [PREFIX + key.upper() for key in Settings.model_fields]
            strays.append(f"the environment variable {name} sets nothing here; {similar(name, known)}")
            continue
        if parts[0] in ("reservoir", "purifier", "shelf") and len(parts) > 1:
            parts[1] = parts[1].replace("_", "-")
        keys = tuple(parts)
        table = values
        for key in keys[:-1]:
            table = table.setdefault(key, {})
            if not isinstance(table, dict):
                break
        if not isinstance(table, dict) or "" in keys:
            mistakes.add((), f"the environment variable {name} leads into something that is not a table")
            continue
        table[keys[-1]] = _literal(keys, environ[name])
        origins[keys] = name
    return values, origins, tuple(strays)


def _literal(keys: Keys, text: str) -> Any:
    if is_text(find(Settings, keys)[0]):
        return text
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def secrets_for(
    path: Path,
    environ: Mapping[str, str],
    written: dict[str, Any],
    overrides: dict[str, Any],
    mistakes: Mistakes,
) -> dict[str, Any]:
    """What is secret from a directory, for each table that is there, if a directory is named."""
    wanted = [name for name in SECRETS if isinstance(written.get(name, overrides.get(name)), dict)]
    if not wanted:
        return {}
    named = overrides.get("secrets_dir", written.get("secrets_dir"))
    directory = environ.get(CREDENTIALS) if named is None else named
    if not directory or not isinstance(directory, str):
        return {}
    place = path.parent / directory
    places = [(name, key) for name in wanted for key in SECRETS[name]]
    found: dict[str, dict[str, str]] = {}
    for name, key in places:
        file = place / f"{name}_{key}"
        try:
            if not file.exists():
                continue
            secret = file.read_bytes()[: LONGEST_SECRET + 1].decode().rstrip("\r\n")
        except (OSError, UnicodeDecodeError):
            mistakes.add(
                (), f"the secret in {file} cannot be read; it must be one line of text, and yours to read"
            )
            continue
        found.setdefault(name, {})[key] = secret
        if not 0 < len(secret.encode()) <= LONGEST_SECRET:
            mistakes.add((), f"the secret in {file} is empty or far too long; it must be one line of text")
    if named is not None and not found:
        mistakes.add(
            ("secrets_dir",),
            f"has no {' or '.join(f'{name}_{key}' for name, key in places)} in it; create "
            "what is wanted or correct it",
            named,
        )
    return dict(found)
