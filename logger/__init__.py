"""Ropetally's capture side: cells, streams, logbook, command line."""
