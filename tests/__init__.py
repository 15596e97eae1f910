"""Tests; folders mirror the packages they test."""
