"""The sources of a configuration: the TOML file, the environment, and the files of secrets.

Two underscores in the name of a variable go one table deeper: ``CLEARWELL_HUB__HOST=localhost`` sets the key
``host`` of ``[hub]``. Numbers, ``true``, lists and tables are written as in TOML, texts as they are. Ids have
no underscores, so ``NORTH_BARREL`` means ``north-barrel``. Secrets never stand in the TOML file.
"""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic.fields import FieldInfo
from pydantic_settings import (
    BaseSettings,
    EnvSettingsSource,
    PydanticBaseSettingsSource,
    TomlConfigSettingsSource,
)

from bridge.config.mistakes import SECRETS, Mistakes, similar, toml_hint
from bridge.config.model import Settings
from bridge.errors import InputError

PREFIX = "CLEARWELL_"
DELIMITER = "__"
CREDENTIALS = "CREDENTIALS_DIRECTORY"
LONGEST_SECRET_BYTES = 65535
"""MQTT carries no more."""
TABLES_BY_ID = ("reservoir", "purifier", "shelf", "tray", "meter")


def settings_from(sources: tuple[PydanticBaseSettingsSource, ...]) -> Settings:
    """Build the model from sources of which an earlier one overrides a later one.

    Raises:
        pydantic.ValidationError: The values do not fit the model.
    """

    class Sourced(Settings):
        @classmethod
        def settings_customise_sources(
            cls, settings_cls: type[BaseSettings], *_: Any, **__: Any
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            return sources

    nothing_else: dict[str, Any] = {}
    return Sourced(**nothing_else)


def merged_from(sources: tuple[PydanticBaseSettingsSource, ...]) -> dict[str, Any]:
    """Merge the raw values of sources of which an earlier one overrides a later one."""
    merged: dict[str, Any] = {}
    for source in reversed(sources):
        merged = merge(merged, source())
    return merged


def merge(lower: dict[str, Any], upper: dict[str, Any]) -> dict[str, Any]:
    """Merge two tables key by key; where both have a value, ``upper`` counts."""
    both = dict(lower)
    for key, value in upper.items():
        below = both.get(key)
        both[key] = merge(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return both


def toml_source(path: Path, mistakes: Mistakes) -> TomlConfigSettingsSource:
    """Read the TOML file. Secrets that stand in it are noted as mistakes and taken out.

    Raises:
        InputError: There is no such file, it cannot be read, or it is not TOML.
    """
    try:
        if not path.is_file():
            what = "is not a file" if path.exists() else "there is no such file"
            raise InputError(f"{path}: {what}; give the path of a configuration in TOML")
        source = TomlConfigSettingsSource(Settings, path)
    except tomllib.TOMLDecodeError as error:
        hint = toml_hint(path.read_text("utf-8"), str(error))
        raise InputError(f"{path}: this is not TOML: {error}; {hint}") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}: this is not TOML, which is text in UTF-8; save it as UTF-8") from error
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); check the path and its rights"
        ) from error
    _refuse_secrets(source.toml_data, mistakes)
    return source


def _refuse_secrets(written: dict[str, Any], mistakes: Mistakes) -> None:
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
                "must not stand in the file, because files are copied and shown around; give "
                f"{PREFIX}{name.upper()}{DELIMITER}{key.upper()} in the environment, or a file {name}_{key} "
                "in the directory that secrets_dir names",
            )


