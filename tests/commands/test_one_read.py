"""A command reads its configuration once, for any number of its parts."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from bridge.commands.main import entry
from bridge.config import loading

TEXT = """
[purifier.pitcher]
feed_ppm = 100
[purifier.pitcher.cartridge]
kind = "exchange"
treats = "45 us-gal"
treats_of = 95
"""


@pytest.mark.parametrize(
    "words",
    [
        ("check", "{config}"),
        ("forecast", "--config", "{config}"),
        ("sample", "--config", "{config}", "--of", "pitcher", "--litres", "2", "--ppm", "3"),
    ],
    ids=lambda words: words[0],
)
def test_a_command_reads_its_configuration_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    config = tmp_path / "clearwell.toml"
    config.write_text(TEXT)
    read, times = loading.read, []

    def counted(path: Path, environ: dict[str, str]) -> loading.Configuration:
        times.append(path)
        return read(path, environ)

    monkeypatch.setattr(loading, "read", counted)
    done = CliRunner().invoke(entry, [word.format(config=config) for word in words])
    assert done.exit_code == 0, done.output
    assert times == [config]
