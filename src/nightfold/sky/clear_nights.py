"""When a season's work will be done, under weather that comes in spells: the one forecast, for depth and for planning.

Nights are clear or not, as a two-state chain: with chance p of a clear night and persistence r, a clear night follows a
clear one with p + r (1 - p), a cloudy one with p (1 - r). The share of clear nights stays p; spells grow longer with r.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from nightfold.errors import SettingsError

__all__ = ["Forecast", "Need", "clear_nights", "finishing_night"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

DRAWS = 2000


@dataclass(frozen=True)
class Need:
    """Clear hours still wanted for one filter (and target), and the hours each night offers it.

    `hours` are counted at the filter's usual quality; `offered` has one entry a night: of the night's usable hours, those
    that suit this filter.
    """

    name: str
    hours: float
    offered: FloatArray


@dataclass(frozen=True)
class Forecast:
    """Nights by which the work is done: the median and the early and late ends of the middle 80 %.

    None where that share of the draws does not finish within the season looked at; `finished` is the share that does.
    """

    median: date | None
    p10: date | None
    p90: date | None
    finished: float


def clear_nights(
    probability: npt.ArrayLike, *, persistence: float = 0.6, draws: int = DRAWS, seed: int = 1
) -> BoolArray:
    """Simulated weather (draws, nights), True for clear; `probability` has one entry a night."""
    chance = np.asarray(probability, dtype=np.float64)
    if chance.ndim != 1 or np.any(~((chance >= 0) & (chance <= 1))) or not 0.0 <= persistence < 1.0:
        raise SettingsError(
            "the weather is impossible",
            seen=f"clear_night_probability {np.min(chance, initial=1.0):g} to {np.max(chance, initial=0.0):g}, "
            f"clear_persistence {persistence:g}",
            allowed="probabilities from 0 to 1, persistence from 0 to below 1",
            next_step="correct them in [site]",
        )
    rng = np.random.default_rng(seed)
    luck = rng.random((draws, chance.size))
    clear = np.empty((draws, chance.size), dtype=np.bool_)
    for night in range(chance.size):
        p = chance[night]
        if night == 0:
            clear[:, 0] = luck[:, 0] < p
            continue
        follows = np.where(clear[:, night - 1], p + persistence * (1.0 - p), p * (1.0 - persistence))
        clear[:, night] = luck[:, night] < follows
    return clear


def finishing_night(
    needs: Sequence[Need],
    night_hours: npt.ArrayLike,
    *,
    first: date,
    probability: npt.ArrayLike,
    persistence: float = 0.6,
    draws: int = DRAWS,
    seed: int = 1,
) -> Forecast:
    """The night by which all needs are met, over simulated weather.

    Parameters
    ----------
    needs : sequence of Need
        In a clear night the pickiest goes first: the filter with the fewest offered hours takes what it can, the next one
        what is left of the night.
    night_hours : float64 (nights,)
        Usable hours of each night, whatever the filter.
    first : date
        The first night.
    probability : float64 (nights,)
        Of a clear night.

    Returns
    -------
    Forecast
    """
    hours = np.asarray(night_hours, dtype=np.float64)
    weather = clear_nights(np.broadcast_to(np.asarray(probability, dtype=np.float64), hours.shape), persistence=persistence, draws=draws, seed=seed)  # fmt: skip
    left = np.repeat(np.array([[need.hours] for need in needs], dtype=np.float64).reshape(len(needs), 1), draws, axis=1)
    offered = np.array([need.offered for need in needs], dtype=np.float64).reshape(len(needs), hours.size)
    done = np.full(draws, -1, dtype=np.int64)
    if not left.size or not (left > 0).any():
        return Forecast(first, first, first, 1.0)
    for night in range(hours.size):
        free = np.where(weather[:, night], hours[night], 0.0)
        spent = np.zeros(draws)
        for i in np.argsort(offered[:, night], kind="stable"):
            # A filter's own hours lie inside the night; pickier filters have used `spent` of it, in the worst case its own.
            taken = np.minimum(left[i], np.clip(np.minimum(offered[i, night], free - spent), 0.0, None))
            left[i] -= taken
            spent += taken
        over = (done < 0) & np.all(left <= 1e-9, axis=0)
        done[over] = night
        if (done >= 0).all():
            break
    finish = np.where(done < 0, np.inf, done.astype(np.float64))

    def at(share: float) -> date | None:
        index = float(np.sort(finish)[max(int(np.ceil(share * draws)) - 1, 0)])
        return first + timedelta(days=int(index)) if np.isfinite(index) else None

    return Forecast(at(0.5), at(0.1), at(0.9), float(np.mean(done >= 0)))
