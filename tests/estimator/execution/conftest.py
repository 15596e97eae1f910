"""The narrow level of the resection's tests, and what its usual plan frees."""

from tests.estimator.resection.conftest import found, narrow, prepared

__all__ = ["found", "narrow", "prepared"]
