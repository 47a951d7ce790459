"""Charts: pure functions from what stages return to one Vega-Lite specification, for the page, SVG, PNG and PDF alike."""
