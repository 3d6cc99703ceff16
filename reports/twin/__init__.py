"""The study as JSON."""
