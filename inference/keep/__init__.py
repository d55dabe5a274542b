"""Inspections as files and records."""
