"""Ropetally's analysis side: arithmetic on arrays; only ``source`` reads a logbook."""
