"""The front door: `Campaign`, and what `Campaign.start` returns."""

from nightfold.campaign.core import Campaign, StartReport

__all__ = ["Campaign", "StartReport"]
