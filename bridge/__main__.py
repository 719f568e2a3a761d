"""``python -m bridge``: the same as ``clearwell``."""

from bridge.cli import program

program()
