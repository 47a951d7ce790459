"""How deep a campaign is, filter by filter: what was reached, whether more time helps, and when it will be enough."""
