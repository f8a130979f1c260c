"""Decoders: bytes in, readings and faults out; no I/O."""
