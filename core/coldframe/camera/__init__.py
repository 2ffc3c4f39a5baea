"""Cameras measured, and what follows from their numbers."""
