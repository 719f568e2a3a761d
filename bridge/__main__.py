"""``python -m bridge``: the same as ``clearwell``."""

from bridge.commands.main import program

program()
