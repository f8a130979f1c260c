"""Reading a trace: zero, phases, features, uncertainty."""
