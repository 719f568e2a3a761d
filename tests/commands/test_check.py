"""``clearwell check`` explains the daemon's behaviour before the daemon starts."""

import sys
from pathlib import Path

import pytest

from tests.running import clearwell_process, run, succeeds

CONFIG = Path(__file__).parents[2] / "config"


def explained(file: Path) -> str:
    return " ".join(succeeds("check", file).split())


@pytest.mark.parametrize(
    "name", ["minimal", "polytunnel", "membrane-with-drain", "modbus-transmitters", "announcements-example"]
)
def test_every_example_is_explained(name: str) -> None:
    assert "is right. This is what the daemon will do." in explained(CONFIG / f"{name}.toml")


def test_the_explanation_has_shape_marks_scale_limits_and_hub() -> None:
    told = explained(CONFIG / "polytunnel.toml")
    for words in (
        "an upright cylinder 0.58 m across and 0.76 m high; brim-full it holds 201 L",
        "a fill starts at or below 100 L (50%, 0.38 m deep) and ends at 181 L (90%, 0.68 m)",
        "a level sensor from 0.04 to 0.74 m in steps of 10 mm",
        "0.5 ppm per µS/cm at 25 °C",
        "brought to 25 °C by the method 'pure'",
        "the valve shuts at once if the product with its uncertainty reaches 50 ppm",
        "an alarm is raised from 25 ppm",
        "not measured; assumed to be 320 ppm",
        "opened for 5 s at a time",
        "localhost:1883, MQTT 5, not encrypted, without a user name",
        "homie/5/polytunnel-barrel",
        "never shows that water is safe to drink",
    ):
        assert words in told


def test_the_least_leak_is_explained_with_what_a_missing_statement_costs(tmp_path: Path) -> None:
    polytunnel = CONFIG / "polytunnel.toml"
    told = explained(polytunnel)
    # 0.19 L/h, for a step of 2.6 L.
    assert (
        "4.7 L a day is found within two weeks where afternoons are quiet, if it begins after a quiet month"
        in told
    )
    assert "one in ten is found beside misting, and four in ten beside wicks" in told
    stated = tmp_path / "stated.toml"
    table = "[reservoir.barrel]"
    stated.write_text(polytunnel.read_text().replace(table, f"{table}\nnight_draw_percent = 0", 1))
    assert "from the first day on: the draw at night is stated" in explained(stated)


def test_the_destination_of_a_rinse_follows_from_the_fitted_valves() -> None:
    assert "into the reservoir, because there is no drain valve" in explained(CONFIG / "minimal.toml")
    assert "10 to 600 s to the drain" in explained(CONFIG / "membrane-with-drain.toml")


def test_two_reservoirs_rain_switches_tls_and_announcements_are_explained() -> None:
    told = explained(CONFIG / "membrane-with-drain.toml")
    for words in (
        "a cylinder on its side, 0.8 m across",
        "a tapered barrel 0.5 m across below",
        "Only a zone is known, not the volume",
        "counted as rain of 10 ppm",
        "over TLS with a client certificate",
        "greenhouse/catalogue/glasshouse-north-tank/product/ppm and 4 more",
        "by the method 'natural', 0 to 36 °C",
        "Warning: the file /etc/clearwell/tls/authority.pem for TLS is missing",
    ):
        assert words in told


def test_a_missing_hub_is_stated() -> None:
    assert "no table [hub]" in explained(CONFIG / "minimal.toml")


def test_the_command_line_ends_with_0_for_a_right_file() -> None:
    done = clearwell_process("check", "config/minimal.toml", cwd=CONFIG.parent)
    assert (done.status, done.stderr) == (0, "")
    assert "brim-full it holds 201 L" in " ".join(done.stdout.split())


def test_the_command_line_ends_with_2_and_the_mistakes_and_no_traceback(tmp_path: Path) -> None:
    file = tmp_path / "wrong.toml"
    file.write_text((CONFIG / "minimal.toml").read_text() + 'method = "best"\n[hub]\npassword = "hunter2"\n')
    done = clearwell_process("check", str(file), cwd=CONFIG.parent)
    assert done.status == 2
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert "hunter2" not in done.stderr
    assert f"{file}: reservoir.barrel.product.method" in done.stderr
    assert "hub.password" in done.stderr
    assert "hub.host: is missing" in done.stderr
    assert len(done.stderr.splitlines()) == 3


@pytest.mark.parametrize("words", [("check",), ("check", "nowhere.toml"), ("check", "--hurry", "x.toml")])
def test_a_wrong_call_ends_with_2_and_no_traceback(words: tuple[str, ...]) -> None:
    done = clearwell_process(*words, cwd=CONFIG.parent)
    assert done.status == 2
    assert done.stdout == ""
    assert done.stderr
    assert "Traceback" not in done.stderr


def test_the_command_line_imports_no_heavy_module() -> None:
    probe = (
        "import sys, bridge.commands.main, bridge.commands.check, bridge.commands.sample;"
        "sys.exit(any(n.startswith(('pydantic', 'bridge.water', 'bridge.mqtt')) for n in sys.modules))"
    )
    done = run(sys.executable, "-c", probe, cwd=CONFIG.parent)
    assert done.status == 0
