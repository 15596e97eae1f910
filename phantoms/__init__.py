"""Parametric lumbar spines whose truth is known, and scans made from them."""
