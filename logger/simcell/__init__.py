"""The simulated cell: a device model and a small world; imports nothing else of ours."""
