"""Art as customers send it: read safely, described, drawn to pixels."""
