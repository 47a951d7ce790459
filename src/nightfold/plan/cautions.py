"""Short cautions for a night, only where they apply. Common practice; local rules and the standards named go before them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from nightfold.engine.documents import nearest_minute

__all__ = ["NightFacts", "cautions_for"]

HEAVY_KG = 20.0
"""From about here on two people lift (common practice; local rules on manual handling differ)."""

TIRED_AFTER = timedelta(hours=5)


@dataclass(frozen=True)
class NightFacts:
    """What decides which cautions apply. Times on the site's clock; None where not known."""

    first_block: datetime | None = None
    last_block: datetime | None = None
    sunset: datetime | None = None
    sunrise: datetime | None = None
    flips: bool = False
    mains: bool = False
    lithium: bool = False
    coldest_c: float | None = None
    heaviest_kg: float | None = None
    away_from_home: bool = False
    collimation: bool = False


def cautions_for(facts: NightFacts) -> tuple[str, ...]:
    """One sentence each, the gravest first."""
    found: list[str] = []
    if facts.sunrise is not None:
        found.append(
            f"Sun: cap or park every telescope, finder and guide scope before sunrise at {nearest_minute(facts.sunrise):%H:%M}; one look or one "
            "frame of the Sun without a filter over the aperture blinds and burns."
        )
    if (
        facts.sunset is not None
        and facts.first_block is not None
        and facts.first_block - facts.sunset < timedelta(hours=1)
    ):
        found.append(f"Keep the caps on until the Sun has set at {nearest_minute(facts.sunset):%H:%M}.")
    if facts.mains:
        found.append(
            "Mains in dew: a 30 mA residual-current device (a ground-fault interrupter in North America), outdoor connectors, "
            "boxes off the ground; or stay with extra-low voltage (IEC 60364, NEC 210.8)."
        )
    if facts.flips:
        found.append(
            "Meridian flip: leave slack in the cables, set hard limits, and keep a stop that works without the computer."
        )
    if facts.lithium and (facts.coldest_c is None or facts.coldest_c < 5.0):
        found.append(
            "Lithium batteries: never charge them below 0 °C; fuse every branch; leave damaged cells at home (IEC 62133-2)."
        )
    if facts.heaviest_kg is not None and facts.heaviest_kg >= HEAVY_KG:
        found.append(
            f"Weights: {facts.heaviest_kg:.0f} kg wants two people; counterweights go on before the tube and come off after it."
        )
    if facts.collimation:
        found.append(
            "Laser collimator: class 2 at most; look at the target plate, never into the beam or its return (IEC 60825-1)."
        )
    if facts.away_from_home:
        found.append(
            "Someone should know where you are and when you return; the telephone charged, the landowner asked."
        )
    late = facts.last_block is not None and facts.sunset is not None and facts.last_block - facts.sunset > TIRED_AFTER
    if facts.away_from_home and late:
        found.append("Driving tired is the gravest risk of the night: sleep first.")
    return tuple(found)
