"""Verbs that deliver a case to people and other programs: page, report, theatre sheet, export, archive."""
