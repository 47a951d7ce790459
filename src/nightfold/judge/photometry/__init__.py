"""Zero points from catalogue stars: what an electron a second is worth on the sky."""
