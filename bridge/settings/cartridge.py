"""The table ``[reservoir.<id>.cartridge]``: what is fitted, and will be fitted again when it gives out."""

from typing import Literal

from pydantic import Field, model_validator

from bridge.purifier.capacity import RATING_SD
from bridge.purifier.cartridge import (
    Kind,
    RatedGrams,
    RatedLitres,
    RatedResin,
    Rating,
    rated_grams,
)
from bridge.settings.quantities import Grams, Litres, Ppm
from bridge.settings.table import Table, from_zero, positive, refused
from bridge.station.plan import CartridgePlan

USUAL_LEAD_DAYS = 7.0
_OF_KIND = {
    "exchange": ("treats", "treats_of", "takes_up", "resin", "equivalents_per_l", "rating_sd_percent"),
    "membrane": ("rejection_percent",),
    "distiller": ("scale",),
}


class CartridgeTable(Table):
    """``cartridge``: an exchange cartridge, a membrane or a distiller, for the forecast."""

    kind: Literal["exchange", "membrane", "distiller"] = Field(
        description="'exchange' (resin), 'membrane' or 'distiller'"
    )
    treats: Litres | None = positive("the litres that it treats, or '45 us-gal'; with treats_of")
    treats_of: Ppm | None = positive("the ppm of the feed that treats is stated for")
    takes_up: Grams | None = positive("the grams that it takes up, or a text such as '300 grain'")
    resin: Litres | None = positive("the litres of resin in it; with equivalents_per_l")
    equivalents_per_l: float | None = positive("the equivalents that a litre of the resin takes up")
    rating_sd_percent: float | None = Field(
        default=None, ge=1, le=100, description="one standard deviation of the rating in per cent, 1 to 100"
    )
    rejection_percent: float | None = Field(
        default=None, ge=50, le=99.9, description="the rated rejection of a membrane in per cent"
    )
    scale: Grams | None = positive("the grams of scale that a distiller may gather before it is descaled")
    price: float | None = from_zero("the price of a new one")
    lead_days: float = from_zero("the days from the order until a new one is fitted", USUAL_LEAD_DAYS, le=366)

    @model_validator(mode="after")
    def _fits(self) -> "CartridgeTable":
        for kind, keys in _OF_KIND.items():
            for key in keys:
                if kind != self.kind and getattr(self, key) is not None:
                    raise refused(key, getattr(self, key), f"belongs to the kind '{kind}'; leave it out")
        for one, other in (("treats", "treats_of"), ("resin", "equivalents_per_l")):
            if (getattr(self, one) is None) != (getattr(self, other) is None):
                raise refused(one, getattr(self, one), f"goes together with {other}; give both")
        ratings = sum(x is not None for x in (self.treats, self.takes_up, self.resin))
        if self.kind == "exchange" and ratings != 1:
            raise refused("kind", self.kind, "needs one rating: treats and treats_of, or takes_up, or resin")
        if self.kind == "membrane" and self.rejection_percent is None:
            raise refused("kind", self.kind, "needs rejection_percent, the rated rejection")
        if self.kind == "distiller" and self.scale is None:
            raise refused("kind", self.kind, "needs scale, the grams of scale that may gather")
        return self

    def core(self) -> CartridgePlan:
        rating = self._rating()
        return CartridgePlan(
            kind=Kind(self.kind),
            rated_g=self.scale if rating is None else rated_grams(rating),
            rating_sd=RATING_SD if self.rating_sd_percent is None else self.rating_sd_percent / 100.0,
            rejection_percent=self.rejection_percent,
            price=self.price,
            lead_days=self.lead_days,
        )

    def _rating(self) -> Rating | None:
        if self.treats is not None and self.treats_of is not None:
            return RatedLitres(self.treats, self.treats_of)
        if self.resin is not None and self.equivalents_per_l is not None:
            return RatedResin(self.resin, self.equivalents_per_l)
        return None if self.takes_up is None else RatedGrams(self.takes_up)
