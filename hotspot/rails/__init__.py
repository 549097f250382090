"""Readings and triage: which rail is at fault."""
