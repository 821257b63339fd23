"""Decisions. Pure: no files, no network, no clock of its own."""
