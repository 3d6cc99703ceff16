"""One module for each part of the page."""
