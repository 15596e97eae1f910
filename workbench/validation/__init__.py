"""Accuracy and published comparisons, worked out anew on the user's own machine, and the report about them."""
