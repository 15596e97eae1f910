"""The answer to each kind of request of the page."""
