"""Transports: where bytes come from."""
