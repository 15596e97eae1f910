"""Sets of phantoms on which accuracy is measured."""
