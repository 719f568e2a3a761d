"""The table [page] turns the page on, by default for this machine only. Its token is secret."""

from pathlib import Path

import pytest

from bridge.config.loading import read
from bridge.config.plan import PagePlan
from bridge.errors import InputError

RESERVOIR = """
[reservoir.barrel]
port = "/dev/null"
shape = { kind = "upright-cylinder", diameter_m = 0.58, height_m = 0.76 }
[reservoir.barrel.level]
overflow_float = true
[reservoir.barrel.level.sensor]
table = [[0.05, 0.04], [0.95, 0.74]]
[reservoir.barrel.product]
cell_constant_per_cm = 0.1
"""
TOKEN = "velvet-badger-77-in-the-bog"


def planned(folder: Path, page: str, top: str = "", **environ: str) -> tuple[PagePlan | None, str]:
    """Returns the plan of the page and the warnings."""
    file = folder / "clearwell.toml"
    file.write_text(f"{top}\n{page}\n{RESERVOIR}")
    configuration = read(file, environ)
    return configuration.plan.page, " ".join(configuration.warnings)


def refused(folder: Path, page: str, **environ: str) -> str:
    with pytest.raises(InputError) as error:
        planned(folder, page, **environ)
    return str(error.value)


def test_no_page_is_served_without_the_table(tmp_path: Path) -> None:
    assert planned(tmp_path, "")[0] is None
    assert planned(tmp_path, "[page]\nenabled = false")[0] is None
    page, warnings = planned(tmp_path, "[page]")
    assert page is not None
    assert (page.host, page.port, page.names, page.token) == ("127.0.0.1", 8375, (), None)
    assert "page" not in warnings


def test_a_page_for_other_machines_comes_with_a_warning(tmp_path: Path) -> None:
    page, warnings = planned(
        tmp_path, '[page]\nhost = "0.0.0.0"\nnames = ["Garden-Pi.local"]', CLEARWELL_PAGE__TOKEN=TOKEN
    )
    assert page is not None
    assert page.names == ("garden-pi.local",)
    assert "without encryption" in warnings
    assert TOKEN not in warnings + repr(page)


def test_the_token_comes_from_the_environment_or_a_file_and_is_never_in_the_configuration(
    tmp_path: Path,
) -> None:
    page, _ = planned(tmp_path, "[page]", CLEARWELL_PAGE__TOKEN=TOKEN)
    assert page is not None
    assert page.token is not None
    assert page.token.reveal() == TOKEN
    (tmp_path / "page_token").write_text(f"{TOKEN}\n")
    for page, _ in (
        planned(tmp_path, "[page]", 'secrets_dir = "."'),
        planned(tmp_path, "[page]", CREDENTIALS_DIRECTORY=str(tmp_path)),
    ):
        assert page is not None
        assert page.token is not None
        assert page.token.reveal() == TOKEN
    said = refused(tmp_path, f'[page]\ntoken = "{TOKEN}"')
    assert "CLEARWELL_PAGE__TOKEN" in said
    assert TOKEN not in said


@pytest.mark.parametrize(
    ("page", "token", "part"),
    [
        ('host = "garden"', TOKEN, "not an address of this machine"),
        ('names = ["http://garden"]', TOKEN, "is not a host name"),
        ("port = 0", TOKEN, "must be from 1 to 65535"),
        ("", "short-badger", "16 to 256 characters"),
        ("", "velvet badger with spaces", "one word"),
        ("tokens = 1", TOKEN, "no such key"),
    ],
)
def test_a_wrong_table_is_refused_and_no_token_is_shown(
    tmp_path: Path, page: str, token: str, part: str
) -> None:
    said = refused(tmp_path, f"[page]\n{page}", CLEARWELL_PAGE__TOKEN=token)
    assert part in said
    assert token not in said
