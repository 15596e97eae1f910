"""Tests of the workbench: command line, report and pictures."""
