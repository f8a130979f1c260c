"""Learning: predictions against measurements."""
