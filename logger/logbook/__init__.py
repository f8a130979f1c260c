"""The logbook: one SQLite file that keeps everything recorded."""
