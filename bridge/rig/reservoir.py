"""The true contents of the reservoir: litres, dissolved mass, and everything that came and went."""

from dataclasses import dataclass


@dataclass(slots=True)
class Account:
    """Litres and milligrams that crossed one boundary since the start."""

    litres: float = 0.0
    milligrams: float = 0.0

    def add(self, litres: float, milligrams: float) -> None:
        """Book a movement."""
        self.litres += litres
        self.milligrams += milligrams


class Reservoir:
    """A stirred vessel with a rim; mutable. One ppm is taken as one milligram in a litre.

    Volume and mass change only through :meth:`exchange`, which books every movement, so that
    contents = start + inflow + rain - drawn - evaporated - spilled, for litres and for mass.
    """

    def __init__(self, capacity_l: float, volume_l: float, ppm: float) -> None:
        """Start with ``volume_l`` (0 to ``capacity_l``) at ``ppm``."""
        self.capacity_l = capacity_l
        self.volume_l = volume_l
        self.mass_mg = volume_l * ppm
        self.inflow = Account()
        self.rain = Account()
        self.drawn = Account()
        self.evaporated = Account()
        self.spilled = Account()

    @property
    def ppm(self) -> float:
        """Dissolved solids, mg/L; 0 when empty."""
        return self.mass_mg / self.volume_l if self.volume_l > 0.0 else 0.0

    def exchange(
        self,
        inflow_l: float,
        inflow_mg: float,
        rain_l: float,
        rain_mg: float,
        evaporated_l: float,
        drawn_l: float,
    ) -> float:
        """Carry out one short step and return the litres spilled over the rim.

        What enters mixes first, then the lid evaporates pure water, then water is drawn (no more than
        there is), then what stands over the rim runs off at the concentration of the whole.
        """
        if inflow_l:
            self.inflow.add(inflow_l, inflow_mg)
        if rain_l:
            self.rain.add(rain_l, rain_mg)
        volume_l = self.volume_l + inflow_l + rain_l
        mass_mg = self.mass_mg + inflow_mg + rain_mg
        # The last half litre never evaporates: dried-up salt would have no concentration to show.
        evaporated_l = min(evaporated_l, max(0.0, volume_l - 0.5))
        self.evaporated.litres += evaporated_l
        volume_l -= evaporated_l
        if drawn_l > 0.0 and volume_l > 0.0:
            drawn_l = min(drawn_l, volume_l)
            drawn_mg = mass_mg * (drawn_l / volume_l)
            self.drawn.add(drawn_l, drawn_mg)
            volume_l -= drawn_l
            mass_mg -= drawn_mg
        spilled_l = 0.0
        if volume_l > self.capacity_l:
            spilled_l = volume_l - self.capacity_l
            spilled_mg = mass_mg * (spilled_l / volume_l)
            self.spilled.add(spilled_l, spilled_mg)
            volume_l = self.capacity_l
            mass_mg -= spilled_mg
        self.volume_l = volume_l
        self.mass_mg = mass_mg
        return spilled_l
