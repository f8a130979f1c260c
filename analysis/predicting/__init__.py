"""Predicting: the piece, the rope, the rig, drops."""
