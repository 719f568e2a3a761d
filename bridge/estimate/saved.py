"""The estimate of a reservoir as values for JSON, also those that earlier versions saved. Core."""

import math
from collections.abc import Mapping
from typing import Any

from bridge.errors import InputError
from bridge.estimate.covariance import alone, with_variance
from bridge.estimate.reservoir import (
    DUST,
    DUST_PPM_PER_DAY,
    DUST_SD,
    METER,
    SEASON,
    SIZE,
    Counted,
    Reservoir,
)

_ERROR_UNIT = "standard uncertainties"


def to_json(estimate: Reservoir) -> dict[str, Any]:
    """Return the estimate as values for JSON."""
    last = estimate.last
    return {
        "state": [
            estimate.ppm,
            estimate.volume_l,
            estimate.cell_gain,
            estimate.season_error,
            estimate.meter_error,
            estimate.dust_ppm_day,
        ],
        "meter_in": _ERROR_UNIT,
        "season_in": _ERROR_UNIT,
        "covariance": [list(row) for row in estimate.covariance],
        "assumed_share": estimate.assumed_share,
        "sampled_share": estimate.sampled_share,
        "sampled_s": estimate.sampled_s,
        "meter": estimate.meter,
        "last": None if last is None else [last.shown_ppm, last.ppm, last.variance],
    }


def from_json(values: Mapping[str, Any]) -> Reservoir:
    """Return the estimate of :func:`to_json`.

    Raises:
        InputError: If the values are not those of an estimate.
    """
    try:
        state = [float(value) for value in values["state"]]
        covariance = tuple(tuple(float(value) for value in row) for row in values["covariance"])
        sampled_s, last = values["sampled_s"], values.get("last")
        if len(state) == DUST and len(covariance) == DUST:
            # An earlier version did not know the dust.
            state.append(DUST_PPM_PER_DAY)
            padded = (*((*row, 0.0) for row in covariance), (0.0,) * SIZE)
            covariance = with_variance(padded, DUST, DUST_SD**2)
        ppm, volume_l, cell_gain, season_error, meter_error, dust_ppm_day = state
        if values.get("meter_in") != _ERROR_UNIT:
            # An earlier version kept the error in ppm: the next sample begins with a meter that is not known.
            meter_error, covariance = 0.0, alone(covariance, METER, 0.0)
        if values.get("season_in") != _ERROR_UNIT:
            # An earlier version kept the error as a share of every product.
            season_error, covariance = 0.0, alone(covariance, SEASON, 1.0)
        estimate = Reservoir(
            ppm,
            volume_l,
            cell_gain,
            season_error,
            meter_error,
            dust_ppm_day,
            covariance,
            float(values["assumed_share"]),
            float(values["sampled_share"]),
            None if sampled_s is None else float(sampled_s),
            str(values["meter"]),
            None if last is None else Counted(*(float(value) for value in last)),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"the saved estimate of the reservoir is damaged ({error}); delete it") from error
    sound = (
        [len(row) for row in covariance] == [SIZE] * SIZE
        and all(map(math.isfinite, state))
        and all(math.isfinite(value) for row in covariance for value in row)
        and all(covariance[i][i] >= 0.0 for i in range(SIZE))
        and estimate.ppm >= 0.0
        and estimate.volume_l >= 0.0
    )
    if not sound:
        raise InputError("the saved estimate of the reservoir has impossible numbers; delete it")
    return estimate
