"""Showing: figures and pages."""
