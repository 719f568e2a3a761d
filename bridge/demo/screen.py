"""The terminal view: what is published of one reservoir, in 80 columns and without colour. Core.

It is made from topics alone, so it can show any bridge.
"""

from bridge.demo.story import Heard

WIDTH = 78
_BAR = 30


def _row(label: str, text: str) -> str:
    return f" {label:<11} {text}"[:WIDTH]


def _bar(fraction: float) -> str:
    filled = round(_BAR * max(0.0, min(1.0, fraction)))
    return "[" + "#" * filled + "." * (_BAR - filled) + "]"


def _with_unit(text: str, unit: str, unknown: str = "not known") -> str:
    return f"{text} {unit}" if text else unknown


def lines(h: Heard) -> list[str]:
    """The view, a line each."""
    verdict = h.value("product/verdict") or "unknown"
    answer = {
        "suitable": "YES, it is suitable",
        "marginal": "with care, it is marginal",
        "unsuitable": "NO, it is unsuitable",
    }.get(verdict, "not known")
    missing = [one for one in h.value("valve/missing").strip("[]").replace('"', "").split(",") if one]
    valve = h.value("valve/reported") or "unknown"
    phase = h.value("fill/phase") or "unknown"
    trip = h.value("health/first-out")
    product = _with_unit(h.value("product/ppm"), "ppm")
    if h.value("product/ppm"):
        product += f" ± {h.value('product/uncertainty')}, limit {h.value('product/limit')}"
    alerts = sorted(topic.rsplit("/", 1)[1] for topic in h.kept if topic.startswith(f"{h.device}/$alert/"))
    return [
        _row("Use it?", answer),
        _row("Product", f"{product}, scale {h.value('product/factor')} ppm per µS/cm"),
        _row("Reservoir", f"{_bar(h.number('reservoir/level') / 100.0)} {_volume(h)}"),
        _row("", f"zone {h.value('reservoir/zone')}, about {_with_unit(h.value('reservoir/ppm'), 'ppm')}"),
        _row("Valve", f"{valve.upper()}, phase {phase}"),
        _row("", f"missing: {', '.join(missing)}" if missing else "every permissive holds"),
        _row("Purifier", f"{_with_unit(h.value('purifier/treated'), 'L')} treated, {_load(h)}"),
        _row("Trip", f"{trip} came first" if trip and trip != "none" else "none"),
        _row("Alerts", ", ".join(alerts) or "none"),
    ]


def _volume(h: Heard) -> str:
    capacity = h.value("reservoir/capacity")
    volume = _with_unit(h.value("reservoir/volume"), "L")
    return f"{volume} of {capacity}" if capacity else volume


def _load(h: Heard) -> str:
    return f"{_with_unit(h.value('purifier/load'), 'g')} taken up"
