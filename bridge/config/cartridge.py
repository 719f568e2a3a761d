"""``cartridge``: an exchange cartridge, a membrane or a distiller, with its rating."""

from typing import TYPE_CHECKING, Any, Literal

from pydantic import Field, ModelWrapValidatorHandler, PrivateAttr, model_validator

from bridge.config.tables import (
    Grams,
    Litres,
    Ppm,
    Table,
    from_zero,
    is_in_grains,
    optional,
    positive,
    refused,
)
from bridge.purifier.cartridge import (
    RATING_SD,
    Kind,
    RatedGrains,
    RatedGrams,
    RatedLitres,
    RatedResin,
    Rating,
    equivalent_weight_on_scale,
    rated_grams,
    rating_sd_on_scale,
)
from bridge.station.plan import CartridgePlan
from bridge.units import MILLIGRAMS_PER_GRAIN
from bridge.water.measurement import LARGEST_FACTOR, SMALLEST_FACTOR

DEFAULT_LEAD_DAYS = 7.0
_ONE_RATING = "an exchange cartridge needs one rating: treats, takes_up or resin"
_OF_KIND = {
    "exchange": (
        "treats",
        "treats_of",
        "takes_up",
        "resin",
        "equivalents_per_l",
        "rating_sd_percent",
        "rating_factor",
    ),
    "membrane": ("rejection_percent",),
    "distiller": ("scale",),
}


class RatedTable(Table):
    """A table with the rating of an exchange cartridge; each such table has its own words for the keys."""

    if TYPE_CHECKING:
        treats: float | None
        treats_of: float | None
        takes_up: float | None
        resin: float | None
        equivalents_per_l: float | None

    # A rating in grains counts calcium carbonate, and one in grams the ppm of the table's own scale.
    _in_grains: bool = PrivateAttr(default=False)

    @model_validator(mode="wrap")
    @classmethod
    def _with_unit(cls, values: Any, make: ModelWrapValidatorHandler["RatedTable"]) -> "RatedTable":
        table = make(values)
        table._in_grains = is_in_grains(values, "takes_up")
        return table

    @model_validator(mode="after")
    def _whole_rating(self) -> "RatedTable":
        for one, other in (("treats", "treats_of"), ("resin", "equivalents_per_l")):
            if (getattr(self, one) is None) != (getattr(self, other) is None):
                raise refused(one, getattr(self, one), f"goes together with {other}; give both")
        return self

    @property
    def rating(self) -> Rating | None:
        """The rating, if one is stated."""
        if self.treats is not None and self.treats_of is not None:
            return RatedLitres(self.treats, self.treats_of)
        if self.resin is not None and self.equivalents_per_l is not None:
            return RatedResin(self.resin, self.equivalents_per_l)
        if self.takes_up is None:
            return None
        if self._in_grains:
            return RatedGrains(self.takes_up * 1000.0 / MILLIGRAMS_PER_GRAIN)
        return RatedGrams(self.takes_up)

    @property
    def count_of_ratings(self) -> int:
        """How many ratings are stated; more than one is a contradiction."""
        return sum(x is not None for x in (self.treats, self.takes_up, self.resin))


class CartridgeTable(RatedTable):
    """``cartridge``: an exchange cartridge, a membrane or a distiller, for the forecast."""

    kind: Literal["exchange", "membrane", "distiller"] = Field(
        description="'exchange' (resin), 'membrane' or 'distiller'"
    )
    treats: Litres | None = positive(
        "the litres that it treats, or a text such as '45 us-gal'; with treats_of",
        unstated=_ONE_RATING,
    )
    treats_of: Ppm | None = positive(
        "the ppm of the feed to which treats applies", unstated="needed with treats"
    )
    takes_up: Grams | None = positive(
        "the grams that it takes up, or a text such as '300 grain'", unstated=_ONE_RATING
    )
    resin: Litres | None = positive("the litres of resin in it; with equivalents_per_l", unstated=_ONE_RATING)
    equivalents_per_l: float | None = positive(
        "the equivalents that a litre of the resin takes up", unstated="needed with resin"
    )
    rating_sd_percent: float | None = optional(
        "one standard deviation of the rating of an exchange cartridge, in per cent",
        f"{RATING_SD * 100:g}",
        ge=1,
        le=100,
    )
    rating_factor: float | None = optional(
        "the scale on which treats_of or takes_up is stated: ppm for each µS/cm at 25 °C, often 0.5",
        "that of the limit",
        ge=SMALLEST_FACTOR,
        le=LARGEST_FACTOR,
    )
    rejection_percent: float | None = optional(
        "the rated rejection of a membrane in per cent", "needed for a membrane", ge=50, le=99.9
    )
    scale: Grams | None = positive(
        "the grams of scale that may collect in a distiller before it is descaled",
        unstated="needed for a distiller",
    )
    price: float | None = from_zero("the price of a new one", unstated="not known")
    lead_days: float = from_zero(
        "the days from the order until a new one is fitted", DEFAULT_LEAD_DAYS, le=366
    )

    @model_validator(mode="wrap")
    @classmethod
    def _grains_without_scale(
        cls, values: Any, make: ModelWrapValidatorHandler["CartridgeTable"]
    ) -> "CartridgeTable":
        table = make(values)
        if table._in_grains and table.rating_factor is not None:
            raise refused(
                "rating_factor", table.rating_factor, "does not go with grains, whose rating has no scale"
            )
        return table

    @model_validator(mode="after")
    def _fits(self) -> "CartridgeTable":
        for kind, keys in _OF_KIND.items():
            for key in keys:
                if kind != self.kind and getattr(self, key) is not None:
                    raise refused(key, getattr(self, key), f"belongs to the kind '{kind}'; leave it out")
        if self.rating_factor is not None and self.resin is not None:
            raise refused(
                "rating_factor", self.rating_factor, "does not go with resin, whose rating has no scale"
            )
        if self.kind == "exchange" and self.count_of_ratings != 1:
            raise refused("kind", self.kind, "needs one rating: treats and treats_of, or takes_up, or resin")
        if self.kind == "membrane" and self.rejection_percent is None:
            raise refused("kind", self.kind, "needs rejection_percent, the rated rejection")
        if self.kind == "distiller" and self.scale is None:
            raise refused("kind", self.kind, "needs scale, the grams of scale that may collect")
        return self

    def core(self, factor: float) -> CartridgePlan:
        """Make the plan of this cartridge.

        Args:
            factor: The scale of the reservoir, in ppm for each µS/cm at 25 °C.
        """
        rating = self.rating
        rating_sd = RATING_SD if self.rating_sd_percent is None else self.rating_sd_percent / 100.0
        equivalent_g = equivalent_weight_on_scale(factor)
        rated_g = self.scale if rating is None else rated_grams(rating, equivalent_g)
        if rated_g is not None and self.rating_factor is not None:
            rated_g *= factor / self.rating_factor
        return CartridgePlan(
            kind=Kind(self.kind),
            rated_g=rated_g,
            rating_sd=rating_sd_on_scale(rating, rating_sd),
            rejection_percent=self.rejection_percent,
            price=self.price,
            lead_days=self.lead_days,
        )

    @property
    def rating_is_on_a_scale(self) -> bool:
        """True if the rating is in ppm or in grams of a meter. Grains and resin are equivalents."""
        return self.treats is not None or (self.takes_up is not None and not self._in_grains)
