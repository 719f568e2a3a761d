"""The charts of one reservoir as the page takes them: SVG texts, empty where nothing is drawn. Values."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Drawn:
    """One reservoir's charts."""

    water: str = ""
    purity: str = ""
    cartridges: tuple[str, ...] = ()
    """One for each cartridge of the season, in its order."""
