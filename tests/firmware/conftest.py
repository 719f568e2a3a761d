"""Builds firmware, emulator harness and host library once, from the sources, before the first test."""

from collections.abc import Iterator

import pytest

from tests.firmware.emulator import Build, Emulator, build_all, missing_tools


@pytest.fixture(scope="session")
def build(tmp_path_factory: pytest.TempPathFactory) -> Build:
    if sentence := missing_tools():
        pytest.fail(sentence, pytrace=False)
    return build_all(tmp_path_factory.mktemp("firmware"))


@pytest.fixture
def board(build: Build) -> Iterator[Emulator]:
    """A booted, idle board with everything fitted and sound."""
    with Emulator(build) as board:
        board.run(600)
        yield board
