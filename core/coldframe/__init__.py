"""Coldframe: recipes that turn a night of raw frames into one clean, linear stack."""