class EnvironmentSource(EnvSettingsSource):
    """Values from variables such as ``CLEARWELL_HUB__HOST``, with lists and tables written as in TOML.

    Args:
        environ: The environment.
        mistakes: Receives variables that cannot set anything, and which variable set which key.

    Attributes:
        strays: A sentence for each variable with our prefix that sets nothing. Another program may use the
            prefix too: a container's host names variables after its services.
    """

    def __init__(self, environ: Mapping[str, str], mistakes: Mistakes) -> None:
        super().__init__(Settings, env_prefix=PREFIX.lower(), env_nested_delimiter=DELIMITER)
        by_keys: dict[tuple[str, ...], str] = {}
        strays = []
        for name in sorted(name for name in environ if name.startswith(PREFIX)):
            keys: tuple[str, ...] = tuple(name.removeprefix(PREFIX).lower().split(DELIMITER))
            if keys[0] not in Settings.model_fields:
                known = [PREFIX + key.upper() for key in Settings.model_fields]
                if len(keys) == 1:
                    strays.append(f"the environment variable {name} sets nothing; {similar(name, known)}")
                else:
                    mistakes.add(keys[:1], f"there is no such table; {similar(keys[0], list(SECTIONS))}")
                    by_keys[keys[:1]] = name
                continue
            if keys[0] in TABLES_BY_ID and len(keys) > 1:
                keys = (keys[0], keys[1].replace("_", "-"), *keys[2:])
            by_keys[keys] = name
        self.strays = tuple(strays)
        self.env_vars = {}
        for keys, name in by_keys.items():
            above = [keys[:length] for length in range(1, len(keys)) if keys[:length] in by_keys]
            if "" in keys or any(not self._is_table(environ[by_keys[one]]) for one in above):
                mistakes.add((), f"the environment variable {name} leads into something that is not a table")
                continue
            self.env_vars[PREFIX.lower() + DELIMITER.join(keys)] = environ[name]
            mistakes.origins[keys] = name

    def decode_complex_value(self, field_name: str, field: FieldInfo, value: Any) -> Any:
        """Read a list or a table as TOML; anything else stays a text, which the model then refuses."""
        try:
            return tomllib.loads(f"value = {value}")["value"]
        except tomllib.TOMLDecodeError:
            return value

    def _is_table(self, text: str) -> bool:
        try:
            return isinstance(tomllib.loads(f"value = {text}")["value"], dict)
        except tomllib.TOMLDecodeError:
            return False


SECTIONS = tuple(name for name in Settings.model_fields if name != "secrets_dir")


class SecretFilesSource(PydanticBaseSettingsSource):
    """Secrets from a directory, each in a file of its own, for the tables that the configuration has.

    The secrets source of pydantic-settings takes any key from any file of the directory and strips the spaces
    of a password, so this one reads only the files that it knows.

    Args:
        base: The directory that a relative ``secrets_dir`` starts from.
        credentials: The directory that the service manager names, if any.
        values: The values of the environment over those of the file.
        mistakes: Receives what is wrong with the files.
    """

    def __init__(
        self, base: Path, credentials: str | None, values: Mapping[str, Any], mistakes: Mistakes
    ) -> None:
        super().__init__(Settings)
        tables = [name for name in SECRETS if isinstance(values.get(name), dict)]
        named = values.get("secrets_dir")
        directory = credentials if named is None else named
        self._found: dict[str, dict[str, str]] = {}
        if not tables or not directory or not isinstance(directory, str):
            return
        wanted = [(name, key) for name in tables for key in SECRETS[name]]
        for name, key in wanted:
            secret = _secret(base / directory / f"{name}_{key}", mistakes)
            if secret is not None:
                self._found.setdefault(name, {})[key] = secret
        if named is not None and not self._found:
            files = " or ".join(f"{name}_{key}" for name, key in wanted)
            mistakes.add(
                ("secrets_dir",), f"has no {files} in it; create the file, or correct the directory", named
            )

    def get_field_value(self, field: FieldInfo, field_name: str) -> tuple[Any, str, bool]:
        """Return the secrets of one table, as pydantic-settings asks for them."""
        return self._found.get(field_name), field_name, False

    def __call__(self) -> dict[str, Any]:
        """Return the secrets by table and key."""
        return dict(self._found)


def _secret(file: Path, mistakes: Mistakes) -> str | None:
    try:
        if not file.exists():
            return None
        secret = file.read_bytes()[: LONGEST_SECRET_BYTES + 1].decode().rstrip("\r\n")
    except (OSError, UnicodeDecodeError):
        mistakes.add(
            (), f"the secret in {file} cannot be read; it must be one line of text that you may read"
        )
        return None
    if not 0 < len(secret.encode()) <= LONGEST_SECRET_BYTES:
        mistakes.add((), f"the secret in {file} is empty or far too long; it must be one line of text")
    return secret
