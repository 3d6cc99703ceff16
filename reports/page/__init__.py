"""The HTML page."""
