"""Where the subs of a campaign lie on the sky."""
